"""What the record says of each point at this moment, for `status` and `read`. Reads only."""

from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.readings.clocks import When
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Poll
from tallywell.readings.problems import EdgeFailure
from tallywell.registers.decode import Decoded, decode
from tallywell.registers.quantity import RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.service import sentences
from tallywell.service.entries import in_force
from tallywell.service.sentences import Seen, Watch
from tallywell.service.site import Point, Site
from tallywell.store.query import Reader

NEWEST = 200  # polls looked at: enough to see a total move at a poll a minute and a slow meter


@dataclass(frozen=True, slots=True)
class State:
    """A point's sentence, and whether all is well with it."""

    point: str
    sentence: str
    well: bool


def states(reader: Reader, site: Site, now: tuple[str, int, int]) -> tuple[State, ...]:
    """One state per point. `now`: boot id, boot ms and wall ms of this moment."""
    plans = Plans(reader)
    return tuple(_state(reader, plans, site, point, now) for point in site.points.values())


class Plans:
    """Decodes stored polls; each map is parsed once, which takes far longer than the decoding of a poll."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._known: dict[int, tuple[RegisterMap, tuple[Read, ...]]] = {}

    def decoded(self, poll: Poll) -> Decoded:
        """A stored poll, decoded by the map it was read under."""
        if poll.plan not in self._known:
            plan = self._reader.plan(poll.plan)
            self._known[poll.plan] = stored_map(self._reader, plan.map_text), plan.reads
        register_map, reads = self._known[poll.plan]
        return decode(register_map, reads, poll.got, poll.raw or b"")


def _state(reader: Reader, plans: Plans, site: Site, point: Point, now: tuple[str, int, int]) -> State:
    point_id = reader.point_id(point.name)
    polls = () if point_id is None else reader.last_polls(point_id, NEWEST)
    good = tuple((age(reader, poll, now), plans.decoded(poll)) for poll, _ in polls if poll.fault is None)
    seen = Seen(good, watch(poll for poll, _ in reversed(polls)))
    sentence = sentences.status(point, seen, site.zone)
    return State(point.name, sentence, sentences.is_well(point, seen))


def watch(polls: Iterable[Poll]) -> Watch:
    """What the newest polls, oldest first, leave to be watched."""
    seen = Watch()
    for poll in polls:
        seen = seen.after(poll)
    return seen


def age(reader: Reader, poll: Poll, now: tuple[str, int, int]) -> int:
    """Milliseconds since the poll: by the boot clock within this boot, else by its date or what the wall showed."""
    boot_id, boot_ms, wall_ms = now
    if reader.run(poll.run).boot_id == boot_id:
        return boot_ms - poll.boot_ms
    return max(0, wall_ms - (poll.shown_ms if poll.utc_ms is None else poll.utc_ms))


def decoded_poll(reader: Reader, poll: Poll) -> Decoded:
    """One stored poll, decoded by the map it was read under."""
    return Plans(reader).decoded(poll)


def stored_map(reader: Reader, text_id: int) -> RegisterMap:
    """A map from the record, sound when it was accepted. EdgeFailure: a newer version finds a fault in it."""
    register_map, problems = parse_map(reader.text(text_id).content, f"map {text_id} of the record")
    if register_map is None:
        first = next(str(problem) for problem in problems if not problem.warning)
        raise EdgeFailure(
            f"a map on record no longer reads without fault: {first}",
            hint="this version is stricter than the one that took it in; mend the map, start `tallywell run` with it",
        )
    return register_map


def dated(reader: Reader, seq: int, point: Point) -> tuple[Poll, When] | None:
    """The point's poll of that seq."""
    point_id = reader.point_id(point.name)
    return None if point_id is None else next(reader.polls(point_id, seq, seq), None)


def first_reading_ms(reader: Reader, point: Point, replaces: str | None = None) -> int | None:
    """When the point was first read well, by its date or what the clock showed; None if it never was.

    None also where an installation is in force already (but for the one that `replaces` names): the next one is a
    change-out, and nothing is to be asked.
    """
    point_id = reader.point_id(point.name)
    standing = [entry for entry in in_force(reader.entries()) if entry.kind == "installation"]
    if point_id is None or any(entry.point == point_id and entry.uuid != replaces for entry in standing):
        return None
    polls = reader.polls(point_id, 1, reader.newest_seq())
    first = next(((poll, when) for poll, when in polls if poll.fault is None), None)
    if first is None:
        return None
    poll, when = first
    return poll.shown_ms if when.utc_ms is None else when.utc_ms

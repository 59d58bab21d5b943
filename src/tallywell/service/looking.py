"""What the record says of each point at this moment, for `status` and `read`. Reads only."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from tallywell.readings.clocks import When
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Poll
from tallywell.readings.problems import EdgeFailure
from tallywell.registers.blocks import read_sets
from tallywell.registers.decode import Decoded, Value, bringing, conditions, decode
from tallywell.registers.quantity import Meaning, RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.service import sentences
from tallywell.service.in_force import in_force_now
from tallywell.service.ledger_facts import asks_for_books
from tallywell.service.refusals import Refusal, refusal_of
from tallywell.service.sentences import Seen, SettingChange, Watch
from tallywell.service.settings import Known
from tallywell.service.settings_noted import changes_since, known_settings
from tallywell.service.site import Point, Site
from tallywell.stated.content import in_force
from tallywell.store.query import Reader

NEWEST = 200  # polls of the books' total looked at: enough to see one move at a poll a minute and a slow meter
MOST = 10_000  # polls looked through for them: other sets may be read far oftener
RECENTLY_MS = 30 * 86_400_000  # so long is a changed setting told of


@dataclass(frozen=True, slots=True)
class State:
    """A point's sentence, and whether all is well with it."""

    point: str
    sentence: str
    well: bool


def states(reader: Reader, site: Site, now: tuple[str, int, int]) -> tuple[State, ...]:
    """One state per point. `now`: boot id, boot ms and wall ms of this moment."""
    known, changed = known_settings(reader), changes_since(reader, now[2] - RECENTLY_MS)
    refused = in_force_now(reader, site).refused
    looking = _Looking(reader, Plans(reader), now, reader.newest_good(), known, changed, refused)
    return tuple(looking.state(site, point) for point in site.points.values())


@dataclass(frozen=True, slots=True)
class _Looking:
    """What the states of all points are told from: `newest` of each plan, newest first; `known` and `changed` are the
    settings, by point, and `refused` what the meters refuse at present.
    """

    reader: Reader
    plans: "Plans"
    now: tuple[str, int, int]
    newest: Sequence[Poll]
    known: Mapping[str, Known]
    changed: Mapping[str, tuple[SettingChange, ...]]
    refused: Mapping[str, tuple[Refusal, ...]]

    def state(self, site: Site, point: Point) -> State:
        seen = self._seen(point)
        if site.lines[point.line].listen_only:
            seen = replace(seen, unheard=self._unheard(point), listened=True)
        return State(point.name, sentences.status(point, seen, site.zone), sentences.is_well(point, seen))

    def _unheard(self, point: Point) -> tuple[str, ...]:
        """What no plan brings of the newest polls that brought anything; none where nothing was."""
        point_id = self.reader.point_id(point.name)
        polls = () if point_id is None else self.reader.last_polls(point_id, NEWEST)
        heard = [self.plans.names(poll) for poll, _ in polls if poll.got]
        return tuple(name for name in point.map.quantities if not any(name in one for one in heard)) if heard else ()

    def _seen(self, point: Point) -> Seen:
        """A meter is silent, or counts, by the polls that ask for its books' total; all others add conditions."""
        point_id = self.reader.point_id(point.name)
        polls = () if point_id is None else self.reader.last_polls(point_id, MOST)
        main = list(islice((poll for poll, _ in polls if self.plans.is_main(poll)), NEWEST))
        good = [poll for poll in main if poll.fault is None]
        readings = [(age(self.reader, poll, self.now), self.plans.decoded(poll)) for poll in good]
        if good:
            readings[0] = readings[0][0], self._with_conditions(good[0], readings[0][1])
        known, changed = self.known.get(point.name, {}), self.changed.get(point.name, ())
        refusal = self.plans.refusal(main[0]) if main else None
        watched = replace(watch(reversed(main)), refusal=refusal.said if refusal else "")
        refused = tuple(one.said for one in self.refused.get(point.name, ()))
        return Seen(tuple(readings), watched, known, changed, refused=refused)

    def _with_conditions(self, poll: Poll, decoded: Decoded) -> Decoded:
        """The same with the conditions that hold by what is read in another rhythm: of each quantity by its newest
        value, under the same map.
        """
        values: dict[str, Value] = {}
        for one in sorted((poll, *self.newest), key=lambda one: one.seq):
            if one.point == poll.point and self.plans.map_text(one) == self.plans.map_text(poll):
                values |= self.plans.decoded(one).values
        return replace(
            decoded,
            not_counting=conditions(values, Meaning.NOT_COUNTING),
            suspect=conditions(values, Meaning.SUSPECT),
        )


class Plans:
    """Decodes stored polls; each map is parsed once, which takes far longer than the decoding of a poll."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._known: dict[int, _Known] = {}
        self._maps: dict[int, RegisterMap] = {}

    def decoded(self, poll: Poll) -> Decoded:
        """A stored poll, decoded by the map it was read under."""
        plan = self._plan(poll)
        return decode(plan.map, plan.reads, poll.got, poll.raw or b"")

    def is_main(self, poll: Poll) -> bool:
        """Whether it asked for the books' total; of a map without one, for what is read at each poll."""
        return self._plan(poll).main

    def names(self, poll: Poll) -> frozenset[str]:
        """The quantities that its plan brings."""
        plan = self._plan(poll)
        return frozenset(name for name, one in plan.map.quantities.items() if bringing(plan.map, plan.reads, one))

    def refusal(self, poll: Poll) -> Refusal | None:
        plan = self._plan(poll)
        return refusal_of(poll, plan.reads, plan.map)

    def map_text(self, poll: Poll) -> int:
        return self._plan(poll).map_text

    def _plan(self, poll: Poll) -> "_Known":
        if poll.plan not in self._known:
            plan = self._reader.plan(poll.plan)
            if plan.map_text not in self._maps:
                self._maps[plan.map_text] = stored_map(self._reader, plan.map_text)
            register_map = self._maps[plan.map_text]
            self._known[poll.plan] = _Known(register_map, plan.map_text, plan.reads, _is_main(register_map, plan.reads))
        return self._known[poll.plan]


@dataclass(frozen=True, slots=True)
class _Known:
    """A stored plan with its map. `main`: whether it is the one that tells if the point counts."""

    map: RegisterMap
    map_text: int
    reads: tuple[Read, ...]
    main: bool


def _is_main(register_map: RegisterMap, reads: tuple[Read, ...]) -> bool:
    if register_map.books is not None:
        return asks_for_books(register_map, reads)
    first = read_sets(register_map, 0)[0].names if register_map.quantities else ()
    return all(bringing(register_map, reads, register_map.quantities[name]) for name in first)


def beside(reader: Reader, poll: Poll) -> tuple[tuple[Poll, Decoded], ...]:
    """The newest poll of each other plan of the same point and map, the oldest first; among the newest polls only."""
    plans, newest = Plans(reader), dict[int, Poll]()
    for other, _ in islice(reader.polls_back(poll.point, reader.newest_seq() + 1), NEWEST):
        if other.plan != poll.plan and plans.map_text(other) == plans.map_text(poll) and not plans.is_main(other):
            newest.setdefault(other.plan, other)
    return tuple((other, plans.decoded(other)) for other in sorted(newest.values(), key=lambda other: other.seq))


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

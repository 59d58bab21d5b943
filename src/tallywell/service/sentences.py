"""What the log and `status` say of a point, in sentences (pure): the place, what is seen and what to check."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.readings.facts import Poll
from tallywell.readings.faults import Fault
from tallywell.registers.decode import Decoded
from tallywell.service.local_time import from_ms
from tallywell.service.settings import Known, unexpected_said
from tallywell.service.site import Point, Site

# Silence means "check the supply first": on battery many meters switch the port off (common practice, no source).
_SILENT = "check external power first, then the A/B pair, address and baud; the meter may still be counting"
_DAMAGED = "what comes is damaged: check termination, bias and shield, and whether it happens only while the pump runs"
_FOREIGN = "another device answers: look for two meters of one address, or another master on the line"
_AWAY = (
    "the line's port or connection is away: check the adapter or gateway, its cable, and port or host in the site file"
)
ADVICE: dict[str, str] = {
    Fault.NO_ANSWER: _SILENT,
    Fault.BAD_CRC: _DAMAGED,
    Fault.WRONG_LENGTH: _DAMAGED,
    Fault.STRAY_BYTES: _DAMAGED,
    Fault.WRONG_ADDRESS: _FOREIGN,
    Fault.WRONG_FUNCTION: _FOREIGN,
    Fault.WRONG_BYTE_COUNT: _FOREIGN,
    Fault.EXCEPTION: "the meter refuses the registers asked: check register numbers, numbering and table in the map",
    Fault.PORT_LOST: _AWAY,
    Fault.NO_VALUE: "the meter answers, and its total says that there is no value",
    Fault.OUT_OF_RANGE: "the total is outside what the map allows: check type, word order and digits in the map",
    Fault.TORN: "the total changed between the two requests that it takes; the next poll brings it; "
    "where this is often, look for a read that brings the whole total",
    Fault.PLAN_MISMATCH: "the stored words do not fit the map they were read by",
    Fault.STOPPED: "the program was stopped while it asked",
}
WHAT: dict[str, str] = {
    Fault.NO_ANSWER: "no answer",
    Fault.BAD_CRC: "answers with a wrong checksum",
    Fault.WRONG_LENGTH: "answers of a wrong length",
    Fault.STRAY_BYTES: "stray bytes around the answers",
    Fault.WRONG_ADDRESS: "answers from another address",
    Fault.WRONG_FUNCTION: "answers to another function",
    Fault.WRONG_BYTE_COUNT: "answers of another size",
    Fault.EXCEPTION: "refusals",
    Fault.PORT_LOST: "no way to the line",
    Fault.NO_VALUE: "no value",
    Fault.OUT_OF_RANGE: "totals out of range",
    Fault.TORN: "totals torn between two requests",
    Fault.PLAN_MISMATCH: "words that do not fit the map",
    Fault.STOPPED: "no reading",
}
_LISTENED = "this line is only listened to: it may also be that the other master does not ask this address"
COUNTING = "is counting"
AT_REST = "is at rest"
ONE_READING = "answers; one reading does not show whether it counts"
MS_NS = 1_000_000
GRACE_MS = 5_000  # a poll takes a while to come and to be stored


def place(point: Point) -> str:
    return f"{point.name} (line {point.line}, address {point.address})"


@dataclass(frozen=True, slots=True)
class Watch:
    """What was last seen of a point: how many polls failed in a row, since when (shown ms), and why.

    `refusal`: what it refused, in words.
    """

    missed: int = 0
    since_ms: int | None = None
    fault: str | None = None
    refusal: str = ""

    def after(self, poll: Poll, refusal: str = "") -> "Watch":
        """The same after one more poll. A poll that we stopped ourselves says nothing of the meter."""
        if poll.fault == Fault.STOPPED:
            return self
        if poll.fault is None:
            return Watch()
        return Watch(self.missed + 1, self.since_ms if self.missed else poll.shown_ms, poll.fault, refusal)


def change(point: Point, before: Watch, now: Watch, zone: ZoneInfo) -> str | None:
    """A sentence when the point began to fail, failed in another way, or answers again; None while nothing changed."""
    if (now.fault, now.refusal) == (before.fault, before.refusal):
        return None
    if now.fault is None:
        return f"{place(point)}: answers again after {counted(before.missed, 'missed poll')}"
    return silent(point, now, zone)


def silent(point: Point, watch: Watch, zone: ZoneInfo) -> str:
    since = f" since {clock_time(watch.since_ms, zone)}" if watch.since_ms is not None else ""
    fault = watch.fault or Fault.NO_ANSWER
    said = f"{place(point)}: {WHAT[fault]}{since} ({counted(watch.missed, 'poll')}); {watch.refusal or ADVICE[fault]}"
    ready_ms = point.map.limits.ready_after_power_up_ns // MS_NS
    if fault == Fault.NO_ANSWER and ready_ms:
        said += f"; this model answers {duration(ready_ms)} after its supply came back"
    return said


def not_read(fault: str, refusal: str = "") -> str:
    """Of quantities that are not read with the books' total, while that is."""
    return f"could not be read: {WHAT[fault]}; {refusal or ADVICE[fault]}"


def started(site: Site, record: str, after: str) -> str:
    ended = {
        "first": "its first run",
        "stopped": "it was stopped in order before",
        "unclean end": "it ended without a stop before, as in a power cut",
    }[after]
    points, lines = counted(len(site.points), "point"), counted(len(site.lines), "line")
    return f"started: {site.name}, {points} on {lines}, record {record}; {ended}"


def stepped(by_ms: int) -> str:
    way = "forward" if by_ms > 0 else "back"
    return f"the wall clock was put {way} by {duration(abs(by_ms))}; readings keep their order"


def counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def clock_time(shown_ms: int, zone: ZoneInfo) -> str:
    return from_ms(shown_ms, zone).strftime("%Y-%m-%d %H:%M")


def duration(ms: int) -> str:
    """ "40 s", "12 min", "5 h", "3 days": one unit, rounded down, as people say it."""
    for size, unit in ((86_400_000, "days"), (3_600_000, "h"), (60_000, "min")):
        if ms >= 2 * size:
            return f"{ms // size} {unit}"
    return f"{max(ms, 0) // 1000} s"


@dataclass(frozen=True, slots=True)
class SettingChange:
    """A setting that reads otherwise since `at_ms`."""

    quantity: str
    before: str
    after: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What `status` knows of a point. `readings`: the newest good ones, newest first, each (age in ms, decoded).

    `settings`: as they were read last; `changed`: those that changed lately. `unheard`: quantities for which the other
    master of a line that is only listened to was not heard to ask; `listened`: the line is such. `refused`: what the
    meter refuses at present, in words.
    """

    readings: tuple[tuple[int, Decoded], ...]
    watch: Watch
    settings: Known = field(default_factory=dict)
    changed: tuple[SettingChange, ...] = ()
    unheard: tuple[str, ...] = ()
    listened: bool = False
    refused: tuple[str, ...] = ()


def status(point: Point, seen: Seen, zone: ZoneInfo) -> str:
    """One line: is it counting, how much flows, how old is the last reading; if not, what to check. Then what is to be
    known about its settings.
    """
    unexpected = [unexpected_said(point.map, name, seen.settings[name]) for name in _unexpected(point, seen)]
    changed = [
        f"{one.quantity} changed from {one.before} to {one.after} on {clock_time(one.at_ms, zone)}"
        for one in seen.changed
    ]
    unheard = [_LISTENED] if seen.listened and seen.watch.fault == Fault.NO_ANSWER else []
    unheard += [not_asked_for(seen.unheard)] if seen.unheard else []
    counts = _counts(point, seen, zone)
    refused = [said for said in seen.refused if said not in counts]
    return "; ".join([counts, *refused, *unexpected, *changed, *unheard])


def not_asked_for(names: Iterable[str]) -> str:
    """Of a line that is only listened to."""
    return f"the other master was not heard to ask for {', '.join(names)}"


def _unexpected(point: Point, seen: Seen) -> list[str]:
    """Settings that read otherwise than the map is written for, as far as it still has them."""
    return [name for name, one in seen.settings.items() if one.as_expected is False and name in point.map.quantities]


def _counts(point: Point, seen: Seen, zone: ZoneInfo) -> str:
    if not seen.readings:
        return silent(point, seen.watch, zone) if seen.watch.missed else f"{place(point)}: no reading yet"
    age, newest = seen.readings[0]
    if seen.watch.missed and age > 2 * point.every_ms:
        return f"{silent(point, seen.watch, zone)}; last reading {duration(age)} ago"
    flow = newest.values.get("flow_rate")
    parts = [f"{point.name} {_counting(point, seen)}"]
    if newest.suspect:
        parts.append(f"says that its numbers are suspect ({', '.join(sorted(newest.suspect))})")
    if flow is not None and flow.fault is None:
        parts.append(flow.shown)
    parts.append(f"last reading {duration(age)} ago")
    return "; ".join(parts)


def is_well(point: Point, seen: Seen) -> bool:
    """Whether nothing needs a look: a fresh reading, a total that moves wherever something flows, nothing suspect, and
    settings for which the map is written.
    """
    if not seen.readings or seen.readings[0][0] > 2 * point.every_ms + GRACE_MS:
        return False
    if seen.readings[0][1].suspect or seen.refused or _unexpected(point, seen):
        return False
    return _counting(point, seen) in (COUNTING, AT_REST, ONE_READING)


def _counting(point: Point, seen: Seen) -> str:
    newest = seen.readings[0][1]
    if newest.not_counting:
        return f"says that it is not counting ({', '.join(sorted(newest.not_counting))})"
    counts = [decoded.books.total.count for _, decoded in seen.readings if decoded.books and decoded.books.total]
    if len(counts) < 2:
        return ONE_READING
    if any(count != counts[0] for count in counts[1:]):
        return COUNTING
    flow = newest.values.get("flow_rate")
    above = point.running_above.si if point.running_above else Fraction(0)
    if flow is not None and flow.si is not None and flow.si > above:
        return f"shows flow, but its total has stood still for {duration(seen.readings[-1][0] - seen.readings[0][0])}"
    return AT_REST

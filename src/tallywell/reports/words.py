"""The report's sentences: causes of gaps, marks of a day, visits. One place for all layouts."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import Kind
from tallywell.ledger.suspect import FROZEN
from tallywell.readings.quantities import STARTED, STOPPED, UNCLEAN_END, Away, Cause
from tallywell.reports.dates import MINUTE_MS, beside, duration, exactly, with_offset
from tallywell.reports.model import Beside, GapLine, How, PermitLine, PointReport, Report, Seen, Slice, VisitLine
from tallywell.reports.volume import Volume

FAULTS = {
    "no_answer": "the meter did not answer",
    "bad_crc": "its answers were damaged on the line",
    "wrong_length": "its answers were cut short or too long",
    "stray_bytes": "other bytes stood among its answers",
    "wrong_address": "another address answered",
    "wrong_function": "an answer to another request came",
    "wrong_byte_count": "an answer of another length came",
    "exception": "the meter refused the request",
    "port_lost": "there was no way to the line",
    "stopped": "the program was stopped during a poll",
    "no_value": "the meter said that it had no value",
    "out_of_range": "the value was outside the range that the map allows",
    "torn": "the total changed between the two requests that it takes",
    "plan_mismatch": "the stored words did not fit the map",
    FROZEN: "the meter was frozen: it sent the same words to the last bit, a flow rate among them",
}
AWAY = {
    "gone": "the line's adapter was away",
    "held": "another program held the line's port",
    "denied": "the program was not allowed to open the line's port",
    "unusable": "the line's port could not be used",
    "unreachable": "the line's host could not be reached",
}
HAPPENED = {
    UNCLEAN_END: "the program was not running; it ended without a stop, as in a power cut",
    STOPPED: "the program was stopped",
    STARTED: "the program was started",
    "clock_stepped": "the clock was set",
    "record_refused": "the record could not be written, as where a disk is full",
    "no_reading": "no good reading on record",
    "before_first": "before the first good reading on record",
    "after_last": "after the last good reading on record",
    "record_ends": "the record ends in it, so part of it may be still to come",
}
_BOUNDED = frozenset({How.READ, How.BETWEEN})
NO_READINGS, WITHHELD = "no readings", "withheld"
CLOSING = (
    "This report is made from the record of the meter alone. Your own permit and your agency decide what must be "
    "reported, in which form, and how what is not plainly metered is to be treated."
)


def gap_cause(gap: GapLine, zone: ZoneInfo) -> str:
    """Why there were no readings, as far as the record knows; "cause unknown" where it does not."""
    return cause(gap.missed, gap.cause, zone)


def cause(missed: Iterable[tuple[str, int]], happened: Iterable[Cause], zone: ZoneInfo) -> str:
    """ "the meter did not answer (12 polls); the program was stopped"."""
    causes = list(dict.fromkeys(happened))
    if UNCLEAN_END in causes or STOPPED in causes:
        causes = [each for each in causes if each != STARTED]  # that it was started again is plain
    said = [away(each, zone) if isinstance(each, Away) else _happened(each) for each in causes]
    said += [f"{FAULTS.get(fault, fault)} ({polls(times)})" for fault, times in missed]
    return "; ".join(said) or "cause unknown"


def _happened(name: str) -> str:
    return HAPPENED.get(name, name.replace("_", " "))


def away(of: Away, zone: ZoneInfo) -> str:
    """ "the line's adapter was away from 2026-07-14 09:00:00 -06:00 to 2026-07-14 09:12:30 -06:00"."""
    what = AWAY.get(of.name, AWAY["gone"])
    begin, end = (None if at is None else with_offset(at, zone) for at in (of.begin_ms, of.end_ms))
    if begin is None or (end is None and not of.lasts):
        when = f", for {duration(of.total_ms)} in all, at times that are not known"
    elif of.lasts:
        when = f" from {begin} on" if of.times == 1 else f" {of.times} times from {begin} on"
    elif of.times == 1:
        when = f" from {begin} to {end}"
    else:
        when = f" {of.times} times between {begin} and {end}, for {duration(of.total_ms)} in all"
    return what + when


def mark(day: Slice) -> str:
    """What is to be said of a day or month beside its volume; empty when it is plainly metered from end to end."""
    if not day.reached_ms:
        return "its meter is not known to be this well's" if day.withheld else ""
    marks = []
    if day.estimated:
        marks.append("wholly in a gap" if not day.covered_ms else "divided inside a gap")
    if day.reached_ms < day.expected_ms:
        marks.append(f"{hours(day.reached_ms)} of {hours(day.expected_ms)} h known")
    quiet = {Kind.METERED, Kind.ACROSS_GAP} if day.estimated else {Kind.METERED}
    marks += ["withheld in part"] if day.withheld else []
    marks += [_MARKS.get(kind, kind.value) for kind in sorted(day.kinds - quiet)]
    if day.rollovers:
        marks.append("rollover")
    return "; ".join(marks)


def span(point: PointReport, zone: ZoneInfo) -> str:
    """Of a point whose part runs from reading to reading."""
    begin, end = exactly(point.days[0].begin_ms, zone), exactly(point.days[-1].end_ms, zone)
    return f"{begin} to {end}, from reading to reading"


def left_open(point: PointReport) -> str:
    """What bounds a count at an edge, where something is left open there; else empty."""
    edges = [one for one in (point.begin, point.end) if one is not None and one.low < one.high and one.how in _BOUNDED]
    if point.readout_ms is None or not edges:
        return ""
    seen = [one for edge in edges for one in (edge.seen, edge.before, edge.after) if one is not None]
    clock = duration(max(one.within_ms for one in seen) + 999)
    return (
        f"At least and at most: a register may hold what it measured up to {duration(point.readout_ms)} before it was "
        f"read, the clock may be off by {clock}, and in that time the pipe may pass its possible rate."
    )


def known(report: Report) -> str:
    """How much of the period lies between readings that meter, and which points are incomplete."""
    short: dict[str, list[str]] = {}
    for point in report.points:
        reached, expected = (sum(getattr(day, what) for day in point.days) for what in ("reached_ms", "expected_ms"))
        if reached < expected:
            short.setdefault(f"{hours(reached)} of {hours(expected)} h", []).append(point.place.point)
    if not short:
        return "all of it lies between readings"
    said = "; ".join(f"{part} known at {', '.join(names)}" for part, names in short.items())
    others = "" if sum(map(len, short.values())) == len(report.points) else "; all of it at the others"
    return f"INCOMPLETE: {said}{others}"


def in_time(seen: Seen) -> str:
    """How far off the time of a reading may be; empty where that is under a minute."""
    return f"its time within {duration(seen.within_ms)}" if seen.within_ms >= MINUTE_MS else ""


def unread(volume: Volume) -> str:
    """What a volume does not hold; empty where readings reach over all of its time."""
    if not volume.unread_ms:
        return ""
    return f"not in it: {duration(volume.unread_ms)} before the first or after the last reading"


def part_of(slices: Sequence[Slice], total: Volume) -> str:
    """The mark of a sum that does not reach over all of its time."""
    expected_ms = sum(each.expected_ms for each in slices)
    return f"{hours(expected_ms - total.unread_ms)} of {hours(expected_ms)} h known" if total.unread_ms else ""


def permit(of: PermitLine) -> str:
    """What a permit's volume does not hold; empty where all of its points are known all of the time."""
    said = [f"the volume of {', '.join(of.unknown)} is unknown and not in it"] if of.unknown and of.volume else []
    said += [f"at {s.point}, {unread(s.volume)}" for s in of.shares if s.volume is not None and s.volume.unread_ms]
    return "; ".join(said)


def hours(ms: int) -> str:
    """Hours without needless decimals: "23", "24", "9.5"; rounded down, so that a part never looks whole."""
    tenths = ms // 360_000
    return str(tenths // 10) if tenths % 10 == 0 else f"{tenths // 10}.{tenths % 10}"


def hand_reading(visit: VisitLine, zone: ZoneInfo) -> str:
    """All of one: the face, the register, by whom."""
    face = f"face {visit.face}" + ("" if _same_digits(visit) else f" (entered as {visit.entered})")
    agency = ", the agency's own person" if visit.agency else ""
    said = [f"{visit.when}: {face}" if visit.when else face, visit_words(visit, zone)]
    return "; ".join(filter(None, [", ".join(said), f"by {visit.author}{agency}", visit.note]))


def _same_digits(visit: VisitLine) -> bool:
    """Zeros in front make no difference to anybody."""
    return visit.entered.lstrip("0") == visit.face.lstrip("0")


def visit_words(visit: VisitLine, zone: ZoneInfo) -> str:
    """How a hand reading compares with the register, whose number comes first."""
    if visit.fault:
        return visit.fault
    beside = visit.beside
    if beside is None:
        return "no reading of the register around it to compare with"
    side = "above" if beside.more > 0 else "below"
    differs = f"{abs(beside.more):,} {side} it" if beside.more else "the same"
    by_time = ", divided by time" if beside.divided else ""
    return f"register {beside.register.face}{by_time}: {differs}; {_agreement(beside, visit.utc_ms, zone)}"


def _agreement(of: Beside, utc_ms: int, zone: ZoneInfo) -> str:
    """What it is measured by is said with it."""
    before, after = (f"{seen.face} at {beside(seen.utc_ms, utc_ms, zone)}" for seen in (of.before, of.after))
    if of.agrees is None:
        return f"it is not settled how often the total went round between the readings {before} and {after}"
    if of.agrees:
        how = "agrees: between" if of.between else "agrees within one step of"
        return f"{how} the readings {before} and {after}"
    return f"DIFFERS: neither between the readings {before} and {after} nor within one step of them"


def polls(times: int) -> str:
    return "1 poll" if times == 1 else f"{times:,} polls"


_MARKS = {
    Kind.ACROSS_GAP: "gap",
    Kind.QUESTION: "question open",
    Kind.FROM_FIRST_COUNT: "from first count",
    Kind.UNDECIDED: "reading not decided",
    Kind.GLITCH: "reading set aside",
    Kind.TORN: "torn reading set aside",
    Kind.FROZEN: "meter frozen",
    Kind.TO_FINAL_COUNT: "to final count",
    Kind.LOWER_BOUND: "lower bound",
    Kind.NOT_COUNTING: "not counting",
    Kind.SUSPECT: "suspect",
    Kind.SHUT_DOWN: "shut down",
    Kind.FLOW_UNCOUNTED: "flow not counted",
}

"""The report's sentences: causes of gaps, what is not plainly metered, marks of a day. One place for all layouts."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import Flag, Kind
from tallywell.ledger.suspect import FROZEN
from tallywell.readings.quantities import STARTED, STOPPED, UNCLEAN_END, Away, Cause
from tallywell.reports.dates import MINUTE_MS, duration, with_offset
from tallywell.reports.model import GapLine, PermitLine, Remark, Seen, Slice, VisitLine, Volume
from tallywell.reports.shown_units import VolumeUnit

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
    "no_reading": "no good reading on record",
    "before_first": "before the first good reading on record",
    "after_last": "after the last good reading on record",
    "record_ends": "the record ends in it, so part of it may be still to come",
}
_FLAGS = {
    Flag.TIME_UNCERTAIN: "its time is uncertain",
    Flag.UNDATED_INSIDE: "readings inside it have no date",
    Flag.GLITCH_INSIDE: "a reading inside it was set aside",
    Flag.UNCONFIRMED: "no entry confirms this meter",
    Flag.FIRST_COUNT_UNKNOWN: "the first count of the installation was not noted, so what ran before is unknown",
    Flag.SCALE_CHANGED: "the volume of one count changed here",
    Flag.FROZEN: "the meter was frozen in it",
    Flag.WITHIN_STEP: "the total was lower by less than its own step",
    Flag.SEVERAL_ROUNDS: "the totalizer may have gone round more often",
    Flag.RESET_FITS: "a reset would fit as well as a rollover",
}
NO_READINGS = "no readings"
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
    said += [f"{FAULTS.get(fault, fault)} ({_polls(times)})" for fault, times in missed]
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


def remark(of: Remark, unit: VolumeUnit) -> str:
    """One sentence: what was seen, what the books make of it, what to do."""
    said = _KIND_SENTENCES[of.kind](of, unit)
    flags = [_FLAGS[flag] for flag in sorted(of.flags) if flag in _FLAGS and flag.value != of.kind.value]
    return said + "".join(f"; {flag}" for flag in flags) + "."


def bounded(of: Remark, unit: VolumeUnit) -> str:
    """ "0 and 5 US gal", to stand behind "between"."""
    return f"{unit.number(of.volume.low_m3)} and {unit.text(of.volume.high_m3)}"


def mark(day: Slice) -> str:
    """What is to be said of a day or month beside its volume; empty when it is plainly metered from end to end."""
    if not day.reached_ms:
        return ""
    marks = []
    if day.estimated:
        marks.append("wholly in a gap" if not day.covered_ms else "divided inside a gap")
    if day.reached_ms < day.expected_ms:
        marks.append(f"{hours(day.reached_ms)} of {hours(day.expected_ms)} h known")
    quiet = {Kind.METERED, Kind.ACROSS_GAP} if day.estimated else {Kind.METERED}
    marks += [_MARKS.get(kind, kind.value) for kind in sorted(day.kinds - quiet)]
    if day.rollovers:
        marks.append("rollover")
    return "; ".join(marks)


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


def visit_words(visit: VisitLine) -> str:
    """How a hand reading compares with the register."""
    if visit.fault:
        return visit.fault
    if visit.more is None:
        return "no reading of the register around it to compare with"
    if visit.more == 0:
        return "agrees with the register"
    side = "above" if visit.more > 0 else "below"
    return f"{abs(visit.more):,} counts {side} the register"


def _polls(times: int) -> str:
    return "1 poll" if times == 1 else f"{times:,} polls"


def _span(of: Remark) -> str:
    return f"from {of.first.count:,} to {of.last.count:,} counts"


def _metered(of: Remark, unit: VolumeUnit) -> str:
    return f"metered, {unit.text(of.volume.m3)}, between {bounded(of, unit)}"


def _across_gap(of: Remark, unit: VolumeUnit) -> str:
    return f"{unit.text(of.volume.m3)} metered across a gap, between {bounded(of, unit)}"


def _first_count(of: Remark, unit: VolumeUnit) -> str:
    return f"{unit.text(of.volume.m3)} counted from the first count of the installation to the first reading"


def _question(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"the total went {_span(of)} and more than one explanation fits; the least of them, {unit.text(of.volume.m3)}, "
        f"is counted, and between {bounded(of, unit)} may have flowed; state what happened"
    )


def _decrease(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"the total fell {_span(of)}, which is no rollover; nothing is counted for it, and between "
        f"{bounded(of, unit)} may have flowed; if the meter was changed or reset, enter the installation"
    )


def _reset(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"the total fell {_span(of)}, near zero, and goes on from there: it was reset, or another meter is there; "
        f"nothing is counted for it, and between {bounded(of, unit)} may have flowed; enter what happened"
    )


def _impossible(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"the total went {_span(of)}, more than the pipe can pass in that time; nothing is counted for it, and between "
        f"{bounded(of, unit)} may have flowed; if the meter was changed, enter the installation"
    )


def _glitch(of: Remark, _unit: VolumeUnit) -> str:
    return f"a reading of {of.first.count:,} counts fits neither the one before nor those after; it is set aside"


def _torn(of: Remark, _unit: VolumeUnit) -> str:
    return (
        f"a reading of {of.first.count:,} counts is torn: the meter gave words of two instants, so that it is wrong by "
        "what the lower ones count; it is set aside"
    )


def _frozen(of: Remark, _unit: VolumeUnit) -> str:
    return (
        f"from this reading on, at {of.first.count:,} counts, the meter sends the same words to the last bit, a flow "
        "rate among them: it is frozen, and what flowed since is not known; look at its face"
    )


def _undecided(of: Remark, _unit: VolumeUnit) -> str:
    return f"a reading of {of.first.count:,} counts does not follow from those before; later readings will decide"


def _scale(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"the volume of one count changed between {of.first.count:,} and {of.last.count:,} counts; nothing is counted "
        f"across it, and between {bounded(of, unit)} may have flowed"
    )


def _change_out(of: Remark, unit: VolumeUnit) -> str:
    return (
        f"meter changed: the old one was last read at {of.first.count:,} counts; what it counted after that reading is "
        f"not known and not counted, and between {bounded(of, unit)} may have flowed"
    )


_KIND_SENTENCES = {
    Kind.METERED: _metered,
    Kind.ACROSS_GAP: _across_gap,
    Kind.FROM_FIRST_COUNT: _first_count,
    Kind.QUESTION: _question,
    Kind.UNEXPLAINED_DECREASE: _decrease,
    Kind.RESET: _reset,
    Kind.IMPOSSIBLE_STEP: _impossible,
    Kind.GLITCH: _glitch,
    Kind.TORN: _torn,
    Kind.FROZEN: _frozen,
    Kind.UNDECIDED: _undecided,
    Kind.SCALE_CHANGED: _scale,
    Kind.CHANGE_OUT: _change_out,
}
_MARKS = {
    Kind.ACROSS_GAP: "gap",
    Kind.QUESTION: "question open",
    Kind.FROM_FIRST_COUNT: "from first count",
    Kind.UNDECIDED: "reading not decided",
    Kind.GLITCH: "reading set aside",
    Kind.TORN: "torn reading set aside",
    Kind.FROZEN: "meter frozen",
}

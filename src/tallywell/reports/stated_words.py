"""Sentences of what people stated: estimates, meters, seasons, tests, seals; and of what is not the well's. For all
layouts.
"""

from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, SURE, Kind
from tallywell.ledger.suspect import FROZEN
from tallywell.readings.quantities import Answer, Change
from tallywell.readings.statements import AccuracyTest, ReadAgain, Standing, WireSeal, Withdrawn
from tallywell.reports import words
from tallywell.reports.dates import duration, local_day, to_the_minute, with_offset
from tallywell.reports.decimals import decimal, plain
from tallywell.reports.model import MeterLine, Outage, PointReport, SegmentLine, UnallocatedLine, WellLine
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.stated_lines import EstimateLine, Idle
from tallywell.reports.volume import Total

UUID_DIGITS = 8
NO_BOUNDS = "no bounds, since an estimate has none"
WITHHELD_DO = "enter the change-out or the installation, and its counts are the well's"


def total(of: Total, unit: VolumeUnit) -> str:
    """How the total comes about, ending in it."""
    if of.metered_m3 is None:
        return f"{unit.text(of.m3)} by estimate alone: nothing was metered; {NO_BOUNDS}"
    parts = [unit.number(of.metered_m3)]
    parts += [f"+ {unit.number(of.added_m3)}"] if of.added_m3 else []
    parts += [f"- {unit.number(of.replaced_m3)}"] if of.replaced_m3 else []
    parts += [f"+ {unit.number(of.instead_m3)}"] if of.instead_m3 else []
    return f"{' '.join(parts)} = {unit.text(of.m3)}; {NO_BOUNDS}"


def estimated(of: Total, unit: VolumeUnit) -> str:
    """ "1,000 US gal in addition to what was metered; 200 US gal instead of 150 metered"."""
    said = [f"{unit.text(of.added_m3)} in addition to what was metered"] if of.added_m3 else []
    if of.instead_m3 or of.replaced_m3:
        said.append(f"{unit.text(of.instead_m3)} instead of {unit.text(of.replaced_m3)} metered")
    return "; ".join(said) or f"{unit.text(Fraction(0))}"


def estimate(of: EstimateLine, unit: VolumeUnit) -> str:
    """The volume and what it is to the metered one."""
    if of.estimate.standing is Standing.IN_ADDITION:
        beside = "in addition to what was metered"
    elif of.metered is None:
        beside = "instead of what was metered, which is nothing"
    else:
        beside = f"instead of {unit.text(of.metered.m3)} metered"
    divided = ""
    if of.divided:
        whole = duration(of.estimate.end_ms - of.estimate.begin_ms)
        divided = (
            f"; DIVIDED by time: {duration(of.end_ms - of.begin_ms)} of {whole}, {unit.text(of.estimate.m3)} in all"
        )
    return f"{unit.text(of.m3)} {beside}{divided}"


def estimate_source(of: EstimateLine) -> str:
    """How it was reckoned, why, and whose entry it is."""
    one = of.estimate
    return f"{one.sum}; {one.reason}; by {one.author}, entry {one.uuid[:UUID_DIGITS]}"


def whose(of: Answer, zone: ZoneInfo) -> str:
    """ "ana, entered 2026-04-02 (entry 1b7f3262); seen on the display"."""
    note = f"; {of.note}" if of.note else ""
    return f"{of.author}, entered {local_day(of.entered_ms, zone)} (entry {of.uuid[:UUID_DIGITS]}){note}"


def meter(of: MeterLine, zone: ZoneInfo) -> str:
    """One meter, from when to when, and what was noted when it came."""
    if of.fault:
        return of.fault
    if of.refused:
        return f"{_refused(of, zone)}; correct or withdraw it"
    until = "" if of.end_ms is None else f" to {with_offset(of.end_ms, zone)}"
    if of.change is Change.REMOVED:
        said = [f"none from {with_offset(of.begin_ms, zone)}{until}: serial {of.serial} was moved to {of.other}"]
    else:
        first = "not noted" if of.first_count is None else of.first_count
        converter = f", converter {of.converter}" if of.converter else ""
        span = f"from {with_offset(of.begin_ms, zone)}{until}"
        said = [f"serial {of.serial}{converter}, {span}, first count on the face {first}"]
    return "; ".join(filter(None, [*said, *_at_change(of), of.note]))


def _refused(of: MeterLine, zone: ZoneInfo) -> str:
    what = f"{'moved' if of.change in _MOVES else of.change.value} by {of.author} (entry {of.uuid[:UUID_DIGITS]})"
    when = to_the_minute(of.begin_ms, zone)
    return f"serial {of.serial}: the entry of {when}, {what}, fits no reading: the readings run on as before"


def _at_change(of: MeterLine) -> list[str]:
    said = [f"moved here from {of.other}"] if of.change is Change.MOVED_HERE and of.other else []
    said += [f"old meter's final count {of.old_final}"] if of.old_final is not None else []
    said += ["sensor kept"] if of.sensor_kept else []
    said += [f"wire seal {of.seal_removed} taken off"] if of.seal_removed else []
    return said + ([f"wire seal {of.seal} put on"] if of.seal else [])


def accuracy_test(of: AccuracyTest, zone: ZoneInfo) -> str:
    """The result to 0.1 %, as agencies ask."""
    sign = "-" if of.error < 0 else "+"
    result = f"{sign}{decimal(abs(of.error) * 100, 1)} %"
    note = f"; {of.note}" if of.note else ""
    return f"{local_day(of.about_ms, zone)}: the meter shows {result} against {of.reference}, by {of.tester}{note}"


def seal(of: WireSeal) -> str:
    return f"wire seal {of.number} {of.state}; by {of.author}" + (f"; {of.note}" if of.note else "")


def idle_span(of: Idle, zone: ZoneInfo) -> str:
    until = "on" if of.end_ms is None else f"to {to_the_minute(of.end_ms, zone)}"
    what = "out of use" if of.reason else "shut down"
    return f"{what} from {to_the_minute(of.begin_ms, zone)} {until}"


def idle(of: Idle, unit: VolumeUnit) -> str:
    """Whether anything was metered; a zero needs a total that was read and did not move."""
    because = [f"{of.reason}; by {of.author}"] if of.reason else []
    if of.over is not None:
        more = f"{unit.text(of.metered.m3)} metered in this period, and " if of.metered and of.metered.m3 else ""
        metered = f"yet the total moved: {more}{unit.text(of.over.m3)} over the period's edge, on neither side of it"
    elif of.metered is None:
        metered = "no readings on both sides of it, so what was metered is unknown, not zero"
    elif not of.metered.m3:
        metered = f"the total did not move: {unit.text(of.metered.m3)}"
    else:
        metered = f"yet the total moved: {unit.text(of.metered.m3)} metered"
    return "; ".join([*because, metered])


def explicit_zero(point: PointReport, zone: ZoneInfo) -> str:
    """Said of a volume of nothing that was read from end to end; empty for any other."""
    if not _did_not_move(point):
        return ""
    whole = point.days[0].begin_ms, point.days[-1].end_ms
    reasons = [
        idle_span(one, zone) + (f": {one.reason}" if one.reason else "")
        for one in point.stated.idle
        if one.begin_ms <= whole[0] and (one.end_ms is None or one.end_ms >= whole[1])
    ]
    return "; ".join(["the total was read and did not move", *reasons])


def _did_not_move(point: PointReport) -> bool:
    volume = point.volume
    if volume is None or volume.m3 or volume.unread_ms or point.unallocated or len(point.segments) != 1:
        return False
    (segment,) = point.segments
    stood = segment.begin.count == segment.end.count and not segment.withheld
    return stood and all(day.kinds <= _STANDING for day in point.days)


def well(of: WellLine, unit: VolumeUnit) -> str:
    """What is beside a well's metered volume."""
    said = [] if of.total_m3 is None else [f"with the estimates {unit.text(of.total_m3)}"]
    said += [words.unread(of.volume)] if of.volume is not None and of.volume.unread_ms else []
    said += [f"the volume of {', '.join(of.unknown)} is unknown and not in it"] if of.unknown and of.volume else []
    shares = ", ".join(one.point if one.share == 1 else f"{plain(one.share)} of {one.point}" for one in of.shares)
    return "; ".join([*said, f"from {shares}"])


def unallocated(of: UnallocatedLine, unit: VolumeUnit, zone: ZoneInfo) -> str:
    """How much, between which readings, why, and to what it does not belong."""
    where = "none of its days" if of.inside else "neither side of this period's edge"
    span = f"between {with_offset(of.begin_ms, zone)} and {with_offset(of.end_ms, zone)}"
    return f"{unit.text(of.volume.m3)} {span}, its time not known ({why_unallocated(of)}): allocated to {where}"


def read_again(of: ReadAgain, zone: ZoneInfo) -> str:
    until = with_offset(of.end_ms, zone)
    return f"to {until}, by map {of.map} ({of.sha256[:12]}): {of.reason}; by {of.author}; entry {of.uuid[:8]}"


def withdrawn(of: Withdrawn) -> str:
    return f"{of.kind} {of.of[:UUID_DIGITS]} is withdrawn: {of.reason}; by {of.author}, entry {of.uuid[:UUID_DIGITS]}"


def why_unallocated(of: UnallocatedLine) -> str:
    return "shut down for a season" if of.season else "readings between have no date"


def withheld(of: SegmentLine, unit: VolumeUnit, zone: ZoneInfo) -> str:
    serial = of.serial or "that is not known"
    span = f"{with_offset(of.begin.utc_ms, zone)} to {with_offset(of.end.utc_ms, zone)}"
    counts = f"{of.counts:,} counts = {unit.text(of.counts * of.one_count_m3)}"
    return f"{span}: the meter gives serial {serial}, no entry explains it; {counts} are not posted; {WITHHELD_DO}"


def not_in_volume(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    """What a point's volume does not hold although it was counted."""
    aside = [one for one in point.segments if one.withheld]
    m3 = sum((one.counts * one.one_count_m3 for one in aside), Fraction(0))
    said = [f"not in it: {unit.text(m3)} of a meter whose serial number no entry explains"] if aside else []
    over = [one for one in point.unallocated if not one.inside]
    return said + [f"not in it: {unallocated(one, unit, zone)}" for one in over]


def outage_days(of: Outage, zone: ZoneInfo) -> str:
    """ "2026-07-10 to 2026-07-12"; the last day is that of the last instant."""
    first, last = local_day(of.begin_ms, zone), local_day(max(of.begin_ms, of.end_ms - 1), zone)
    return f"{first}" if first == last else f"{first} to {last}"


def outage(of: Outage, zone: ZoneInfo) -> str:
    """Why, and the readings before and after."""
    why = ", ".join(_OUTAGE.get(each, words.FAULTS.get(each, each)) for each in sorted(of.why))
    said = [why]
    for side, seen in (("last reading before", of.before), ("first after", of.after)):
        known = "none near" if seen is None else f"{with_offset(seen.utc_ms, zone)}, face {seen.face}"
        said.append(f"{side}: {known}")
    return "; ".join(said)


_MOVES = frozenset({Change.MOVED_HERE, Change.REMOVED})
_STANDING = SURE | NOTES | {Kind.SHUT_DOWN}
_OUTAGE = {
    FROZEN: "it was frozen",
    Kind.LOWER_BOUND.value: "it may have been without power",
    Kind.NOT_COUNTING.value: "it did not count, by its own word",
    Kind.SUSPECT.value: "its numbers were not to be trusted, by its own word",
    Kind.FLOW_UNCOUNTED.value: "water flowed and the total stood",
}

"""One point of the report on a screen: its summary, and the sections in which a person follows a number back."""

from collections.abc import Iterable
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.detective import Verdict
from tallywell.ledger.rates import AFTER_START_MS
from tallywell.reports import stated_words, words
from tallywell.reports.dates import duration, exactly, local_day, to_the_minute, with_offset
from tallywell.reports.decimals import decimal, per_cent
from tallywell.reports.model import EdgeCount, How, PointReport, Seen, SegmentLine
from tallywell.reports.report_units import measure
from tallywell.reports.shown_units import RateUnit, VolumeUnit, rate_unit
from tallywell.reports.table import WIDTH, Column, pairs, table, wrapped
from tallywell.reports.text_stated import stated_sections
from tallywell.reports.text_tables import (
    gap_lines,
    outage_lines,
    remark_lines,
    rollover_lines,
    section,
    slice_lines,
    visit_lines,
    within_width,
)
from tallywell.reports.volume import Volume

MOST_DAYS = 62  # a longer period is shown by month; its days are in the CSV layout

_HOW = {
    How.READ: "read",
    How.BETWEEN: "between two readings",
    How.ESTIMATED: "ESTIMATED inside a gap",
    How.FIRST: "first reading in the period",
    How.LAST: "last reading in the period",
    How.ENTERED: "as entered",
    How.UNALLOCATED: "UNALLOCATED: see volume",
}


def point_lines(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    by_month = point.seasonal or len(point.days) > MOST_DAYS
    shown = point.months if by_month else point.days
    metered = "metered " if point.total else ""
    longer = "season" if point.seasonal else "month"
    by_day = f"{metered.capitalize()}{'by' if metered else 'By'} {longer if by_month else 'day'}, {unit.words}"
    lines = [*_title(point), *_summary(point, unit, zone)]
    lines += section("Readings", _readings(point, zone))
    lines += section("How the volume follows", _arithmetic(point, unit, zone))
    lines += stated_sections(point, unit, zone)
    lines += section(by_day, slice_lines(point, shown, unit))
    lines += section("Gaps", gap_lines(point, unit, zone))
    lines += section("Rollovers", rollover_lines(point, zone))
    lines += section("Not plainly metered", remark_lines(point, unit, zone))
    lines += section("The meter did not work, or may not have", outage_lines(point, zone))
    return lines + section("Hand readings", visit_lines(point, zone))


def _title(point: PointReport) -> list[str]:
    place = point.place
    name = place.point if place.called in ("", place.point) else f"{place.point} ({place.called})"
    well = place.well + (f", agency id {place.agency_id}" if place.agency_id else ", agency id not stated")
    lines = wrapped(f"{name} on {well}", WIDTH)
    return [*lines, "=" * min(WIDTH, max(map(len, lines)))]


def _summary(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    rate = rate_unit(unit.name, point.rate_unit)
    rows = [("period", words.span(point, zone))] if point.between else []
    rows += _volume_rows(point, unit, zone)
    rows += [("permits", ", ".join(point.place.permits) or "none in the site file")]
    rows += _meters(point, zone)
    rows += [("accuracy test", stated_words.accuracy_test(test, zone)) for test in point.stated.tests]
    rows += [("register", _register_words(point)), ("face", _face_words(point))]
    rows += [
        ("maximum rate", _maximum_words(point, rate, zone)),
        ("instantaneous peak", _peak_words(point, rate, zone)),
        ("hours pumped", _hours_words(point)),
        *_reverse_rows(point, unit),
        *_against_flow(point),
        ("time covered", per_cent(Fraction(point.covered_ms, point.expected_ms))),
        ("volume of a known day", _known_day(point)),
    ]
    return pairs(rows, WIDTH)


def _maximum_words(point: PointReport, rate: RateUnit, zone: ZoneInfo) -> str:
    most = point.maximum
    if most is None:
        return "unknown: no whole window without a gap"
    window = f"the mean of {duration(most.window_ms)} from {to_the_minute(most.begin_ms, zone)}"
    return f"{rate.number(most.m3s)} +/- {rate.text(most.within_m3s)}, {window}"


def _peak_words(point: PointReport, rate: RateUnit, zone: ZoneInfo) -> str:
    peak, steady = point.peak, point.steady_peak
    if peak is None:
        return "unknown: no reading of the flow rate"
    said = f"{rate.text(peak.m3s)} at {with_offset(peak.begin_ms, zone)}"
    if not peak.after_start or (steady is not None and steady.m3s == peak.m3s):
        return said
    said += f", within {duration(AFTER_START_MS)} after a start"
    return said if steady is None else f"{said}; {rate.text(steady.m3s)} outside those minutes"


def _reverse_rows(point: PointReport, unit: VolumeUnit) -> list[tuple[str, str]]:
    """Where the meter has a total of its own for it and water ran back."""
    back = point.reverse
    if back is None or not back.high_m3:
        return []
    bounds = f"(at least {unit.number(back.low_m3)}, at most {unit.number(back.high_m3)})"
    known = per_cent(Fraction(back.covered_ms, back.expected_ms))
    return [("water that ran back", f"{unit.text(back.m3)} {bounds}, known for {known} of the time; in no volume here")]


def _against_flow(point: PointReport) -> list[tuple[str, str]]:
    """Nothing where nothing can be told; the CSV layout says why."""
    found = point.flow_against_total
    if found is None or found.verdict is Verdict.UNKNOWN:
        return []
    return [("flow against total", found.sentence)]


def _volume_rows(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[tuple[str, str]]:
    """What was metered, what was estimated, and both together; without an estimate the first is all."""
    metered = _volume_words(point, unit, zone)
    if point.total is None:
        return [("volume", metered)]
    return [
        ("metered", metered),
        ("estimated", stated_words.estimated(point.total, unit)),
        ("total", stated_words.total(point.total, unit)),
    ]


def _volume_words(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> str:
    if point.volume is None:
        known = f"unknown, not zero: {point.no_readings or 'no readings'}"
        return "; ".join([known, *stated_words.not_in_volume(point, unit, zone)])
    said = [bounded(point.volume, unit), words.unread(point.volume), stated_words.explicit_zero(point, zone)]
    return "; ".join(filter(None, [*said, *stated_words.not_in_volume(point, unit, zone)]))


def bounded(volume: Volume, unit: VolumeUnit) -> str:
    return f"{unit.text(volume.m3)} (at least {unit.number(volume.low_m3)}, at most {unit.number(volume.high_m3)})"


def _meters(point: PointReport, zone: ZoneInfo) -> list[tuple[str, str]]:
    if not point.meters:
        return [("meter", "serial number and date of installation not entered")]
    return [("meter", stated_words.meter(meter, zone)) for meter in point.meters]


def _register_words(point: PointReport) -> str:
    register = point.register
    digits = f"{register.digits} digits" if register.digits else f"round at {register.capacity:,} counts"
    return f"{register.quantity} of map {register.map}: one count = {measure(register.one_count)}, {digits}"


def _face_words(point: PointReport) -> str:
    if not point.face_stated:
        return "not in the site file; shown here as the register counts"
    step = max([point.register.one_count.si, *(segment.one_count_m3 for segment in point.segments)])
    finer = (
        "; finer than the register, so the last digits shown are not known" if step > point.face.one_count.si else ""
    )
    return f"last digit = {measure(point.face.one_count)}, {point.face.digits} digits{finer}"


def _hours_words(point: PointReport) -> str:
    hours = point.hours
    if hours is None:
        return "unknown"
    cutoff = f" ({measure(point.running_above)})" if point.running_above and "cutoff" in hours.source.value else ""
    known = per_cent(Fraction(hours.covered_ms, hours.expected_ms)) if hours.expected_ms else "none"
    return (
        f"{_hours(hours.pumped_ms)} h, give or take {_hours(hours.error_ms)} h, by {hours.source.value}{cutoff}; "
        f"known for {known} of the time"
    )


def _hours(ms: int) -> str:
    return decimal(Fraction(ms, 3_600_000), 2)


def _known_day(point: PointReport) -> str:
    if point.volume is None:
        return "unknown"
    if not point.volume.m3:
        return "no volume to divide"
    return per_cent(point.known_day_m3 / point.volume.m3)


def _readings(point: PointReport, zone: ZoneInfo) -> list[str]:
    rows: list[list[str]] = []
    for label, edge in (("begin", point.begin), ("end", point.end)):
        rows += [[label, "unknown", "", "", ""]] if edge is None else _edge_rows(label, edge, zone)
    columns = [
        Column(""),
        Column("date and time"),
        Column("face", right=True),
        Column("count", right=True),
        Column("known by"),
    ]
    lines = table(columns, within_width(rows, 4, ("", "", "face", "count", "")), indent=4)
    return [*lines, *(f"    {line}" for line in wrapped(words.left_open(point), WIDTH - 4))]


def _edge_rows(label: str, edge: EdgeCount, zone: ZoneInfo) -> Iterable[list[str]]:
    known_by = "; ".join(filter(None, [_HOW[edge.how], words.in_time(edge.seen)]))
    yield [label, *_seen_cells(edge.seen, zone), known_by]
    if edge.low != edge.high:
        yield ["  at least", "", "", f"{edge.low:,}", ""]
        yield ["  at most", "", "", f"{edge.high:,}", ""]
    for side, seen in (("read before", edge.before), ("read after", edge.after)):
        if seen is not None:
            yield [f"  {side}", *_seen_cells(seen, zone), words.in_time(seen)]


def _seen_cells(seen: Seen, zone: ZoneInfo) -> list[str]:
    return [exactly(seen.utc_ms, zone), seen.face, f"{seen.count:,}"]


def _arithmetic(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    own = [segment for segment in point.segments if not segment.withheld]
    lines: list[str] = []
    for segment in own:
        lines += [f"    {line}" for line in wrapped(_segment_words(point, segment, unit, zone), WIDTH - 4)]
    if len(own) > 1 and point.volume is not None:
        together = sum(segment.counts for segment in own)
        one = len({segment.one_count_m3 for segment in own}) == 1
        counts = f"{together:,} counts = " if one else ""
        lines.append(f"    together {counts}{unit.text(point.volume.m3)}")
    return lines


def _segment_words(point: PointReport, segment: SegmentLine, unit: VolumeUnit, zone: ZoneInfo) -> str:
    meter = f"meter {segment.serial}" if segment.serial else _nameless(point, segment)
    days = f"{local_day(segment.begin.utc_ms, zone)} to {local_day(segment.end.utc_ms, zone)}"
    rounds = f" + {segment.rollovers} x {segment.capacity:,}" if segment.rollovers else ""
    equation = f"{segment.end.count:,} - {segment.begin.count:,}{rounds}"
    volume = unit.text(segment.counts * segment.one_count_m3)
    unbalanced = "" if segment.balances else " (DOES NOT BALANCE: please report this as a fault of the program)"
    return f"{meter}, {days}: {equation} = {segment.counts:,} counts{unbalanced} = {volume}"


def _nameless(point: PointReport, segment: SegmentLine) -> str:
    if not segment.confirmed:
        return "meter not entered"
    answer = next((one for one in point.stated.answers if one.uuid == segment.id), None)
    by = f" (entered by {answer.author}, entry {answer.uuid[:8]})" if answer else ""
    return f"the meter after its reset{by}"

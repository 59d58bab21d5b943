"""The report on a screen: plain text, at most 100 columns, in the order in which a person follows a number back."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.readings.units import Measure
from tallywell.reports import words
from tallywell.reports.dates import duration, local_day, to_the_minute, with_offset
from tallywell.reports.decimals import decimal, per_cent, plain, rounded
from tallywell.reports.model import (
    EdgeCount,
    How,
    MeterLine,
    PermitLine,
    PointReport,
    Report,
    Seen,
    SegmentLine,
    Slice,
    Volume,
)
from tallywell.reports.shown_units import WORDS, RateUnit, VolumeUnit, factor, rate_unit, volume_unit
from tallywell.reports.table import Column, pairs, table, wrapped

WIDTH = 100
MOST_DAYS = 62  # a longer period is shown by month; its days are in the CSV layout

_HOW = {
    How.READ: "read",
    How.BETWEEN: "between two readings",
    How.ESTIMATED: "ESTIMATED inside a gap",
    How.FIRST: "first reading in the period",
    How.LAST: "last reading in the period",
    How.ENTERED: "as entered",
}


def text(report: Report, unit: str | None = None) -> str:
    """The whole report. `unit`: a name of readings.units.VOLUMES; None = the unit of each meter's face."""
    lines = _head(report)
    for point in report.points:
        lines += ["", *_point(point, unit_of(point, unit), report.zone)]
    lines += _permits(report, unit)
    lines += ["", *_foot(report, unit)]
    return "\n".join(lines) + "\n"


def unit_of(point: PointReport, unit: str | None) -> VolumeUnit:
    """The unit that a point is reported in: as asked, else the one its face (or, failing that, its map) counts in."""
    counts = [segment.one_count_m3 for segment in point.segments] or [point.register.one_count.si]
    return volume_unit(unit or point.face.one_count.unit, counts)


def measure(of: Measure) -> str:
    return f"{plain(of.number)} {WORDS.get(of.unit, of.unit)}"


def _head(report: Report) -> list[str]:
    state = (
        f"PROVISIONAL: {report.provisional}" if report.provisional else "not finalised; made from the record as it is"
    )
    zone = report.zone
    days = (report.period.end - report.period.first).days
    maps = ", ".join(f"{name} {sha256[:12]}" for name, sha256 in report.maps.items()) or "none used"
    as_of = "nothing dated yet" if report.as_of_ms is None else with_offset(report.as_of_ms, zone)
    return [
        report.site,
        f"Volumes of {report.period.name}",
        "",
        *pairs(
            [
                ("state", state),
                ("from", with_offset(report.begin_ms, zone)),
                ("to before", f"{with_offset(report.end_ms, zone)} ({days} {'day' if days == 1 else 'days'})"),
                ("time zone", zone.key),
                ("record as of", as_of),
                ("site file", report.site_file[:12]),
                ("register maps", maps),
                ("made by", f"tallywell {report.version}"),
            ],
            WIDTH,
        ),
    ]


def _point(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines = [*_title(point), *_summary(point, unit, zone)]
    lines += _section("Readings", _readings(point, zone))
    lines += _section("How the volume follows", _arithmetic(point, unit, zone))
    by_month = len(point.days) > MOST_DAYS
    shown = point.months if by_month else point.days
    lines += _section(f"By {'month' if by_month else 'day'}, {unit.words}", _slices(shown, point.volume, unit))
    lines += _section("Gaps", _gaps(point, unit, zone))
    lines += _section("Rollovers", _rollovers(point, zone))
    lines += _section("Not plainly metered", _remarks(point, unit, zone))
    return lines + _section("Hand readings", _visits(point, zone))


def _title(point: PointReport) -> list[str]:
    place = point.place
    name = place.point if place.called in ("", place.point) else f"{place.point} ({place.called})"
    well = place.well + (f", agency id {place.agency_id}" if place.agency_id else ", agency id not stated")
    lines = wrapped(f"{name} on {well}", WIDTH)
    return [*lines, "=" * min(WIDTH, max(map(len, lines)))]


def _section(heading: str, lines: Sequence[str]) -> list[str]:
    return ["", f"  {heading}", *lines] if lines else []


def _summary(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    rate = rate_unit(unit.name, point.rate_unit)
    rows = [("volume", _volume_words(point, unit))]
    rows += [("permits", ", ".join(point.place.permits) or "none in the site file")]
    rows += _meters(point.meters, zone)
    rows += [("register", _register_words(point)), ("face", _face_words(point))]
    rows += [
        ("maximum rate", _maximum_words(point, rate, zone)),
        ("instantaneous peak", _peak_words(point, rate, zone)),
        ("hours pumped", _hours_words(point)),
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
    if point.peak is None:
        return "unknown: no reading of the flow rate"
    return f"{rate.text(point.peak.m3s)} at {with_offset(point.peak.begin_ms, zone)}"


def _volume_words(point: PointReport, unit: VolumeUnit) -> str:
    if point.volume is None:
        return f"unknown, not zero: {point.no_readings or 'no readings'}"
    return "; ".join(filter(None, [_bounded(point.volume, unit), words.unread(point.volume)]))


def _bounded(volume: Volume, unit: VolumeUnit) -> str:
    return f"{unit.text(volume.m3)} (at least {unit.number(volume.low_m3)}, at most {unit.number(volume.high_m3)})"


def _meters(meters: Sequence[MeterLine], zone: ZoneInfo) -> list[tuple[str, str]]:
    if not meters:
        return [("meter", "serial number and date of installation not entered")]
    return [("meter", _meter_words(meter, zone)) for meter in meters]


def _meter_words(meter: MeterLine, zone: ZoneInfo) -> str:
    if meter.fault:
        return meter.fault
    until = "" if meter.end_ms is None else f" to {with_offset(meter.end_ms, zone)}"
    first = "not noted" if meter.first_count is None else meter.first_count
    return f"serial {meter.serial}, from {with_offset(meter.begin_ms, zone)}{until}, first count on the face {first}"


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
    return table(columns, rows, indent=4)


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
    return [with_offset(seen.utc_ms, zone), seen.face, f"{seen.count:,}"]


def _arithmetic(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for segment in point.segments:
        lines += [f"    {line}" for line in wrapped(_segment_words(segment, unit, zone), WIDTH - 4)]
    if len(point.segments) > 1 and point.volume is not None:
        together = sum(segment.counts for segment in point.segments)
        one = len({segment.one_count_m3 for segment in point.segments}) == 1
        counts = f"{together:,} counts = " if one else ""
        lines.append(f"    together {counts}{unit.text(point.volume.m3)}")
    return lines


def _segment_words(segment: SegmentLine, unit: VolumeUnit, zone: ZoneInfo) -> str:
    meter = f"meter {segment.serial}" if segment.serial else "meter not entered"
    days = f"{local_day(segment.begin.utc_ms, zone)} to {local_day(segment.end.utc_ms, zone)}"
    rounds = f" + {segment.rollovers} x {segment.capacity:,}" if segment.rollovers else ""
    equation = f"{segment.end.count:,} - {segment.begin.count:,}{rounds}"
    volume = unit.text(segment.counts * segment.one_count_m3)
    unbalanced = "" if segment.balances else " (DOES NOT BALANCE: please report this as a fault of the program)"
    return f"{meter}, {days}: {equation} = {segment.counts:,} counts{unbalanced} = {volume}"


def _slices(slices: Sequence[Slice], total: Volume | None, unit: VolumeUnit) -> list[str]:
    rows = [_slice_cells(each, unit) for each in slices]
    if total is not None:
        rows.append(
            [
                "sum",
                unit.number(total.m3),
                unit.number(total.low_m3),
                unit.number(total.high_m3),
                words.part_of(slices, total),
            ]
        )
    columns = [
        Column(""),
        Column("volume", right=True),
        Column("at least", right=True),
        Column("at most", right=True),
        Column(""),
    ]
    lines = table(columns, rows, indent=4)
    if total is not None and not rows_add_up(slices, total, unit):
        lines.append("    The sum is of unrounded values: the rounded rows add up to something else.")
    return lines


def rows_add_up(slices: Iterable[Slice], total: Volume, unit: VolumeUnit) -> bool:
    """Whether the printed rows add up to the printed total."""
    printed = sum((rounded(each.volume.m3 / unit.m3, unit.places) for each in slices if each.volume), Fraction(0))
    return printed == rounded(total.m3 / unit.m3, unit.places)


def _slice_cells(each: Slice, unit: VolumeUnit) -> list[str]:
    length = "" if each.expected_ms % 86_400_000 == 0 else f"{words.hours(each.expected_ms)} h long"
    remark = "; ".join(filter(None, [length, words.mark(each)]))
    if each.volume is None:
        return [each.label, words.NO_READINGS, "", "", remark]
    numbers = [unit.number(m3) for m3 in (each.volume.m3, each.volume.low_m3, each.volume.high_m3)]
    return [each.label, *numbers, remark]


def _gaps(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for gap in point.gaps:
        span = f"{with_offset(gap.begin_ms, zone)} to {with_offset(gap.end_ms, zone)}"
        across = "volume across it unknown" if gap.volume is None else f"{unit.text(gap.volume.m3)} across it"
        told = f"{span}, {duration(gap.end_ms - gap.begin_ms)}, {across}"
        lines += [f"    {line}" for line in wrapped(told, WIDTH - 4)]
        lines += [f"      {line}" for line in wrapped(words.gap_cause(gap, zone), WIDTH - 6)]
    return lines


def _rollovers(point: PointReport, zone: ZoneInfo) -> list[str]:
    return [
        f"    {with_offset(each.utc_ms, zone)}  {each.times} x, at {each.capacity:,} counts" for each in point.rollovers
    ]


def _remarks(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for remark in point.remarks:
        span = with_offset(remark.first.utc_ms, zone)
        if remark.last.utc_ms != remark.first.utc_ms:
            span += f" to {with_offset(remark.last.utc_ms, zone)}"
        lines.append(f"    {span}: {remark.kind.value}")
        lines += [f"      {line}" for line in wrapped(words.remark(remark, unit), WIDTH - 6)]
    return lines


def _visits(point: PointReport, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for visit in point.visits:
        register = "" if visit.register is None else f", the register stood at {visit.register.seen.face}"
        said = f"face {visit.shows}{register}: {words.visit_words(visit)}; by {visit.author}"
        said += f"; {visit.note}" if visit.note else ""
        first, *rest = wrapped(said, WIDTH - 32)
        lines.append(f"    {with_offset(visit.utc_ms, zone)}  {first}")
        lines += [f"{'':32}{line}" for line in rest]
    return lines


def _permits(report: Report, unit: str | None) -> list[str]:
    if not report.permits:
        return []
    lines = ["", "Permits", "======="]
    for permit in report.permits:
        lines += _permit(permit, permit_unit(permit, report, unit))
    return lines


def permit_unit(permit: PermitLine, report: Report, unit: str | None) -> VolumeUnit:
    """As asked, else as the permit is written, else as the first point's face counts."""
    if unit is None and permit.authorised is not None:
        unit = permit.authorised.unit
    own = [point for point in report.points if any(share.point == point.place.point for share in permit.shares)]
    name = unit or next((point.face.one_count.unit for point in own or report.points), "m3")
    return volume_unit(name, [unit_count for point in own for unit_count in _counts(point)])


def _counts(point: PointReport) -> list[Fraction]:
    return [segment.one_count_m3 for segment in point.segments] or [point.register.one_count.si]


def _permit(permit: PermitLine, unit: VolumeUnit) -> list[str]:
    called = "" if permit.called == permit.name else f", {permit.called}"
    volume = "unknown, not zero" if permit.volume is None else _bounded(permit.volume, unit)
    volume = "; ".join(filter(None, [volume, words.permit(permit)]))
    year = f"{permit.year_starts[0]:02d}-{permit.year_starts[1]:02d}"
    authorised = (
        "authorised amount not stated"
        if permit.authorised is None
        else f"authorised {measure(permit.authorised)} in a year from {year}"
    )
    lines = [
        f"  {line}" for line in wrapped(f"{permit.name} ({permit.kind}{called}): {volume}; {authorised}", WIDTH - 2)
    ]
    for share in permit.shares:
        part = "volume unknown" if share.volume is None else f"{unit.text(share.volume.m3)} metered there"
        dates = (f", from {share.starts}" if share.starts else "") + (f", to before {share.ends}" if share.ends else "")
        lines.append(f"    share {plain(share.share)} of {share.point}{dates}: {part}")
    return lines


def _foot(report: Report, unit: str | None) -> list[str]:
    names = dict.fromkeys([*(unit_of(point, unit).name for point in report.points)])
    names |= dict.fromkeys(permit_unit(permit, report, unit).name for permit in report.permits)
    lines = [f"Factor used: {factor(name)}." for name in names]
    lines += wrapped(
        "Volumes are whole counts, converted once and exactly; each number is rounded half to even when it is printed.",
        WIDTH,
    )
    return [*lines, *wrapped(words.CLOSING, WIDTH)]

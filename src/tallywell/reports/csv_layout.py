"""The report as CSV (RFC 4180: CRLF, commas, quotes doubled inside quotes; UTF-8): one table, one fact a row.

    point      name of the point; empty in rows of the whole report and of permits
    section    report, point, meter, reading, segment, estimate, unallocated, idle, outage, test, seal, noted, month,
               season, day, gap, rollover, remark, visit, well, permit
    item       what the row is about: "volume", "2026-07-14", "begin", a serial number ...
    from, to   ISO 8601 with the offset from UTC that held then; half-open; `to` empty for an instant
    value      number (decimal point, no grouping) or text; "no readings" or "unknown" where it is not known, never 0
    unit       of value, low and high
    low, high  bounds of what may have flowed, or of the count
    known_by   how it is known: metered, estimated ..., by whom
    words      a sentence for people

Rows with section = day (or month) are the series; each is rounded by itself, and the row point/volume is of unrounded
values. No cell begins like a formula (= + - @ tab): such a text gets an apostrophe in front; a number below zero
does not.
"""

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, SURE, Kind
from tallywell.readings.units import Measure
from tallywell.reports import permit_words, remark_words, stated_words, words
from tallywell.reports.csv_rows import UNKNOWN, Row, span_cells, volume_cells
from tallywell.reports.csv_stated import stated_rows, total_rows
from tallywell.reports.dates import iso, iso_exactly
from tallywell.reports.decimals import decimal, plain
from tallywell.reports.model import EdgeCount, PermitLine, PointReport, Report, Seen, Slice
from tallywell.reports.report_units import permit_unit, unit_of, well_unit
from tallywell.reports.shown_units import VolumeUnit, factor, rate_unit
from tallywell.reports.volume import Volume

COLUMNS = ("point", "section", "item", "from", "to", "value", "unit", "low", "high", "known_by", "words")
_NUMBER = re.compile(r"-?\d+(\.\d+)?")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def csv(report: Report, unit: str | None = None) -> str:
    """The whole table. `unit` as in the text layout."""
    rows: list[Row] = [*_whole(report)]
    for point in report.points:
        rows += [{"point": point.place.point, **row} for row in _point(point, unit_of(point, unit), report.zone)]
    for well in report.wells:
        row = {"section": "well", "item": well.called, **span_cells(report.begin_ms, report.end_ms, report.zone)}
        own = well_unit(well, report, unit)
        rows.append(row | volume_cells(well.volume, own, UNKNOWN) | {"words": stated_words.well(well, own)})
    for permit in report.permits:
        rows += _permit(permit, permit_unit(permit, report, unit), report)
    return "".join(_line(cells) for cells in [COLUMNS, *([row.get(name, "") for name in COLUMNS] for row in rows)])


def _line(cells: Iterable[str]) -> str:
    return ",".join(map(_quoted, cells)) + "\r\n"


def _quoted(cell: str) -> str:
    safe = f"'{cell}" if cell.startswith(_FORMULA) and not _NUMBER.fullmatch(cell) else cell
    if any(mark in safe for mark in ',"\r\n'):
        return '"' + safe.replace('"', '""') + '"'
    return safe


def _whole(report: Report) -> Iterator[Row]:
    zone = report.zone

    def said(item: str, value: str, **more: str) -> Row:
        return {"section": "report", "item": item, "value": value, **more}

    yield said("site", report.site)
    by_readings = "each point from its last reading at or before the begin to that at or before the end"
    span = span_cells(report.begin_ms, report.end_ms, zone)
    yield said("period", report.period.name, **span, words=by_readings if report.between else "")
    yield said("known", words.known(report))
    yield said("time zone", zone.key)
    yield said("state", "provisional" if report.provisional else "not finalised", words=report.provisional)
    yield said("record as of", UNKNOWN if report.as_of_ms is None else iso(report.as_of_ms, zone))
    yield said("site file", report.site_file, unit="sha256")
    for name, sha256 in report.maps.items():
        yield said("register map", sha256, unit="sha256", words=name)
    yield said("program", f"tallywell {report.version}")
    yield said("note", words.CLOSING)


def _point(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    yield from _place(point)
    yield from _totals(point, unit, zone)
    yield from _meters(point, zone)
    for item, edge in (("begin", point.begin), ("end", point.end)):
        yield from _reading(item, edge, zone)
    yield from _segments(point, unit, zone)
    yield from stated_rows(point, unit, zone)
    for section, slices in (("season" if point.seasonal else "month", point.months), ("day", point.days)):
        yield from (_slice(section, each, unit, zone) for each in slices)
    yield from _happenings(point, unit, zone)
    yield from _visits(point, zone)


def _place(point: PointReport) -> Iterator[Row]:
    place, register = point.place, point.register
    told = [
        ("well", place.well),
        ("called", place.called),
        ("agency id", place.agency_id),
        ("location", place.location),
        ("source", place.source),
        ("permits", " ".join(place.permits)),
    ]
    for item, value in told:
        yield {"section": "point", "item": item, "value": value or UNKNOWN}
    yield _measured("register multiplier", register.one_count, f"{register.quantity} of map {register.map}")
    yield {"section": "point", "item": "register capacity", "value": str(register.capacity), "unit": "counts"}
    face_words = "" if point.face_stated else "not in the site file; as the register counts"
    yield _measured("face multiplier", point.face.one_count, face_words)
    yield {"section": "point", "item": "face digits", "value": str(point.face.digits), "words": face_words}


def _measured(item: str, of: Measure, said: str) -> Row:
    return {"section": "point", "item": item, "value": plain(of.number), "unit": of.unit, "words": said}


def _totals(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    begin_ms, end_ms = point.days[0].begin_ms, point.days[-1].end_ms
    span = span_cells(begin_ms, end_ms, zone)
    unknown = point.no_readings or words.NO_READINGS
    aside = stated_words.not_in_volume(point, unit, zone)
    unread = "; ".join(filter(None, ["" if point.volume is None else words.unread(point.volume), *aside]))
    yield {
        "section": "point",
        "item": "volume",
        **span,
        **volume_cells(point.volume, unit, unknown),
        "known_by": "metered in part" if unread else "",
        "words": "; ".join(filter(None, [factor(unit.name), unread, stated_words.explicit_zero(point, zone)])),
    }
    yield from total_rows(point, unit, span)
    rate = rate_unit(unit.name, point.rate_unit)
    rates = [("maximum rate", point.maximum), ("instantaneous peak", point.peak)]
    if point.peak is not None and point.peak.after_start:
        rates.append(("peak outside the minutes after a start", point.steady_peak))
    for item, found in rates:
        row = {"section": "point", "item": item, "unit": rate.name, "value": UNKNOWN}
        if found is not None:
            at = span_cells(found.begin_ms, found.begin_ms + found.window_ms, zone)
            row |= {**at, "value": rate.number(found.m3s, grouped=False)}
            row |= {"words": "within the first minutes after a start"} if found.after_start else {}
        yield row
    yield _hours(point)
    if point.reverse is not None:
        back = Volume(point.reverse.m3, point.reverse.low_m3, point.reverse.high_m3)
        said = {"known_by": "a total of reverse flow", "words": "in no other volume"}
        yield {"section": "point", "item": "water that ran back", **span, **volume_cells(back, unit, UNKNOWN), **said}
    beside = point.flow_against_total
    if beside is not None:
        ratio = UNKNOWN if beside.ratio is None else decimal(beside.ratio, 4, grouped=False)
        said = {"known_by": beside.verdict.value, "words": beside.sentence}
        yield {"section": "point", "item": "total over flow", **span, "value": ratio, **said}
    yield _share("time covered", Fraction(point.covered_ms, point.expected_ms))
    day_known = point.known_day_m3 / point.volume.m3 if point.volume is not None and point.volume.m3 else None
    yield _share("volume of a known day", day_known)


def _hours(point: PointReport) -> Row:
    row = {"section": "point", "item": "hours pumped", "unit": "h"}
    if point.hours is None:
        return row | {"value": UNKNOWN}
    pumped, error = point.hours.pumped_ms, point.hours.error_ms
    bounds = {"low": _h(max(0, pumped - error)), "high": _h(pumped + error)}
    return row | {"value": _h(pumped), **bounds, "known_by": point.hours.source.value}


def _h(ms: int) -> str:
    return decimal(Fraction(ms, 3_600_000), 2, grouped=False)


def _share(item: str, share: Fraction | None) -> Row:
    value = UNKNOWN if share is None else decimal(share * 100, 3, grouped=False)
    return {"section": "point", "item": item, "value": value, "unit": "%"}


def _meters(point: PointReport, zone: ZoneInfo) -> Iterator[Row]:
    if not point.meters:
        yield {"section": "meter", "item": UNKNOWN, "value": UNKNOWN, "words": "no installation was entered"}
    for meter in point.meters:
        span = {"from": iso(meter.begin_ms, zone), "to": "" if meter.end_ms is None else iso(meter.end_ms, zone)}
        first = meter.first_count or UNKNOWN
        row = {"section": "meter", "item": meter.serial or UNKNOWN, **span, "value": first, "unit": "face"}
        yield row | {"known_by": f"entered by {meter.author}", "words": stated_words.meter(meter, zone)}


def _reading(item: str, edge: EdgeCount | None, zone: ZoneInfo) -> Iterator[Row]:
    if edge is None:
        yield {"section": "reading", "item": item, "value": UNKNOWN, "unit": "counts"}
        return
    bounds = {"low": str(edge.low), "high": str(edge.high), "known_by": edge.how.value}
    yield _count(item, edge.seen, zone) | bounds
    yield {"section": "reading", "item": f"{item} face", "from": iso(edge.seen.utc_ms, zone), "value": edge.seen.face}
    for side, seen in (("read before", edge.before), ("read after", edge.after)):
        if seen is not None:
            yield _count(f"{item}, {side}", seen, zone)


def _count(item: str, seen: Seen, zone: ZoneInfo) -> Row:
    at = {"from": iso_exactly(seen.utc_ms, zone)}
    return {
        "section": "reading",
        "item": item,
        **at,
        "value": str(seen.count),
        "unit": "counts",
        "words": "; ".join(filter(None, [f"face {seen.face}", words.in_time(seen)])),
    }


def _segments(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    for segment in point.segments:
        span = span_cells(segment.begin.utc_ms, segment.end.utc_ms, zone)
        rounds = f" + {segment.rollovers} x {segment.capacity}" if segment.rollovers else ""
        said = f"{segment.end.count} - {segment.begin.count}{rounds} = {segment.counts} counts"
        volume = unit.number(segment.counts * segment.one_count_m3, grouped=False)
        item = segment.serial or ("after a reset" if segment.confirmed else UNKNOWN)
        row = {"section": "segment", "item": item, **span, "value": volume, "unit": unit.name}
        known_by = "entered" if segment.confirmed else "not confirmed by an entry"
        yield row | {"known_by": "withheld from this well" if segment.withheld else known_by, "words": said}


def _slice(section: str, each: Slice, unit: VolumeUnit, zone: ZoneInfo) -> Row:
    row = {"section": section, "item": each.label, **span_cells(each.begin_ms, each.end_ms, zone)}
    known_by = "" if each.volume is None else _known_by(each)
    unknown = words.WITHHELD if each.withheld else words.NO_READINGS
    return row | volume_cells(each.volume, unit, unknown) | {"known_by": known_by, "words": words.mark(each)}


def _known_by(each: Slice) -> str:
    """What is not metered from end to end is never called metered alone."""
    if each.estimated:
        return "estimated at its edges"
    if not each.kinds <= SURE | NOTES:
        return "with a question open" if Kind.QUESTION in each.kinds else "metered in part"
    return "metered in part" if each.reached_ms < each.expected_ms else "metered"


def _happenings(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    for number, gap in enumerate(point.gaps, start=1):
        row = {"section": "gap", "item": str(number), **span_cells(gap.begin_ms, gap.end_ms, zone)}
        known_by = {"known_by": "withheld from this well"} if gap.withheld else {}
        yield row | volume_cells(gap.volume, unit, UNKNOWN) | known_by | {"words": words.gap_cause(gap, zone)}
    for rollover in point.rollovers:
        row = {"section": "rollover", "item": str(rollover.times), "from": iso(rollover.utc_ms, zone)}
        yield row | {"value": str(rollover.capacity), "unit": "counts", "words": "went round at this capacity"}
    for remark in point.remarks:
        row = {
            "section": "remark",
            "item": remark.kind.value,
            **span_cells(remark.first.utc_ms, remark.last.utc_ms, zone),
        }
        volume = {} if remark.kind in NOTES else volume_cells(remark.volume, unit, UNKNOWN)
        not_counted = {} if remark.counted or not volume else {"value": "not counted"}
        yield row | volume | not_counted | {"words": remark_words.remark(remark, unit, zone)}


def _visits(point: PointReport, zone: ZoneInfo) -> Iterator[Row]:
    for visit in point.visits:
        item = "hand reading" + (f" {visit.when}" if visit.when else "")
        row = {"section": "visit", "item": item, "from": iso(visit.utc_ms, zone), "value": visit.face}
        said = "; ".join(filter(None, [words.visit_words(visit, zone), visit.note]))
        known_by = f"read by {visit.author}" + (", the agency's own person" if visit.agency else "")
        yield row | {"unit": "face", "known_by": known_by, "words": said}


def _permit(permit: PermitLine, unit: VolumeUnit, report: Report) -> Iterator[Row]:
    span = span_cells(report.begin_ms, report.end_ms, report.zone)
    row = {"section": "permit", "item": permit.name, **span, **volume_cells(permit.volume, unit, UNKNOWN)}
    called = "" if permit.called == permit.name else permit.called
    in_part = "metered in part" if permit.volume is not None and words.permit(permit) else ""
    yield row | {"known_by": in_part, "words": ", ".join(filter(None, [permit.kind, called, words.permit(permit)]))}
    if permit.total_m3 is not None:
        total = {"value": unit.number(permit.total_m3, grouped=False), "unit": unit.name}
        said = {"known_by": "metered and estimated", "words": stated_words.NO_BOUNDS}
        yield {"section": "permit", "item": f"{permit.name}, with the estimates", **span, **total, **said}
    authorised = permit.authorised
    amount = {"value": UNKNOWN} if authorised is None else {"value": plain(authorised.number), "unit": authorised.unit}
    yield {
        "section": "permit",
        "item": f"{permit.name}, authorised",
        **amount,
        "words": permit_words.authorised(permit),
    }
    yield from _permit_years(permit, unit)
    for share in permit.shares:
        volume = None if share.volume is None else share.volume * share.share
        row = {"section": "permit", "point": share.point, "item": f"{permit.name}, share {plain(share.share)}"}
        dates = [f"from {share.starts}"] if share.starts else []
        dates += [f"to before {share.ends}"] if share.ends else []
        yield row | volume_cells(volume, unit, UNKNOWN) | {"words": ", ".join(dates)}


def _permit_years(permit: PermitLine, unit: VolumeUnit) -> Iterator[Row]:
    for year in permit.years:
        span = {"from": str(year.begin), "to": str(year.end)}
        for item, of in (("used", year.line.used), ("left", year.line.left)):
            numbers = {"value": of.m3, "low": of.low_m3, "high": of.high_m3}
            shown = {name: unit.number(m3, grouped=False) for name, m3 in numbers.items() if m3 is not None}
            row = {"section": "permit", "item": f"{permit.name}, {item} in a year", **span, "value": UNKNOWN}
            said = {"known_by": "" if year.whole else "so far", "words": permit_words.year(year, permit, unit)}
            yield row | {"unit": unit.name} | shown | said

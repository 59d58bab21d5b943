"""Rows of the CSV layout for what people stated, what is not the well's, and when the meter did not work."""

from collections.abc import Iterator
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.reports import stated_words
from tallywell.reports.csv_rows import UNKNOWN, Row, span_cells, volume_cells
from tallywell.reports.dates import iso
from tallywell.reports.decimals import decimal
from tallywell.reports.model import PointReport
from tallywell.reports.shown_units import VolumeUnit


def total_rows(point: PointReport, unit: VolumeUnit, span: Row) -> Iterator[Row]:
    """The estimates in sum, and the total with them; nothing where nothing was estimated."""
    total = point.total
    if total is None:
        return
    said = {"known_by": "estimated", "words": stated_words.estimated(total, unit)}
    estimated = _number(total.added_m3 + total.instead_m3, unit)
    yield {"section": "point", "item": "estimated", **span, **estimated, **said}
    known_by = "estimated" if total.metered_m3 is None else "metered and estimated"
    words = {"known_by": known_by, "words": stated_words.total(total, unit)}
    yield {"section": "point", "item": "total", **span, **_number(total.m3, unit), **words}


def stated_rows(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    """All that stands in sections of its own, in the order of the text layout."""
    yield from _estimates(point, unit, zone)
    for one in point.unallocated:
        row = {"section": "unallocated", "item": "in the volume" if one.inside else "in no period"}
        volume = volume_cells(one.volume, unit, UNKNOWN)
        said = {"words": stated_words.unallocated(one, unit, zone)}
        yield row | span_cells(one.begin_ms, one.end_ms, zone) | volume | said
    for idle in point.stated.idle:
        until = "" if idle.end_ms is None else iso(idle.end_ms, zone)
        row = {"section": "idle", "item": "out of use" if idle.reason else "shut down"}
        volume = volume_cells(idle.metered, unit, UNKNOWN)
        yield row | {"from": iso(idle.begin_ms, zone), "to": until} | volume | {"words": stated_words.idle(idle, unit)}
    for number, outage in enumerate(point.outages, start=1):
        row = {"section": "outage", "item": str(number), **span_cells(outage.begin_ms, outage.end_ms, zone)}
        yield row | {"value": stated_words.outage_days(outage, zone), "words": stated_words.outage(outage, zone)}
    yield from _noted(point, zone)


def _estimates(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[Row]:
    for one in point.stated.estimates:
        said = f"{stated_words.estimate(one, unit)}; {stated_words.estimate_source(one)}"
        row = {"section": "estimate", "item": one.estimate.standing.value}
        known_by = f"estimated by {one.estimate.author}: {one.estimate.method.value}"
        yield (
            row
            | span_cells(one.begin_ms, one.end_ms, zone)
            | _number(one.m3, unit)
            | {
                "known_by": known_by,
                "words": said,
            }
        )


def _noted(point: PointReport, zone: ZoneInfo) -> Iterator[Row]:
    for test in point.stated.tests:
        row = {"section": "test", "item": "accuracy test", "from": iso(test.about_ms, zone)}
        error = {"value": decimal(test.error * 100, 1), "unit": "%"}
        yield row | error | {"known_by": f"tested by {test.tester}", "words": stated_words.accuracy_test(test, zone)}
    for seal in point.stated.seals:
        row = {"section": "seal", "item": seal.number, "from": iso(seal.about_ms, zone), "value": seal.state}
        yield row | {"known_by": f"entered by {seal.author}", "words": seal.note}
    for remark in point.stated.remarks:
        row = {"section": "noted", "item": "remark", "from": iso(remark.about_ms, zone)}
        yield row | {"known_by": f"entered by {remark.author}", "words": remark.text}
    for again in point.stated.read_again:
        row = {"section": "noted", "item": "read again", **span_cells(again.begin_ms, again.end_ms, zone)}
        said = {"known_by": f"entered by {again.author}", "words": stated_words.read_again(again, zone)}
        yield row | {"value": again.map} | said
    for gone in point.stated.withdrawn:
        row = {"section": "noted", "item": "entry withdrawn", "from": iso(gone.about_ms, zone), "value": gone.kind}
        yield row | {"known_by": f"entered by {gone.author}", "words": stated_words.withdrawn(gone)}
    for entry in point.stated.not_taken:
        row = {"section": "noted", "item": "entry that cannot be taken", "from": iso(entry.utc_ms, zone)}
        yield row | {"value": entry.kind, "known_by": f"entered by {entry.author}", "words": entry.why}


def _number(m3: Fraction, unit: VolumeUnit) -> Row:
    return {"value": unit.number(m3, grouped=False), "unit": unit.name}

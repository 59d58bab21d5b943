"""What people stated of a point, on a screen: a section each, and none for what nobody stated."""

from zoneinfo import ZoneInfo

from tallywell.reports import stated_words
from tallywell.reports.dates import with_offset
from tallywell.reports.model import PointReport
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.table import WIDTH, wrapped
from tallywell.reports.text_tables import hanging, section


def stated_sections(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    """Estimates, what is not the well's, season and use, seals, remarks of people, entries that cannot be taken."""
    lines = section("Estimates", _estimates(point, unit, zone))
    lines += section("Not posted to this well", _withheld(point, unit, zone))
    lines += section("Season and use", _idle(point, unit, zone))
    lines += section("Wire seals", _dated([(one.about_ms, stated_words.seal(one)) for one in point.stated.seals], zone))
    noted = [(one.about_ms, f"{one.text}; by {one.author}") for one in point.stated.remarks]
    lines += section("Remarks of people", _dated(noted, zone))
    again = [(one.begin_ms, stated_words.read_again(one, zone)) for one in point.stated.read_again]
    lines += section("Read again under a corrected map", _dated(again, zone))
    gone = [(one.about_ms, stated_words.withdrawn(one)) for one in point.stated.withdrawn]
    lines += section("Entries withdrawn", _dated(gone, zone))
    not_taken = [(one.utc_ms, f"{one.kind}, by {one.author}: {one.why}") for one in point.stated.not_taken]
    return lines + section("Entries that cannot be taken", _dated(not_taken, zone))


def _estimates(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for one in point.stated.estimates:
        span = f"{with_offset(one.begin_ms, zone)} to {with_offset(one.end_ms, zone)}"
        lines += hanging(f"{span}: {stated_words.estimate(one, unit)}", stated_words.estimate_source(one))
    return lines


def _withheld(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    said = [stated_words.withheld(one, unit, zone) for one in point.segments if one.withheld]
    return [f"    {line}" for each in said for line in wrapped(each, WIDTH - 4)]


def _idle(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for one in point.stated.idle:
        lines += hanging(stated_words.idle_span(one, zone), stated_words.idle(one, unit))
    return lines


def _dated(said: list[tuple[int, str]], zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for utc_ms, what in said:
        first, *rest = wrapped(what, WIDTH - 32) or [""]
        lines += [f"    {with_offset(utc_ms, zone)}  {first}", *(f"{'':32}{line}" for line in rest)]
    return lines

"""Cells of the CSV layout that several sections share."""

from zoneinfo import ZoneInfo

from tallywell.reports.dates import iso
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.volume import Volume

UNKNOWN = "unknown"

Row = dict[str, str]


def volume_cells(volume: Volume | None, unit: VolumeUnit, unknown: str) -> Row:
    if volume is None:
        return {"value": unknown, "unit": unit.name}
    value, low, high = (unit.number(m3, grouped=False) for m3 in (volume.m3, volume.low_m3, volume.high_m3))
    return {"value": value, "unit": unit.name, "low": low, "high": high}


def span_cells(begin_ms: int, end_ms: int, zone: ZoneInfo) -> Row:
    return {"from": iso(begin_ms, zone), "to": "" if end_ms == begin_ms else iso(end_ms, zone)}

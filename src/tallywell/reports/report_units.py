"""The units that a report is printed in, by point and by permit."""

from fractions import Fraction

from tallywell.readings.units import Measure
from tallywell.reports.decimals import plain
from tallywell.reports.model import PermitLine, PointReport, Report, WellLine
from tallywell.reports.shown_units import WORDS, VolumeUnit, volume_unit


def unit_of(point: PointReport, unit: str | None) -> VolumeUnit:
    """The unit that a point is reported in: as asked, else the one its face (or, failing that, its map) counts in."""
    counts = [segment.one_count_m3 for segment in point.segments] or [point.register.one_count.si]
    return volume_unit(unit or point.face.one_count.unit, counts)


def permit_unit(permit: PermitLine, report: Report, unit: str | None) -> VolumeUnit:
    """As asked, else as the permit is written, else as the first point's face counts."""
    if unit is None and permit.authorised is not None:
        unit = permit.authorised.unit
    own = [point for point in report.points if any(share.point == point.place.point for share in permit.shares)]
    name = unit or next((point.face.one_count.unit for point in own or report.points), "m3")
    return volume_unit(name, [unit_count for point in own for unit_count in _counts(point)])


def well_unit(well: WellLine, report: Report, unit: str | None) -> VolumeUnit:
    """As asked, else as the face of its first point counts."""
    own = [point for point in report.points if any(share.point == point.place.point for share in well.shares)]
    return volume_unit(unit or own[0].face.one_count.unit, [one for point in own for one in _counts(point)])


def _counts(point: PointReport) -> list[Fraction]:
    return [segment.one_count_m3 for segment in point.segments] or [point.register.one_count.si]


def measure(of: Measure) -> str:
    return f"{plain(of.number)} {WORDS.get(of.unit, of.unit)}"

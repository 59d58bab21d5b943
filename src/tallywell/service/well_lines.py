"""The wells of a report that more than one meter serves: an agency asks by well, not by meter."""

from collections.abc import Iterator, Mapping
from fractions import Fraction

from tallywell.reports.model import PointReport, WellLine
from tallywell.reports.volume import Volume
from tallywell.service.site import Site


def well_lines(site: Site, reports: Mapping[str, PointReport]) -> Iterator[WellLine]:
    """Wells whose points are all in this report: a part of a well's volume would look like the whole."""
    for name, well in site.wells.items():
        points = [point.name for point in site.points.values() if point.well == name and point.map.books]
        if len(points) > 1 and all(point in reports for point in points):
            yield _line(well.called, well.agency_id, [reports[point] for point in points])


def _line(called: str, agency_id: str, points: list[PointReport]) -> WellLine:
    volume: Volume | None = None
    for point in points:
        if point.volume is not None:
            volume = point.volume if volume is None else volume + point.volume
    unknown = tuple(point.place.point for point in points if point.volume is None)
    names = tuple(point.place.point for point in points)
    return WellLine(called, agency_id, names, volume, _total_m3(points), unknown)


def _total_m3(points: list[PointReport]) -> Fraction | None:
    """With the estimates; None where there are none."""
    if all(point.total is None for point in points):
        return None
    totals = [point.total.m3 for point in points if point.total is not None]
    metered = [point.volume.m3 for point in points if point.total is None and point.volume is not None]
    return sum([*totals, *metered], Fraction(0))

"""The wells of a report whose water is not just that of one meter: an agency asks by well, not by meter."""

from collections.abc import Iterator

from tallywell.ledger.periods import Period
from tallywell.reports.model import WellLine
from tallywell.service.permit_lines import KnownOf, share_line, together
from tallywell.service.site import Site, WellShare


def well_lines(site: Site, known: KnownOf, period: Period) -> Iterator[WellLine]:
    """Wells whose points are all in this report: a part of a well's volume would look like the whole."""
    for name, well in site.wells.items():
        shares = _shares_of(site, name)
        if _says_more(shares) and all(point in known for point, _ in shares):
            span = period.first, period.end
            each = (share_line(point, share, known[point], span) for point, share in shares)
            lines = tuple(line for line in each if line is not None)
            yield WellLine(well.called, well.agency_id, lines, together(lines))


def _shares_of(site: Site, well: str) -> list[tuple[str, WellShare]]:
    points = [point for point in site.points.values() if point.map.books]
    return [(point.name, share) for point in points for share in point.wells if share.well == well]


def _says_more(shares: list[tuple[str, WellShare]]) -> bool:
    """Whether the well's volume is another than that of its one point."""
    return len(shares) > 1 or any(share.share != 1 or share.starts or share.ends for _, share in shares)

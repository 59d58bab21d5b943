"""What the record says of one moment of a point, as its report would. Reads only."""

from dataclasses import dataclass

from tallywell.ledger.periods import between
from tallywell.reports.words import visit_words
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.service.local_time import from_ms
from tallywell.service.site import Point
from tallywell.store.query import Reader

NOTHING_READ = "no reading of the register around it to compare with"


@dataclass(frozen=True, slots=True)
class Compared:
    """`words` of the report; `differs`: the readings around it speak against it."""

    words: str = NOTHING_READ
    differs: bool = False


def compared(reader: Reader, point: Point, utc_ms: int, shows: str) -> Compared:
    """How a hand reading of that moment, as entered, compares with the register."""
    if reader.last_accepted() is None:
        return Compared()
    accepted = accepted_site(reader)
    if point.name not in accepted.site.points:
        return Compared()
    day = from_ms(utc_ms, accepted.site.zone).date()
    report = period_report(reader, accepted, between(day, day), [point.name])
    visits = [one for one in report.points[0].visits if one.utc_ms == utc_ms and one.entered == shows.strip()]
    if not visits:
        return Compared()
    beside = visits[-1].beside
    return Compared(visit_words(visits[-1], accepted.site.zone), beside is not None and beside.agrees is False)

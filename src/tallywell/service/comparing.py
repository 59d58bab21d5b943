"""What the record says of one moment or one span of a point, as its report would. Reads only."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import POSTS, Interval
from tallywell.ledger.periods import between
from tallywell.ledger.sums import Parts, touches
from tallywell.reports.words import visit_words
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.service.following import followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.local_time import from_ms, to_ms
from tallywell.service.site import Point
from tallywell.stated.content import in_force
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


@dataclass(frozen=True, slots=True)
class Metered:
    """`m3` between `begin_ms` and `end_ms`: the part of a span that lies between readings."""

    m3: Fraction
    begin_ms: int
    end_ms: int


def metered_between(reader: Reader, point: Point, begin_ms: int, end_ms: int) -> Metered | None:
    """The metered volume between two instants; None where nothing was metered."""
    standing = in_force(reader.entries())
    found = followed(reader, point, standing, reach_of(reader, begin_ms, end_ms))
    parts, metered = Parts((begin_ms, end_ms)), list[Interval]()
    for one in found.intervals:
        parts.take(one)
        if one.kind in POSTS and touches(one, begin_ms, end_ms):
            metered.append(one)
    if not metered:
        return None
    begin, end = min(one.begin_ms for one in metered), max(one.end_ms for one in metered)
    return Metered(parts.close()[0].volume_m3, max(begin_ms, begin), min(end_ms, end))


def same_span(begin_ms: int, end_ms: int, year: int, zone: ZoneInfo) -> tuple[int, int]:
    """The same local dates and hours in another year; 29 February is the day before 1 March."""
    begin, end = from_ms(begin_ms, zone), from_ms(end_ms, zone)
    shift = begin.year - year
    return to_ms(_in_year(begin, begin.year - shift)), to_ms(_in_year(end, end.year - shift))


def _in_year(at: datetime, year: int) -> datetime:
    try:
        return at.replace(year=year)
    except ValueError:
        return (at - timedelta(days=1)).replace(year=year)

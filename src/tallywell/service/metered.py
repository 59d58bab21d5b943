"""What was metered at a point in one span, for whoever is about to say what flowed in it. Reads only."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import POSTS, SURE, Interval
from tallywell.ledger.sums import Parts, touches
from tallywell.service.following import followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.local_time import from_ms, to_ms
from tallywell.service.site import Point
from tallywell.stated.content import in_force
from tallywell.store.query import Reader


@dataclass(frozen=True, slots=True)
class Metered:
    """`m3` between `begin_ms` and `end_ms`: the part of a span that lies between readings; `low_m3` and `high_m3` bound
    what may have flowed there. `sure`: all of the span was read, and the readings alone bound it.
    """

    m3: Fraction
    low_m3: Fraction
    high_m3: Fraction
    begin_ms: int
    end_ms: int
    sure: bool


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
    first, last = min(one.begin_ms for one in metered), max(one.end_ms for one in metered)
    (part,) = parts.close()
    sure = first <= begin_ms and last >= end_ms and part.kinds <= SURE and not part.withheld_m3
    between = max(begin_ms, first), min(end_ms, last)
    return Metered(part.volume_m3, part.low_m3, part.high_m3, *between, sure)


def volumes(reader: Reader, point: Point, edges_ms: Sequence[int]) -> tuple[Fraction | None, ...]:
    """m3 metered between consecutive edges; None where nothing was."""
    parts, metered = Parts(edges_ms), [False] * (len(edges_ms) - 1)
    reach = reach_of(reader, edges_ms[0], edges_ms[-1])
    for one in followed(reader, point, in_force(reader.entries()), reach).intervals:
        parts.take(one)
        for at, (begin, end) in enumerate(pairwise(edges_ms)):
            metered[at] |= one.kind in POSTS and touches(one, begin, end)
    found = (part.volume_m3 for part in parts.close())
    return tuple(m3 if known else None for m3, known in zip(found, metered, strict=True))


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

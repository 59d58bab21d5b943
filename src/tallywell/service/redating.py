"""What it would do to put the dates of some rows right: whole months before and after. Reads only."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from tallywell.ledger.periods import midnight_ms
from tallywell.readings.facts import Anchor, Entry
from tallywell.service.local_time import from_ms
from tallywell.service.metered import volumes
from tallywell.service.site import Site
from tallywell.stated.content import Content
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

NEAR = 64  # rows looked through for one that is no anchor of the clock


@dataclass(frozen=True, slots=True)
class Changed:
    """A month of a point whose volume is another then; None: nothing metered."""

    point: str
    month: str
    now_m3: Fraction | None
    then_m3: Fraction | None


@dataclass(frozen=True, slots=True)
class Redating:
    """`ends`: number of the first and of the last row, with the date of each now and then."""

    ends: tuple[tuple[int, int, int], ...]
    months: tuple[Changed, ...]


def redating(folder: RecordFolder, site: Site, content: Content, replaces: str | None = None) -> Redating:
    """`content`: of a redate that is not entered yet."""
    with Reader(folder) as now, Reader(folder) as then:
        then.suppose(_as_entry(now, content, replaces))
        ends = tuple(_ends(now, then, int(str(content["first_seq"])), int(str(content["last_seq"]))))
        dates = [date for _, *both in ends for date in both]
        return Redating(ends, tuple(_changed(now, then, site, (min(dates), max(dates)))) if dates else ())


def _ends(now: Reader, then: Reader, first: int, last: int) -> Iterator[tuple[int, int, int]]:
    for facts in (now.facts(first, min(first + NEAR, last)), now.facts(max(last - NEAR, first), last)[::-1]):
        for fact in facts:
            before, after = now.when(fact).utc_ms, then.when(fact).utc_ms
            if not isinstance(fact, Anchor) and before is not None and after is not None:
                yield fact.seq, before, after
                break


def _changed(now: Reader, then: Reader, site: Site, span_ms: tuple[int, int]) -> Iterator[Changed]:
    months = list(_months(span_ms, site))
    edges = [midnight_ms(day, site.zone) for day in months]
    for point in site.points.values():
        if point.map.books is None:
            continue
        pairs = zip(volumes(now, point, edges), volumes(then, point, edges), strict=True)
        for day, (before, after) in zip(months, pairs, strict=False):
            if before != after:
                yield Changed(point.name, f"{day:%Y-%m}", before, after)


def _months(span_ms: tuple[int, int], site: Site) -> Iterator[date]:
    """The first days of the months that the span lies in, and of the one behind."""
    first, last = (from_ms(one, site.zone).date() for one in span_ms)
    day = first.replace(day=1)
    while day <= last:
        yield day
        day = _next(day)
    yield day


def _next(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)


def _as_entry(reader: Reader, content: Content, replaces: str | None) -> Entry:
    """As if it had been entered already."""
    return Entry(
        reader.newest_seq() + 1, "candidate", 0, 0, 0, None, "redate", None, "", replaces, canonical(dict(content))
    )

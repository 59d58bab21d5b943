"""The permits of a report: shares of the points' volumes, and the permit's own years that begin in the period.

Where an amount is for several years, or what is left of it may be carried over, the years before count: the account
runs from the permit's first year, or from the first that the record reaches into.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from tallywell.ledger.authorised import UNKNOWN, Bounded, Unlikely, screened, weighted, years_of
from tallywell.ledger.periods import Period
from tallywell.reports.model import PermitLine, PermitYear, ShareLine
from tallywell.reports.volume import Total, Volume
from tallywell.service.permits import rule_of
from tallywell.service.site import Permit, Share, WellShare

Stretch = tuple[date, date]  # of local days, the second no longer of it
Known = tuple[Volume | None, Total | None]  # what was metered, and that with the estimates, where there are any
KnownOf = Mapping[str, Mapping[Stretch, Known]]  # by point


@dataclass(frozen=True, slots=True)
class _Year:
    """`shown`: it begins in the period. `begun`: the record began inside it, so that a part of it is unknown."""

    begin: date
    end: date
    whole: bool
    shown: bool
    begun: bool = False


def stretches_of(
    permits: Iterable[Permit],
    point: str,
    period: Period,
    wells: Iterable[WellShare] = (),
    since: date | None = None,
) -> set[Stretch]:
    """All stretches in which a point's volume is asked for by its permits, and by its wells: also some that begin
    before the period. `since`: the record's first day.
    """
    found: set[Stretch] = {(period.first, period.end)}
    for well in wells:
        part = inside(well, period.first, period.end)
        found |= set() if part is None else {part}
    for permit in permits:
        for share in permit.shares:
            if share.point == point:
                spans = [(period.first, period.end), *((one.begin, one.end) for one in _years(permit, period, since))]
                found |= {part for span in spans if (part := inside(share, *span)) is not None}
    return found


def permit_lines(
    permits: Iterable[Permit], known: KnownOf, period: Period, since: date | None = None
) -> Iterator[PermitLine]:
    """Permits whose points are all in this report: a part of a permit's volume would look like the whole."""
    for permit in permits:
        if all(share.point in known for share in permit.shares):
            yield _line(permit, known, period, since)


def _line(permit: Permit, known: KnownOf, period: Period, since: date | None) -> PermitLine:
    lines, years = _shares(permit, known, (period.first, period.end)), _years(permit, period, since)
    return PermitLine(
        name=permit.name,
        called=permit.called,
        kind=permit.kind.value,
        authorised=permit.authorised,
        year_starts=permit.year_starts,
        authorised_years=permit.authorised_years,
        authorised_from=permit.authorised_from,
        carry_over=permit.carry_over,
        shares=lines,
        volume=together(lines),
        years=_account(permit, known, years),
        reckoned_from=years[0].begin if years else None,
    )


def _shares(permit: Permit, known: KnownOf, span: Stretch) -> tuple[ShareLine, ...]:
    lines = (share_line(share.point, share, known[share.point], span) for share in permit.shares)
    return tuple(line for line in lines if line is not None)


def share_line(point: str, share: Share | WellShare, known: Mapping[Stretch, Known], span: Stretch) -> ShareLine | None:
    """The share's part in a span; None where its dates leave nothing of it."""
    part = inside(share, *span)
    return None if part is None else ShareLine(point, share.share, share.starts, share.ends, *known[part])


def together(shares: Iterable[ShareLine]) -> Volume | None:
    """The metered volumes by their shares; None where none is known."""
    total = None
    for line in shares:
        if line.volume is not None:
            part = line.volume * line.share
            total = part if total is None else total + part
    return total


def inside(share: Share | WellShare, first: date, end: date) -> Stretch | None:
    """The part of a span in which a share stands."""
    first, end = max(first, share.starts or first), min(end, share.ends or end)
    return (first, end) if first < end else None


def _account(permit: Permit, known: KnownOf, years: list[_Year]) -> tuple[PermitYear, ...]:
    """The permit's years in the period: what was allowed, used and left."""
    rule = rule_of(permit)
    if rule is None or not years:
        return ()
    lines = years_of(rule, [_used(permit, known, year) for year in years])
    amount = rule.amount_m3 / rule.years
    return tuple(
        PermitYear(
            begin=year.begin,
            end=year.end,
            whole=year.whole,
            line=line,
            unlikely=_unlikely(line.used, amount) if year.whole else None,
        )
        for year, line in zip(years, lines, strict=True)
        if year.shown
    )


def _unlikely(used: Bounded, amount_m3: Fraction) -> Unlikely | None:
    """A year that was read in part alone says nothing of its being too little."""
    found = None if used.m3 is None else screened(used.m3, amount_m3)
    in_part = used.low_m3 is not None and used.high_m3 is None
    return None if found is not None and in_part and not found.over else found


def _years(permit: Permit, period: Period, since: date | None) -> list[_Year]:
    """Consecutive years of the permit up to the period's end, where one of them begins in the period."""
    first = _year_on(permit, period.first)
    if permit.authorised is None or first >= period.end:
        return []
    found: list[_Year] = []
    begin = _account_begins(permit, first, since)
    while begin < period.end:
        until = _starts(permit, begin.year + 1)
        begun = since is not None and begin < since and begin < first
        found.append(_Year(begin, min(until, period.end), until <= period.end, begin >= first, begun))
        begin = until
    return found


def _year_on(permit: Permit, day: date) -> date:
    """The first day, from `day` on, on which a year of the permit begins."""
    begin = _starts(permit, day.year)
    return begin if begin >= day else _starts(permit, day.year + 1)


def _account_begins(permit: Permit, first: date, since: date | None) -> date:
    """The beginning of a term: of the first that the record, or the permit, reaches into, where earlier terms matter,
    or else of that to which the year from `first` on belongs.
    """
    of = first.year if permit.authorised_from is None else permit.authorised_from.year
    begin = _starts(permit, first.year - (first.year - of) % permit.authorised_years)
    earliest = max(since or begin, permit.authorised_from or date.min)
    while permit.carry_years and begin > earliest:
        begin = _starts(permit, begin.year - permit.authorised_years)
    return begin


def _starts(permit: Permit, year: int) -> date:
    """29 February is 1 March where there is none."""
    try:
        return date(year, *permit.year_starts)
    except ValueError:
        return date(year, 3, 1)


def _used(permit: Permit, known: KnownOf, year: _Year) -> Bounded:
    lines = _shares(permit, known, (year.begin, year.end))
    used = weighted((_bounded(line), line.share) for line in lines)
    if year.begun and not any(line.total for line in lines):
        return replace(used, m3=None, high_m3=None)  # what ran before the record began, nobody has said
    return used


def _bounded(line: ShareLine) -> Bounded:
    """An estimate has no bounds; nor, upwards, has a volume of a part of the time."""
    if line.total is not None:
        return Bounded(line.total.m3, None, None)
    if line.volume is None:
        return UNKNOWN
    return Bounded(line.volume.m3, line.volume.low_m3, None if line.volume.unread_ms else line.volume.high_m3)

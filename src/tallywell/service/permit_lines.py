"""The permits of a report: shares of the points' volumes, and the permit's own years inside the period."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

from tallywell.ledger.authorised import UNKNOWN, Bounded, screened, weighted, years_of
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
    begin: date
    end: date
    whole: bool


def stretches_of(
    permits: Iterable[Permit], point: str, period: Period, wells: Iterable[WellShare] = ()
) -> set[Stretch]:
    """All stretches in which a point's volume is asked for by its permits, and by its wells."""
    found: set[Stretch] = {(period.first, period.end)}
    for well in wells:
        part = inside(well, period.first, period.end)
        found |= set() if part is None else {part}
    for permit in permits:
        for share in permit.shares:
            if share.point == point:
                spans = [(period.first, period.end), *((year.begin, year.end) for year in _years(permit, period))]
                found |= {part for span in spans if (part := inside(share, *span)) is not None}
    return found


def permit_lines(permits: Iterable[Permit], known: KnownOf, period: Period) -> Iterator[PermitLine]:
    """Permits whose points are all in this report: a part of a permit's volume would look like the whole."""
    for permit in permits:
        if all(share.point in known for share in permit.shares):
            yield _line(permit, known, period)


def _line(permit: Permit, known: KnownOf, period: Period) -> PermitLine:
    whole = period.first, period.end
    lines = _shares(permit, known, whole)
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
        years=_account(permit, known, period),
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


def _account(permit: Permit, known: KnownOf, period: Period) -> tuple[PermitYear, ...]:
    """The permit's years in the period, from the first day of a term on: what was allowed, used and left."""
    years = _years(permit, period)
    if permit.authorised is None or not years:
        return ()
    used = [_used(permit, known, (year.begin, year.end)) for year in years]
    rule = rule_of(permit)
    assert rule is not None
    lines, amount = years_of(rule, used), rule.amount_m3 / rule.years
    return tuple(
        PermitYear(
            begin=year.begin,
            end=year.end,
            whole=year.whole,
            line=line,
            unlikely=screened(line.used.m3, amount) if year.whole and line.used.m3 is not None else None,
        )
        for year, line in zip(years, lines, strict=True)
    )


def _years(permit: Permit, period: Period) -> list[_Year]:
    if permit.authorised is None:
        return []
    found: list[_Year] = []
    begin = _first_term(permit, period.first)
    while begin < period.end:
        until = _starts(permit, begin.year + 1)
        found.append(_Year(begin, min(until, period.end), until <= period.end))
        begin = until
    return found


def _first_term(permit: Permit, day: date) -> date:
    """The first day, from `day` on, on which a term of the permit begins."""
    terms = 1 if permit.authorised_from is None else permit.authorised_years
    of = day.year if permit.authorised_from is None else permit.authorised_from.year
    year = day.year - (day.year - of) % terms
    while (begin := _starts(permit, year)) < day:
        year += terms
    return begin


def _starts(permit: Permit, year: int) -> date:
    """29 February is 1 March where there is none."""
    try:
        return date(year, *permit.year_starts)
    except ValueError:
        return date(year, 3, 1)


def _used(permit: Permit, known: KnownOf, year: Stretch) -> Bounded:
    return weighted((_bounded(line), line.share) for line in _shares(permit, known, year))


def _bounded(line: ShareLine) -> Bounded:
    """An estimate has no bounds; nor, upwards, has a volume of a part of the time."""
    if line.total is not None:
        return Bounded(line.total.m3, None, None)
    if line.volume is None:
        return UNKNOWN
    return Bounded(line.volume.m3, line.volume.low_m3, None if line.volume.unread_ms else line.volume.high_m3)

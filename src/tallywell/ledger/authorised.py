"""What a permit allows: year by year or over several years, with what was not used carried over; and the screen that
finds volumes no well could have given.

All amounts are exact cubic metres. A volume that is not known stays unknown, and so does all that follows from it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from tallywell.readings.units import VOLUMES

ACRE_FOOT = VOLUMES["acre_foot"]


@dataclass(frozen=True, slots=True)
class Allowance:
    """`amount_m3` for each term of `years` years, the first of which begins on `first` (any later term: so many years
    after). `carried_most_m3`: how much of what was not used goes over into the next terms, for `carried_terms` of them.
    """

    amount_m3: Fraction
    first: date
    years: int = 1
    carried_most_m3: Fraction = Fraction(0)
    carried_terms: int = 1


@dataclass(frozen=True, slots=True)
class Used:
    """A volume with its bounds, m3."""

    m3: Fraction
    low_m3: Fraction
    high_m3: Fraction


@dataclass(frozen=True, slots=True)
class Term:
    """One term. `carried_m3`: what came over from those before it that are known here; `used` None: unknown.

    `whole`: all of it lies in what was looked at; else `used` is so far, and nothing is carried from it.
    """

    begin: date
    end: date
    amount_m3: Fraction
    carried_m3: Fraction
    used: Used | None
    whole: bool

    @property
    def available_m3(self) -> Fraction:
        return self.amount_m3 + self.carried_m3

    @property
    def left_m3(self) -> Fraction | None:
        """Below zero: used beyond what is allowed."""
        return None if self.used is None else self.available_m3 - self.used.m3


def terms_in(allowance: Allowance, first: date, end: date) -> tuple[tuple[date, date, bool], ...]:
    """The terms that begin in the days from `first` to before `end`: begin, end (cut to these days), whether whole."""
    found = []
    begin = _first_from(allowance, first)
    while begin < end:
        until = _years_after(begin, allowance.years, allowance.first.day)
        found.append((begin, min(until, end), until <= end))
        begin = until
    return tuple(found)


def account(
    allowance: Allowance, terms: Sequence[tuple[date, date, bool]], used: Sequence[Used | None]
) -> tuple[Term, ...]:
    """Consecutive terms, the oldest first: what each may use, and what is left. What was carried is used first."""
    found: list[Term] = []
    stock: list[tuple[int, Fraction]] = []  # (terms that it lasts, m3), the oldest first
    for (begin, end, whole), volume in zip(terms, used, strict=True):
        carried = sum((m3 for _, m3 in stock), Fraction(0))
        found.append(Term(begin, end, allowance.amount_m3, carried, volume, whole))
        stock = _carried_on(allowance, stock, volume if whole else None)
    return tuple(found)


def _carried_on(
    allowance: Allowance, stock: list[tuple[int, Fraction]], used: Used | None
) -> list[tuple[int, Fraction]]:
    """What goes over into the next term. Of a term whose use is not known, nothing is known to be left."""
    if used is None:
        return []
    rest = used.m3
    left: list[tuple[int, Fraction]] = []
    for lasts, m3 in [*stock, (allowance.carried_terms + 1, allowance.amount_m3)]:
        taken = min(rest, m3)
        rest -= taken
        if lasts > 1 and m3 > taken:
            left.append((lasts - 1, m3 - taken))
    return _at_most(left, allowance.carried_most_m3)


def _at_most(stock: list[tuple[int, Fraction]], most: Fraction) -> list[tuple[int, Fraction]]:
    """The youngest are kept, as they last longest."""
    kept: list[tuple[int, Fraction]] = []
    for lasts, m3 in reversed(stock):
        part = min(m3, most - sum((one for _, one in kept), Fraction(0)))
        if part > 0:
            kept.insert(0, (lasts, part))
    return kept


def _first_from(allowance: Allowance, day: date) -> date:
    """The first term that begins on this day or later."""
    begin = allowance.first
    while begin < day:
        begin = _years_after(begin, allowance.years, allowance.first.day)
    while (earlier := _years_after(begin, -allowance.years, allowance.first.day)) >= day:
        begin = earlier
    return begin


def _years_after(begin: date, years: int, day: int) -> date:
    """The same day so many years on; 29 February is 1 March where there is none."""
    month = begin.month
    if (begin.month, begin.day) == (3, 1) and day == 29:
        month, begin = 2, begin.replace(month=2, day=28)
    try:
        return date(begin.year + years, month, day)
    except ValueError:
        return date(begin.year + years, 3, 1)


def out_of_scale(year_m3: Fraction, authorised_m3: Fraction) -> Fraction | None:
    """By what factor a year's volume lies over (above 1) or under (below 1) the authorised amount, where that is so far
    that a unit was likely mistaken; None otherwise, and for a volume of zero.

    The limits are those by which California's water right reports are screened: 10 times above 100 acre-feet, 100 times
    above 10, 1,000 times below.
    """
    if not year_m3 or not authorised_m3:
        return None
    ratio = abs(year_m3) / authorised_m3
    limit = 10 if authorised_m3 > 100 * ACRE_FOOT else 100 if authorised_m3 > 10 * ACRE_FOOT else 1000
    return ratio if ratio >= limit or ratio * limit <= 1 else None

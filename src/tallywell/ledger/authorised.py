"""What a permit leaves: amounts for one or several years, what may be carried over, and volumes no permit would give.

All amounts are exact cubic metres. A term is the consecutive years that one amount is for. What a term leaves unused is
carried into the following years as far as the rule allows. What was carried is used before the year's own, the oldest
first, since it lapses first.

The more was used, the less is left, this year and in every later one. So the bounds of what is left follow from the
bounds of what was used, taken all low and all high; of an unknown year nothing or everything may have been used.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from tallywell.readings.units import VOLUMES

NOTHING = Fraction(0)
SCREEN_SOURCE = "the ratios by which California's water rights reports are screened for errors of the unit"
# An amount above so many acre-feet, and the ratio over or under it that is more likely a wrong unit than water.
_SCREEN = ((100, 10), (10, 100), (0, 1000))


@dataclass(frozen=True, slots=True)
class Bounded:
    """A volume and its bounds. `m3` None: unknown; `low_m3` or `high_m3` None: no such bound is known."""

    m3: Fraction | None
    low_m3: Fraction | None
    high_m3: Fraction | None


UNKNOWN = Bounded(None, None, None)


@dataclass(frozen=True, slots=True)
class Authorised:
    """`amount_m3` for each term of `years` years. Of what a term leaves, at most `carry_m3` is carried, into the
    `carry_years` years after it.
    """

    amount_m3: Fraction
    years: int = 1
    carry_m3: Fraction = NOTHING
    carry_years: int = 0

    def __post_init__(self) -> None:
        if self.years < 1 or self.carry_years < 0 or self.amount_m3 < 0 or self.carry_m3 < 0:
            raise ValueError(f"an amount is for one year or more, and nothing of it is below 0: {self}")


@dataclass(frozen=True, slots=True)
class YearLine:
    """One year. `available`: what might be used when it began, with the rest of its term; `carried`: the part of that
    which earlier terms left. `left`: available less used, below 0 where more was used.
    """

    carried: Bounded
    available: Bounded
    used: Bounded
    left: Bounded


def years_of(rule: Authorised, used: Sequence[Bounded]) -> tuple[YearLine, ...]:
    """Consecutive years, the first of them the first of a term before which nothing was carried."""
    least = _course(rule, [NOTHING if one.low_m3 is None else one.low_m3 for one in used])
    most = _course(rule, [one.high_m3 for one in used])
    known = next((k for k, one in enumerate(used) if one.m3 is None), len(used))
    stated = _course(rule, [one.m3 for one in used])
    lines = []
    for k, one in enumerate(used):
        at = zip(stated[k], most[k], least[k], strict=True)
        carried, available = (_bounded(m3 if k <= known else None, low, high) for m3, low, high in at)
        lines.append(YearLine(carried, available, one, _less(available, one)))
    return tuple(lines)


def _bounded(m3: Fraction | None, low: Fraction, high: Fraction) -> Bounded:
    """Unknown years that make no difference any more leave it known."""
    return Bounded(low if low == high else m3, low, high)


def _less(available: Bounded, used: Bounded) -> Bounded:
    """Both depend on no common year: what was available follows from the years before."""
    return Bounded(
        _difference(available.m3, used.m3),
        _difference(available.low_m3, used.high_m3),
        _difference(available.high_m3, NOTHING if used.low_m3 is None else used.low_m3),
    )


def _difference(one: Fraction | None, other: Fraction | None) -> Fraction | None:
    return None if one is None or other is None else one - other


@dataclass(slots=True)
class _Lot:
    """What one term left, and the last year (counted from 0) in which it may be used."""

    m3: Fraction
    last: int


@dataclass(slots=True)
class _Account:
    """What may be used, from year to year."""

    rule: Authorised
    own: Fraction = NOTHING
    lots: list[_Lot] = field(default_factory=list)

    def begin(self, year: int) -> tuple[Fraction, Fraction]:
        """Carried, and available in all, when a year begins."""
        if year % self.rule.years == 0:
            if year:
                self.lots.append(_Lot(min(self.own, self.rule.carry_m3), year - 1 + self.rule.carry_years))
            self.own = self.rule.amount_m3
        self.lots = [lot for lot in self.lots if lot.last >= year and lot.m3]
        carried = sum((lot.m3 for lot in self.lots), NOTHING)
        return carried, carried + self.own

    def use(self, m3: Fraction | None) -> None:
        """None: all of it."""
        rest = m3
        for lot in self.lots:
            taken = lot.m3 if rest is None else min(lot.m3, max(NOTHING, rest))
            lot.m3 -= taken
            rest = None if rest is None else rest - taken
        self.own = NOTHING if rest is None else max(NOTHING, self.own - max(NOTHING, rest))


def _course(rule: Authorised, used: Iterable[Fraction | None]) -> list[tuple[Fraction, Fraction]]:
    account, course = _Account(rule), []
    for year, m3 in enumerate(used):
        course.append(account.begin(year))
        account.use(m3)
    return course


def weighted(volumes: Iterable[tuple[Bounded, Fraction]]) -> Bounded:
    """The sum of volumes times their shares, exact: of a well over its points, say. Unknown where one of them is."""
    m3, low, high = NOTHING, NOTHING, NOTHING
    whole: list[bool] = [True, True, True]
    for volume, share in volumes:
        for k, one in enumerate((volume.m3, volume.low_m3, volume.high_m3)):
            whole[k] = whole[k] and one is not None
        m3 += share * (volume.m3 or 0)
        low += share * (volume.low_m3 or 0)
        high += share * (volume.high_m3 or 0)
    return Bounded(m3 if whole[0] else None, low if whole[1] else None, high if whole[2] else None)


@dataclass(frozen=True, slots=True)
class Unlikely:
    """A year's volume so far from the authorised amount that the unit is more likely wrong. `ratio`: volume by amount;
    `beyond`: the ratio, over or under, from which on that is said.
    """

    ratio: Fraction
    beyond: int
    source: str = SCREEN_SOURCE

    @property
    def over(self) -> bool:
        return self.ratio > 1


def screened(volume_m3: Fraction, authorised_m3: Fraction) -> Unlikely | None:
    """What is to be asked of a year's volume; None where nothing is. No water at all is no slip of a unit."""
    if volume_m3 <= 0 or authorised_m3 <= 0:
        return None
    beyond = next(ratio for above, ratio in _SCREEN if authorised_m3 > above * VOLUMES["acre_foot"])
    ratio = volume_m3 / authorised_m3
    return Unlikely(ratio, beyond) if ratio > beyond or ratio < Fraction(1, beyond) else None

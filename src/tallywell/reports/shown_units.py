"""Which unit a report prints, with how many decimals, and the factor in words. Exact inside; rounded only as text."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.units import FLOWS, VOLUMES
from tallywell.reports.decimals import decimal

WORDS = {
    "acre_foot": "acre-feet",
    "acre_inch": "acre-inches",
    "gal": "US gal",
    "kgal": "thousand US gal",
    "Mgal": "million US gal",
    "imperial_gal": "imperial gal",
    "acre_foot/day": "acre-feet/day",
    "gal/h": "US gal/h",
    "gal/day": "US gal/day",
    "Mgal/day": "million US gal/day",
    "imperial_gal/min": "imperial gal/min",
}
_ONE = {"acre_foot": "1 acre-foot", "acre_inch": "1 acre-inch", "kgal": "1,000 US gal", "Mgal": "1,000,000 US gal"}

# The most decimals that a form has a use for; the count's own volume often needs fewer.
_MOST_PLACES = {"acre_foot": 3, "acre_inch": 2, "m3": 3, "ML": 6, "kgal": 3, "Mgal": 6, "ft3": 1, "L": 0}
_DEFINED = {
    "acre_foot": "43,560 ft3 exactly",
    "acre_inch": "3,630 ft3 exactly",
    "gal": "231 cubic inches exactly",
    "kgal": "231,000 cubic inches exactly",
    "Mgal": "231,000,000 cubic inches exactly",
    "imperial_gal": "4.54609 L exactly",
    "ft3": "0.3048^3 m3 exactly",
    "m3": "1,000 L exactly",
    "L": "0.001 m3 exactly",
    "ML": "1,000 m3 exactly",
}
_RATE_BESIDE = {"m3": "m3/h", "L": "L/min", "ML": "ML/day", "ft3": "cfs", "imperial_gal": "imperial_gal/min"}
_RATE_PLACES = {"gpm": 1, "m3/h": 2, "L/s": 2, "L/min": 1, "L/h": 0, "cfs": 4, "m3/s": 5}


@dataclass(frozen=True, slots=True)
class VolumeUnit:
    """A unit of volume with the decimals that it is printed with."""

    name: str
    places: int

    @property
    def m3(self) -> Fraction:
        return VOLUMES[self.name]

    @property
    def words(self) -> str:
        return WORDS.get(self.name, self.name)

    def number(self, m3: Fraction, *, grouped: bool = True) -> str:
        return decimal(m3 / self.m3, self.places, grouped=grouped)

    def text(self, m3: Fraction) -> str:
        """ "92.545 acre-feet"."""
        return f"{self.number(m3)} {self.words}"


@dataclass(frozen=True, slots=True)
class RateUnit:
    """A unit of flow, likewise."""

    name: str

    @property
    def words(self) -> str:
        return WORDS.get(self.name, self.name)

    @property
    def places(self) -> int:
        return _RATE_PLACES.get(self.name, 3)

    def number(self, m3s: Fraction, *, grouped: bool = True) -> str:
        return decimal(m3s / FLOWS[self.name], self.places, grouped=grouped)

    def text(self, m3s: Fraction) -> str:
        return f"{self.number(m3s)} {self.words}"


def volume_unit(name: str, counts_m3: Iterable[Fraction]) -> VolumeUnit:
    """`name` with as many decimals as one count needs (one more place never tells more), within what forms use."""
    most = _MOST_PLACES.get(name, 0)
    return VolumeUnit(name, max((_needed(count / VOLUMES[name], most) for count in counts_m3), default=most))


def rate_unit(volume: str, of_the_map: str | None) -> RateUnit:
    """The unit of flow beside a volume: the one that the meter's own map speaks in, else the customary one."""
    if of_the_map in FLOWS:
        return RateUnit(of_the_map)
    return RateUnit(_RATE_BESIDE.get(volume, "gpm"))


def factor(name: str) -> str:
    """ "1 acre-foot = 43,560 ft3 exactly, rounded 325,851.4286 US gal": the factor used, for the foot of a report."""
    other = "m3" if name in ("gal", "kgal", "Mgal", "ft3") else "gal"
    beside = decimal(VOLUMES[name] / VOLUMES[other], 4 if VOLUMES[name] > VOLUMES[other] else 9)
    return (
        f"{_ONE.get(name, f'1 {WORDS.get(name, name)}')} = {_DEFINED[name]}, rounded {beside} {WORDS.get(other, other)}"
    )


def _needed(one_count: Fraction, most: int) -> int:
    """The fewest decimals in which one count is exact or, where it never is, smaller than its own last place."""
    for places in range(most):
        if (one_count * 10**places).denominator == 1:
            return places
    return most

"""Factors by which a total and the flow rate beside it differ where a map, a manual or a setting is wrong by a unit.

Each ratio is what the map makes of the total, over what the flow rate says: above 1 the books count too much, or the
flow rate is taken for too little. All exact, from the units' definitions.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import permutations

from tallywell.readings.units import FLOWS, VOLUMES


@dataclass(frozen=True, slots=True)
class Factor:
    """`ratio`: counted over flowed. `name`: what was taken for what, as a part of a sentence."""

    name: str
    ratio: Fraction


_WORDS = {
    "gal": "US gallons",
    "imperial_gal": "imperial gallons",
    "L": "litres",
    "ft3": "cubic feet",
    "m3": "cubic metres",
    "acre_foot": "acre-feet",
    "acre_inch": "acre-inches",
    "Mgal": "millions of US gallons",
    "gpm": "gpm",
    "cfs": "cfs",
    "L/s": "L/s",
    "m3/h": "m3/h",
}
# Pairs that stand beside one another on faces, in menus and in manuals (common practice, no source).
_VOLUMES_MISTAKEN = (
    ("gal", "ft3"),
    ("gal", "m3"),
    ("gal", "L"),
    ("gal", "imperial_gal"),
    ("acre_foot", "acre_inch"),
    ("acre_foot", "Mgal"),
    ("m3", "ft3"),
)
_FLOWS_MISTAKEN = ("gpm", "cfs", "L/s", "m3/h")


def factors(multiplier: Fraction | None = None, face: Fraction | None = None) -> tuple[Factor, ...]:
    """All of them. `multiplier`: the number in the total's one_count (100 of "100 gal"), where that is not 1; `face`:
    one step of the face in counts of the register, where that is not 1.
    """
    own: list[Factor] = []
    if multiplier not in (None, 1):
        assert multiplier is not None
        own += _both("the multiplier of the total counted twice", "the multiplier of the total left out", multiplier)
    if face not in (None, 1):
        assert face is not None
        own += _both("the step of the face taken for the register's", "the register's step taken for the face's", face)
    return (*own, *TABLE)


def _both(great: str, small: str, ratio: Fraction) -> list[Factor]:
    return [Factor(great, ratio), Factor(small, 1 / ratio)]


def _table() -> Iterator[Factor]:
    for zeros, many in ((1, "one fixed zero"), (2, "two fixed zeros"), (3, "three fixed zeros")):
        times = Fraction(10**zeros)
        yield Factor(f"a multiplier {times} times too great, or {many} too many", times)
        yield Factor(f"a multiplier {times} times too small, or {many} dropped", 1 / times)
    for pair in _VOLUMES_MISTAKEN:
        for wrong, right in permutations(pair):
            name = f"a total in {_WORDS[right]} taken for {_WORDS[wrong]}"
            yield Factor(name, VOLUMES[wrong] / VOLUMES[right])
    for wrong, right in permutations(_FLOWS_MISTAKEN, 2):
        name = f"a flow rate in {_WORDS[right]} taken for {_WORDS[wrong]}"
        yield Factor(name, FLOWS[right] / FLOWS[wrong])


TABLE = tuple(_table())

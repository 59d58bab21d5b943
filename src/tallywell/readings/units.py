"""Units, exact. Everything is a Fraction of cubic metres, metres and seconds; numbers are read from text, never floats.

Definitions: the international foot and inch are 0.3048 m and 0.0254 m; the US gallon is 231 cubic inches; an acre-foot
is 43,560 cubic feet (NIST SP 811, appendix B; the US survey foot is retired since 2023-01-01, Federal Register
2020-21902). The imperial gallon, 4.54609 L, is from memory (UK Weights and Measures Act 1985).
"""

import re
from dataclasses import dataclass
from fractions import Fraction

FOOT_M = Fraction("0.3048")
INCH_M = Fraction("0.0254")
FT3 = FOOT_M**3
GALLON = 231 * INCH_M**3
MINUTE, HOUR, DAY = 60, 3600, 86400

VOLUMES: dict[str, Fraction] = {
    "m3": Fraction(1),
    "L": Fraction(1, 1000),
    "ML": Fraction(1000),
    "gal": GALLON,
    "kgal": GALLON * 1000,
    "Mgal": GALLON * 1_000_000,
    "imperial_gal": Fraction("0.00454609"),
    "ft3": FT3,
    "acre_foot": 43560 * FT3,
    "acre_inch": 3630 * FT3,
}
FLOWS: dict[str, Fraction] = {
    "m3/s": Fraction(1),
    "m3/h": Fraction(1, HOUR),
    "m3/day": Fraction(1, DAY),
    "L/s": Fraction(1, 1000),
    "L/min": Fraction(1, 1000 * MINUTE),
    "L/h": Fraction(1, 1000 * HOUR),
    "ML/day": Fraction(1000, DAY),
    "gpm": GALLON / MINUTE,
    "gal/h": GALLON / HOUR,
    "gal/day": GALLON / DAY,
    "Mgal/day": GALLON * 1_000_000 / DAY,
    "imperial_gal/min": VOLUMES["imperial_gal"] / MINUTE,
    "cfs": FT3,
    "ft3/min": FT3 / MINUTE,
    "acre_foot/day": VOLUMES["acre_foot"] / DAY,
}
LENGTHS: dict[str, Fraction] = {
    "m": Fraction(1),
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "in": INCH_M,
    "ft": FOOT_M,
}
DURATIONS: dict[str, Fraction] = {
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(MINUTE),
    "h": Fraction(HOUR),
    "day": Fraction(DAY),
}
KINDS: dict[str, dict[str, Fraction]] = {
    "volume": VOLUMES,
    "flow rate": FLOWS,
    "length": LENGTHS,
    "duration": DURATIONS,
}

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?\Z")
_WITH_UNIT = re.compile(r"\s*([+-]?[0-9.,_eE+-]*[0-9.])\s*([A-Za-z_]\S*)\s*\Z")


@dataclass(frozen=True, slots=True)
class Measure:
    """A number with its unit as the user wrote them. `si` is the exact value in m3, m3/s, m or s."""

    number: Fraction
    unit: str
    si: Fraction


def number(text: str) -> Fraction:
    """The exact value of a decimal number as people write it ("1,200.5", "1_200"); ValueError says what is wrong."""
    bare = re.sub(r"(?<=[0-9])[,_](?=[0-9]{3})", "", text.strip())
    if not _NUMBER.match(bare):
        raise ValueError(f"{text.strip()!r} is not a decimal number")
    return Fraction(bare)


def measure(text: str, kind: str) -> Measure:
    """Read "100 gal" as a measure of a kind in KINDS ("volume", "flow rate"...). ValueError says what is wrong."""
    units = KINDS[kind]
    found = _WITH_UNIT.match(text)
    if not found:
        raise ValueError(f"{text!r} is not a number with a unit, such as {_example(kind)}")
    value, unit = number(found[1]), found[2]
    if unit not in units:
        raise ValueError(_unknown_unit(unit, kind))
    return Measure(value, unit, value * units[unit])


def _example(kind: str) -> str:
    return {"volume": '"100 gal"', "flow rate": '"20 gpm"', "length": '"8 in"', "duration": '"1 min"'}[kind]


def _unknown_unit(unit: str, kind: str) -> str:
    for other, units in KINDS.items():
        if unit in units:
            return f"{unit!r} is a {other}, not a {kind}"
    return f"{unit!r} is no unit of {kind} known here; known are {', '.join(KINDS[kind])}"

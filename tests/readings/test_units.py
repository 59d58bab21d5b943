"""Exact units, against published check values and against another library's table (pint)."""

from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.units import DURATIONS, FLOWS, KINDS, LENGTHS, VOLUMES, Measure, measure, number

ACRE_M2 = VOLUMES["acre_foot"] / LENGTHS["ft"]  # an acre-foot is an acre, one foot deep


def rounded(value: Fraction, places: int) -> str:
    return f"{float(round(value, places)):.{places}f}"


@pytest.mark.parametrize(
    ("value", "places", "expected", "source"),
    [
        (VOLUMES["acre_foot"] / VOLUMES["gal"], 0, "325851", "USGS, water-use unit conversion page"),
        (VOLUMES["acre_foot"] / VOLUMES["gal"], 4, "325851.4286", "USGS value to more places, from the definitions"),
        (VOLUMES["acre_foot"], 11, "1233.48183754752", "definitions of NIST SP 811, appendix B"),
        (FLOWS["cfs"] / FLOWS["gpm"], 2, "448.83", "Idaho Department of Water Resources, conversion table"),
        (FLOWS["cfs"] / FLOWS["gpm"], 4, "448.8312", "the same to more places, from the definitions"),
        (FLOWS["cfs"] * 86400 / VOLUMES["acre_foot"], 4, "1.9835", "Idaho Department of Water Resources"),
        (FLOWS["cfs"] / FLOWS["acre_foot/day"], 5, "1.98347", "240/121, from the definitions"),
        (VOLUMES["acre_inch"] / VOLUMES["gal"], 0, "27154", "Central Platte Natural Resources District"),
        (VOLUMES["acre_inch"] / VOLUMES["gal"], 3, "27154.286", "Upper Niobrara White Natural Resources District"),
        (1857030 * VOLUMES["gal"] / VOLUMES["acre_foot"], 3, "5.699", "Edwards Aquifer Authority, report your usage"),
        (9568500 * VOLUMES["gal"] / VOLUMES["acre_inch"], 2, "352.38", "Upper Niobrara White NRD"),
        (9568500 * VOLUMES["gal"] / (125 * ACRE_M2) / LENGTHS["in"], 2, "2.82", "Upper Niobrara White NRD"),
        (Fraction("6.426") * VOLUMES["acre_foot"] / VOLUMES["acre_inch"], 3, "77.112", "Upper Niobrara White NRD"),
        (Fraction("77.112") * VOLUMES["acre_inch"] / (64 * ACRE_M2) / LENGTHS["in"], 2, "1.20", "Upper Niobrara White"),
        (VOLUMES["Mgal"] / VOLUMES["acre_foot"], 5, "3.06888", "OAS unit annex"),
        (VOLUMES["ML"] / VOLUMES["acre_foot"], 7, "0.8107132", "from the definitions"),
        (FLOWS["gpm"] / FLOWS["cfs"], 10, "0.0022280093", "from the definitions"),
        (140 * FLOWS["Mgal/day"] / FLOWS["cfs"], 2, "216.61", "from the definitions; a printed 217 is rounded"),
    ],
)
def test_published_values(value: Fraction, places: int, expected: str, source: str) -> None:
    assert rounded(value, places) == expected, source


def test_a_dial_with_fixed_zeros_or_decimals() -> None:
    """Water measurement page of a mutual irrigation company (MVIC), and the Upper Niobrara White NRD."""
    assert 92545 * measure("100 gal", "volume").si == 9_254_500 * VOLUMES["gal"]
    assert 92545 * measure("0.001 acre_foot", "volume").si == Fraction("92.545") * VOLUMES["acre_foot"]
    assert 890572 * measure("100 gal", "volume").si == 89_057_200 * VOLUMES["gal"]


def test_factors_are_exact() -> None:
    assert VOLUMES["gal"] == Fraction("0.003785411784")  # 231 cubic inches (NIST SP 811, B.6 footnote)
    assert VOLUMES["ft3"] / VOLUMES["gal"] == Fraction(576, 77)
    assert FLOWS["cfs"] / FLOWS["acre_foot/day"] == Fraction(240, 121)
    assert VOLUMES["acre_foot"] / VOLUMES["gal"] == Fraction(43560 * 576, 77)
    assert VOLUMES["acre_foot"] != 325_851 * VOLUMES["gal"]  # published factors are rounded; ours is not
    assert all(isinstance(size, Fraction) for units in KINDS.values() for size in units.values())


PINT = {
    "m3": "meter**3",
    "L": "liter",
    "ML": "megaliter",
    "gal": "gallon",
    "kgal": "kilogallon",
    "Mgal": "megagallon",
    "imperial_gal": "imperial_gallon",
    "ft3": "international_foot**3",
    "acre_foot": "43560 * international_foot**3",  # pint's own acre is the survey acre
    "acre_inch": "43560 * international_foot**2 * international_inch",
    "m3/s": "meter**3/second",
    "m3/h": "meter**3/hour",
    "m3/day": "meter**3/day",
    "L/s": "liter/second",
    "L/min": "liter/minute",
    "L/h": "liter/hour",
    "ML/day": "megaliter/day",
    "gpm": "gallon/minute",
    "gal/h": "gallon/hour",
    "gal/day": "gallon/day",
    "Mgal/day": "megagallon/day",
    "imperial_gal/min": "imperial_gallon/minute",
    "cfs": "international_foot**3/second",
    "ft3/min": "international_foot**3/minute",
    "acre_foot/day": "43560 * international_foot**3/day",
    "m": "meter",
    "mm": "millimeter",
    "cm": "centimeter",
    "in": "inch",
    "ft": "foot",
    "ms": "millisecond",
    "s": "second",
    "min": "minute",
    "h": "hour",
    "day": "day",
}
BASE = {"volume": "meter**3", "flow rate": "meter**3/second", "length": "meter", "duration": "second"}


def test_every_unit_is_that_of_another_library() -> None:
    registry: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction)
    theirs = {
        name: Fraction(registry.parse_expression(PINT[name]).to(BASE[kind]).magnitude)
        for kind, units in KINDS.items()
        for name in units
    }
    assert theirs == {**VOLUMES, **FLOWS, **LENGTHS, **DURATIONS}
    assert theirs.keys() == PINT.keys()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1,200.5", "1200.5"),
        ("1_200", "1200"),
        (" 7 ", "7"),
        (".5", "0.5"),
        ("5.", "5"),
        ("-1e3", "-1000"),
        ("+2", "2"),
    ],
)
def test_numbers_as_people_write_them(text: str, value: str) -> None:
    assert number(text) == Fraction(value)


@pytest.mark.parametrize("text", ["", "gal", "1,20", "1.2.3", "0x10", "1e9999", "nan", "inf", "1/3", "--1", "1 2"])
def test_what_is_no_number_is_said_so(text: str) -> None:
    with pytest.raises(ValueError, match="not a decimal number"):
        number(text)


def test_a_measure_keeps_what_was_written() -> None:
    assert measure("20 gpm", "flow rate") == Measure(Fraction(20), "gpm", 20 * FLOWS["gpm"])
    assert measure("0.001acre_foot", "volume").si == VOLUMES["acre_foot"] / 1000
    assert measure("15 min", "duration").si == 900
    assert measure("8 in", "length").si == Fraction("0.2032")


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("100", "volume", r'not a number with a unit, such as "100 gal"'),
        ("gal", "volume", "not a number with a unit"),
        ("100 gpm", "volume", "'gpm' is a flow rate, not a volume"),
        ("8 in", "duration", "'in' is a length, not a duration"),
        ("3 furlong", "length", "'furlong' is no unit of length known here; known are m, mm"),
        ("1.2.3 gal", "volume", "not a decimal number"),
        ("", "flow rate", r'such as "20 gpm"'),
    ],
)
def test_what_is_no_measure_is_said_so(text: str, kind: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        measure(text, kind)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-(10**9), max_value=10**9))
def test_a_number_is_its_own_text(value: object) -> None:
    assert number(f"{value:f}") == Fraction(f"{value:f}")

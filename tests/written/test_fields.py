"""What each kind of field takes, and what it says to the rest."""

from datetime import date
from enum import StrEnum
from fractions import Fraction

import pytest
from pydantic_core import PydanticCustomError

from tallywell.written import fields


def refused(accept: object, value: object) -> str:
    """What a refusal says, and what it advises."""
    assert callable(accept)
    with pytest.raises(PydanticCustomError) as refusal:
        accept(value)
    said = refusal.value.context or {}
    return f"{said['what']}; {said['do']}".removesuffix("; ")


@pytest.mark.parametrize(
    ("written", "number"), [("8", 8), ("-1", -1), ("1,000", 1000), ("1_000_000", 1_000_000), ("0", 0), ("+5", 5)]
)
def test_whole_numbers(written: str, number: int) -> None:
    assert fields.integer(written) == number


@pytest.mark.parametrize("written", ["1:30", "12e3", "0x1F", "8.0", "1,00", "", "eight", "1 000", "\u0663", "9" * 50])
def test_what_is_no_whole_number(written: str) -> None:
    assert refused(fields.integer, written)


def test_a_leading_zero_is_refused_since_it_is_octal_to_some() -> None:
    """YAML 1.1 type repository, int: 010 is 8; YAML 1.2: it is 10."""
    assert refused(fields.integer, "010") == 'must be a whole number without leading zeros; write "10"'


def test_hexadecimal_only_where_it_is_taken() -> None:
    assert fields.whole(0, 65535, hexadecimal=True)("0xFF") == 255
    assert refused(fields.whole(0, 9), "10") == "must be a whole number from 0 to 9"


@pytest.mark.parametrize(("written", "found"), [("yes", True), ("No", False), ("true", True), ("false", False)])
def test_yes_and_no(written: str, found: bool) -> None:
    assert fields.yes_or_no(written) is found
    assert fields.yes_no_or_unknown(written) is found


def test_unknown_is_an_answer_only_where_it_is_taken() -> None:
    assert fields.yes_no_or_unknown("unknown") is None
    assert refused(fields.yes_or_no, "unknown") == "must be yes or no"
    assert refused(fields.yes_no_or_unknown, "y") == "must be yes, no or unknown"


@pytest.mark.parametrize(
    ("written", "share"),
    [
        ("1", Fraction(1)),
        ("1/3", Fraction(1, 3)),
        ("0.25", Fraction(1, 4)),
        ("25 %", Fraction(1, 4)),
        ("33.3%", Fraction(333, 1000)),
    ],
)
def test_shares_are_exact(written: str, share: Fraction) -> None:
    assert fields.share(written) == share


@pytest.mark.parametrize("written", ["0", "1.5", "-1/3", "1/0", "4/3", "a third", "0/1", "120 %"])
def test_what_is_no_share(written: str) -> None:
    assert refused(fields.share, written).startswith("must be a share")


@pytest.mark.parametrize(
    ("written", "kind", "advice"),
    [
        ("100 gpm", "volume", 'did you mean "100 gal"?'),
        ("20 GPM", "flow rate", 'did you mean "20 gpm"?'),
        ("420 acre-feet", "volume", 'did you mean "420 acre_foot"?'),
        ("420 ac-ft", "volume", 'did you mean "420 acre_foot"?'),
        ("5 m3/h", "volume", 'did you mean "5 m3"?'),
        ("1 minute", "duration", 'did you mean "1 min"?'),
        ("8 inches", "length", 'did you mean "8 in"?'),
        ("8", "length", "add a unit: m, mm, cm, in, ft"),
        ("20 l/s", "flow rate", 'did you mean "20 L/s"?'),
        ("10 m³", "volume", 'did you mean "10 m3"?'),
        ("10 US gal", "volume", 'did you mean "10 gal"?'),
        ("10 cubic meters", "volume", 'did you mean "10 m3"?'),
        ("10 cu ft", "volume", 'did you mean "10 ft3"?'),
        ("20 US gpm", "flow rate", 'did you mean "20 gpm"?'),
        ("20 m³/hr", "flow rate", 'did you mean "20 m3/h"?'),
        ("20 liters per second", "flow rate", 'did you mean "20 L/s"?'),
        ("20 gallons/minute", "flow rate", 'did you mean "20 gpm"?'),
    ],
)
def test_units_as_people_write_them_get_a_suggestion(written: str, kind: str, advice: str) -> None:
    assert refused(fields.measured(kind), written) == f"must be a {kind}; {advice}"


def test_a_millilitre_is_not_taken_for_a_megalitre() -> None:
    assert "did you mean" not in refused(fields.measured("volume"), "5 mL")
    assert "did you mean" not in refused(fields.measured("flow rate"), "5 ml/day")


def test_no_other_volume_is_suggested_for_a_flow_rate() -> None:
    """Megalitres an hour are none of the known flow rates, and litres an hour are something else."""
    assert "did you mean" not in refused(fields.measured("flow rate"), "5 ML/h")


def test_the_ends_of_a_measure_are_named() -> None:
    accept = fields.measured("duration", least="1 s", greatest="31 day")
    assert accept("1 s").si == 1
    assert refused(accept, "999 ms") == "must be a duration, from 1 s to 31 day"
    assert refused(fields.measured("volume", above=Fraction(0)), "0 gal") == "must be a volume above 0"


def test_dates_exist() -> None:
    assert fields.day("2024-02-29") == date(2024, 2, 29)
    assert refused(fields.day, "2025-02-29").startswith("must be a date that exists")
    assert refused(fields.day, "20250228").startswith("must be a date that exists")
    assert fields.month_and_day("10-01") == (10, 1)
    assert refused(fields.month_and_day, "02-29").startswith("must be a month and day of every year")


class Fruit(StrEnum):
    PEAR = "pear"
    QUINCE = "quince"


def test_one_word_of_several() -> None:
    assert fields.chosen(Fruit)("pear") is Fruit.PEAR
    assert refused(fields.chosen(Fruit), "pears") == 'must be one of pear, quince; did you mean "pear"?'


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (None, "needs a value; write one after the colon, or remove the key"),
        ({"a": "b"}, "must be a single value, not a group of keys"),
        (["a"], "must be a single value, not a list"),
    ],
)
def test_what_is_no_single_value(value: object, says: str) -> None:
    assert refused(fields.text, value) == says


def test_suggestions_look_past_capitals() -> None:
    assert fields.suggestion("Baud", ["port", "baud"]) == 'did you mean "baud"?'
    assert fields.suggestion("xyz", ["port", "baud"]) == "known are port, baud"
    assert fields.suggestion("xyz", []) == ""


def test_of_two_that_are_as_near_the_first_is_suggested() -> None:
    assert fields.suggestion("float", ["int16", "float32", "float64"]) == 'did you mean "float32"?'

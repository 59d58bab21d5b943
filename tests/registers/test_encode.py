"""What a type cannot hold, and what is no number."""

from fractions import Fraction

import pytest

from tallywell.registers.encode import encode
from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Table, ValueType

LEVEL = Quantity("level", Kind.OTHER, Table.INPUT, 0, ValueType.UINT16, unit="m", step=Fraction("0.01"))
HEAD = Quantity("head", Kind.OTHER, Table.INPUT, 1, ValueType.FLOAT32, unit="m")
MAP = RegisterMap("bench", 1, {"level": LEVEL, "head": HEAD})


def test_to_the_nearest_half_to_even() -> None:
    assert encode(MAP, "level", Fraction("1.005")) == (100).to_bytes(2, "big")
    assert encode(MAP, "level", Fraction("1.015")) == (102).to_bytes(2, "big")
    assert encode(MAP, "head", 100) == bytes.fromhex("42c80000")  # IEEE 754 binary32 of 100.0


def test_no_number_goes_into_a_float_as_such() -> None:
    assert encode(MAP, "head", float("nan")) == bytes.fromhex("7fc00000")
    assert encode(MAP, "head", float("-inf")) == bytes.fromhex("ff800000")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 700, -1])
def test_what_an_integer_cannot_hold_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match=r"uint16"):
        encode(MAP, "level", value)

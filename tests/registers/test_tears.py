"""Where totals can tear."""

from fractions import Fraction

import pytest

from tallywell.readings.units import measure
from tallywell.registers.quantity import Factor, Kind, LowPart, Quantity, Table, ValueType
from tallywell.registers.tears import tears


def total(type_: ValueType, length: int | None = None, low: LowPart | None = None, *, scaled: bool = False) -> Quantity:
    factor = Factor("exponent", exponent=True, least=Fraction(1)) if scaled else None
    return Quantity(
        "forward_total", Kind.TOTAL, Table.INPUT, 0, type_, one_count=measure("1 L", "volume"), capacity=10**8,
        length=length, low_part=low, factor=factor,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "spans"),
    [
        (total(ValueType.UINT16), ()),
        (total(ValueType.UINT32), (65_536,)),
        (total(ValueType.INT64), (65_536,)),
        (total(ValueType.BCD, 2), (10_000,)),
        (total(ValueType.MODULO_10000, 3), (10_000,)),
        (total(ValueType.FLOAT32), ()),
        (total(ValueType.UINT32, scaled=True), ()),
        (total(ValueType.UINT16, low=LowPart(1, ValueType.UINT16, 1000)), (1000,)),
        (total(ValueType.UINT32, low=LowPart(2, ValueType.FLOAT32, 1000)), (1000, 65_536_000)),
        (total(ValueType.UINT16, low=LowPart(1, ValueType.UINT32, 10**8)), (65_536, 10**8)),
    ],
)
def test_by_what_a_torn_total_is_wrong(quantity: Quantity, spans: tuple[int, ...]) -> None:
    assert tears(quantity) == spans

"""Invented meters for the simulator's tests, as values: what a map's text says is tested elsewhere."""

from fractions import Fraction

import pytest

from tallywell.readings.units import measure
from tallywell.registers.quantity import (
    Bit,
    ByteOrder,
    Direction,
    Kind,
    Limits,
    Quantity,
    RegisterMap,
    Table,
    ValueType,
    WordOrder,
)
from tallywell.simulator.profile import Piece, Profile

START = 1_772_348_400_000


def total(name: str, table: Table, register: int, number: ValueType, one_count: str, **more: object) -> Quantity:
    count = measure(one_count, "volume")
    capacity = 10**8
    return Quantity(
        name,
        Kind.TOTAL,
        table,
        register,
        number,
        unit=count.unit,
        one_count=count,
        capacity=capacity,
        **more,  # type: ignore[arg-type] # names of fields
    )


def flow(table: Table, register: int, number: ValueType, unit: str, **more: object) -> Quantity:
    si = measure(f"1 {unit}", "flow rate").si
    return Quantity("flow_rate", Kind.FLOW, table, register, number, unit=unit, si_per_unit=si, **more)  # type: ignore[arg-type] # names of fields


def register_map(name: str, *quantities: Quantity, limits: Limits | None = None) -> RegisterMap:
    return RegisterMap(name, 1, {q.name: q for q in quantities}, limits or Limits())


@pytest.fixture(scope="session")
def plain() -> RegisterMap:
    """High word first throughout; a status word two unused registers behind."""
    return register_map(
        "plain",
        flow(Table.INPUT, 0, ValueType.FLOAT32, "gpm"),
        total("forward_total", Table.INPUT, 2, ValueType.UINT32, "100 gal", for_the_books=True),
        total("reverse_total", Table.INPUT, 4, ValueType.UINT32, "100 gal", direction=Direction.REVERSE),
        Quantity(
            "status",
            Kind.BITS,
            Table.INPUT,
            8,
            ValueType.UINT16,
            bits=(Bit(0, "external_power"), Bit(2, "empty_pipe")),
        ),
        limits=Limits(words_per_read=20, padding=2),
    )


@pytest.fixture(scope="session")
def crossed() -> RegisterMap:
    """Low word first, low byte first, 64 bits, other units, the other table."""
    swapped = {"word_order": WordOrder.LOW_WORD_FIRST, "byte_order": ByteOrder.LOW_BYTE_FIRST}
    return register_map(
        "crossed",
        flow(Table.HOLDING, 100, ValueType.UINT16, "L/s", step=Fraction(1, 10), byte_order=ByteOrder.LOW_BYTE_FIRST),
        total("forward_total", Table.HOLDING, 101, ValueType.UINT64, "1 m3", for_the_books=True, **swapped),
        total(
            "net_total",
            Table.HOLDING,
            105,
            ValueType.INT32,
            "0.001 acre_foot",
            word_order=WordOrder.LOW_WORD_FIRST,
            direction=Direction.NET,
        ),
    )


@pytest.fixture(scope="session")
def steady() -> Profile:
    """A quarter of a count a second for an hour, then nothing, then two counts a second."""
    return Profile((Piece(START, 250_000), Piece(START + 3_600_000, 0), Piece(START + 7_200_000, 2_000_000)))

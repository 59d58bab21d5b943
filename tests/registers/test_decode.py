"""From words to values and back: totals in whole counts with their bounds, and what cannot be kept."""

import random
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.readings.units import VOLUMES, measure
from tallywell.registers.blocks import reads
from tallywell.registers.decode import Value, decode, value_of
from tallywell.registers.encode import encode
from tallywell.registers.quantity import (
    Bit,
    ByteOrder,
    Direction,
    Kind,
    Meaning,
    Quantity,
    Range,
    RegisterMap,
    Table,
    ValueType,
    WordOrder,
)

BINARY = [kind for kind in ValueType if kind.has_fixed_words]
INTEGERS = [kind for kind in BINARY if not kind.is_float]
FLOATS = [ValueType.FLOAT32, ValueType.FLOAT64]
GALLON = VOLUMES["gal"]


def total(kind: ValueType, *, name: str = "forward_total", capacity: int = 10**8, grain: str = "1 gal") -> Quantity:
    """A total at input register 0; as a float 1.0 is one gallon."""
    return Quantity(
        name, Kind.TOTAL, Table.INPUT, 0, kind, unit="gal", si_per_unit=GALLON,
        one_count=measure(grain, "volume"), capacity=capacity, for_the_books=True,
        direction=Direction.NET if name == "net_total" else Direction.FORWARD,
    )  # fmt: skip


def map_of(*quantities: Quantity) -> RegisterMap:
    return RegisterMap("bench", 1, {quantity.name: quantity for quantity in quantities})


def come_back(quantity: Quantity, value: int | float | Fraction) -> Value:
    return value_of(quantity, encode(map_of(quantity), quantity.name, value))


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(INTEGERS), st.sampled_from(list(WordOrder)), st.sampled_from(list(ByteOrder)), st.data())
def test_an_integer_total_comes_back_in_every_arrangement(
    kind: ValueType, word_order: WordOrder, byte_order: ByteOrder, data: st.DataObject
) -> None:
    most = (1 << (kind.bits - kind.is_signed)) - 1
    count = data.draw(st.integers(0, most))
    quantity = replace(total(kind, capacity=most + 1), word_order=word_order, byte_order=byte_order)
    assert come_back(quantity, count).total == Total.exact(count)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(FLOATS), st.sampled_from(list(WordOrder)), st.sampled_from(list(ByteOrder)), st.data())
def test_a_float_total_comes_back_within_its_own_bounds(
    kind: ValueType, word_order: WordOrder, byte_order: ByteOrder, data: st.DataObject
) -> None:
    grain = data.draw(st.sampled_from(["1 gal", "0.001 gal", "100 gal", "0.001 acre_foot", "1 L"]))
    count = data.draw(st.integers(0, 10**8 - 1))
    quantity = replace(total(kind, grain=grain), word_order=word_order, byte_order=byte_order)
    found = come_back(quantity, count).total
    assert found is not None
    assert found.low <= count <= found.high
    if kind is ValueType.FLOAT64 or count < 2**23:  # a step is at most 2^-23 of the number: less than one count
        assert (found.count, found.low, found.high) == (count, count, count)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(BINARY), st.sampled_from(list(WordOrder)), st.sampled_from(list(ByteOrder)), st.data())
def test_other_numbers_come_back(
    kind: ValueType, word_order: WordOrder, byte_order: ByteOrder, data: st.DataObject
) -> None:
    step, offset = data.draw(st.sampled_from([("1", "0"), ("0.1", "-40"), ("0.01", "3")]))
    low, high = (-(1 << (kind.bits - 1)), (1 << (kind.bits - 1)) - 1) if kind.is_signed else (0, (1 << kind.bits) - 1)
    raw = (
        data.draw(st.integers(low, high))
        if not kind.is_float
        else Fraction(data.draw(st.floats(width=32, allow_nan=False, allow_infinity=False)))
    )
    quantity = Quantity(
        "level", Kind.OTHER, Table.INPUT, 0, kind, word_order, byte_order, "m", Fraction(step), Fraction(offset)
    )
    number = raw * quantity.step + quantity.offset
    assert come_back(quantity, number).number == number


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        # IEEE 754 binary32: 24 bits of significand, so one count up to 16,777,216 and a step of 8 at 100,000,000.
        ("4b7fffff", Total(16_777_215, 16_777_215, 16_777_215)),
        ("4b800000", Total(16_777_216, 16_777_216, 16_777_217)),
        ("4b800001", Total(16_777_218, 16_777_217, 16_777_219)),
        ("4cbebc1f", Total(99_999_992, 99_999_988, 99_999_996)),
        ("4cbebc20", Total(99_999_999, 99_999_996, 99_999_999)),  # stands for 99,999,996 to 100,000,004
        ("00000000", Total(0, 0, 0)),
        ("40200000", Total(2, 2, 2)),  # 2.5: half to even
        ("40600000", Total(4, 4, 4)),  # 3.5
    ],
)
def test_the_step_of_a_float_is_in_the_bounds(words: str, expected: Total) -> None:
    assert value_of(total(ValueType.FLOAT32), bytes.fromhex(words)).total == expected


def test_a_coarse_float_bounds_every_count_that_is_sent_as_it() -> None:
    """Each count of a stretch is rounded by the wire; the bounds of what arrives must hold it."""
    quantity = total(ValueType.FLOAT32)
    for count in range(99_999_900, 100_000_000):
        found = come_back(quantity, count).total
        assert found is not None
        assert found.low <= count <= found.high


@pytest.mark.parametrize(
    ("quantity", "words"),
    [
        (total(ValueType.INT32), "ffffffff"),
        (total(ValueType.FLOAT32), "bf800000"),
        (total(ValueType.UINT32), "05f5e100"),  # 100,000,000 of eight digits
        (total(ValueType.UINT64, capacity=10**12), "ffffffffffffffff"),
        (total(ValueType.FLOAT32), "4cbebc28"),
        (total(ValueType.INT32, name="net_total", capacity=1000), "fffffc18"),  # -1000
        (replace(total(ValueType.UINT32), valid=Range(Fraction(5), None)), "00000004"),
    ],
)
def test_what_no_count_can_stand_for_is_out_of_range(quantity: Quantity, words: str) -> None:
    found = value_of(quantity, bytes.fromhex(words))
    assert (found.fault, found.total, found.si) == (Fault.OUT_OF_RANGE, None, None)
    assert found.shown.endswith("(out of range)")


def test_a_net_total_may_be_negative() -> None:
    quantity = total(ValueType.INT32, name="net_total", capacity=2**32)
    assert come_back(quantity, -5).total == Total.exact(-5)
    assert come_back(quantity, -(2**31)).total == Total.exact(-(2**31))


@pytest.mark.parametrize("words", ["7fc00000", "ffc00001", "7f800000", "ff800000"])
def test_nan_and_infinity_are_no_value(words: str) -> None:
    found = value_of(total(ValueType.FLOAT32), bytes.fromhex(words))
    assert (found.fault, found.number, found.shown) == (Fault.NO_VALUE, None, "no value")


def test_words_that_the_map_names_are_no_value() -> None:
    quantity = replace(
        total(ValueType.UINT32, capacity=2**32), no_value=(0xFFFFFFFF,), word_order=WordOrder.LOW_WORD_FIRST
    )
    assert value_of(quantity, b"\xff\xff\xff\xff").fault is Fault.NO_VALUE
    assert value_of(quantity, b"\xff\xff\xff\xfe").fault is None


def test_a_flow_in_tenths_of_gpm_is_exact_in_si() -> None:
    quantity = Quantity(
        "flow_rate",
        Kind.FLOW,
        Table.INPUT,
        0,
        ValueType.INT16,
        unit="gpm",
        step=Fraction("0.1"),
        si_per_unit=GALLON / 60,
    )
    found = value_of(quantity, (8421).to_bytes(2, "big"))
    assert (found.number, found.si, found.shown) == (Fraction("842.1"), Fraction("842.1") * GALLON / 60, "842.1 gpm")


def test_status_bits_by_name() -> None:
    bits = (Bit(0, "external_power"), Bit(2, "empty_pipe", Meaning.NOT_COUNTING))
    quantity = Quantity("status", Kind.BITS, Table.HOLDING, 20, ValueType.UINT16, bits=bits)
    found = value_of(quantity, b"\x80\x05")
    assert found.bits == {"external_power", "empty_pipe"}
    assert found.shown == "external_power, empty_pipe, bit 15"
    assert value_of(quantity, b"\0\0").shown == "no bit set"
    plan = (Read(3, 20, 1),)
    assert decode(map_of(quantity), plan, 1, b"\x80\x05").not_counting == {"empty_pipe"}


FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 0, ValueType.FLOAT32, unit="gpm", si_per_unit=GALLON / 60)
BOOKS = replace(total(ValueType.UINT32), register=2)
STATUS = Quantity("status", Kind.BITS, Table.HOLDING, 20, ValueType.UINT16)
THREE = map_of(FLOW, BOOKS, STATUS)
PLAN = (Read(4, 0, 4), Read(3, 20, 1))


def test_only_the_reads_that_came_have_values() -> None:
    both = bytes.fromhex("4452a000 000d96cc 0001")
    assert set(decode(THREE, PLAN, 0b11, both).values) == {"flow_rate", "forward_total", "status"}
    first = decode(THREE, PLAN, 0b01, both[:8])
    assert set(first.values) == {"flow_rate", "forward_total"}
    assert first.books is not None
    assert first.books.total == Total.exact(890_572)
    second = decode(THREE, PLAN, 0b10, both[8:])
    assert set(second.values) == {"status"}
    assert second.books is None
    assert decode(THREE, PLAN, 0, b"").values == {}


@pytest.mark.parametrize(
    ("plan", "got", "length"),
    [(PLAN, 0b11, 8), (PLAN, 0b11, 11), (PLAN, 0b100, 0), (PLAN, -1, 10), (PLAN, 0, 2), (PLAN, 0b01, 10)],
)
def test_bytes_that_do_not_fit_the_plan_are_a_fault_and_no_exception(
    plan: Sequence[Read], got: int, length: int
) -> None:
    found = decode(THREE, plan, got, bytes(length))
    assert {value.fault for value in found.values.values()} == {Fault.PLAN_MISMATCH}
    assert found.books is not None
    assert found.books.shown == "does not fit the plan"


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300), st.integers(-2, 2**9))
def test_any_bytes_give_values_or_faults(raw: bytes, got: int) -> None:
    plan = reads(THREE)
    for value in decode(THREE, plan, got, raw).values.values():
        assert value.fault is not None or value.number is not None


def test_random_words_read_as_a_stored_float_total_never_fail() -> None:
    rng = random.Random(20260701)
    for kind in FLOATS:
        for _ in range(2000):
            found = value_of(total(kind), rng.randbytes(2 * kind.words))
            assert (found.total is None) == (found.fault is not None)


def test_what_belongs_together_is_taken_from_one_answer() -> None:
    """The first read brings `a` in passing, a moment before the answer that brings both; only that one counts."""
    a, b = (Quantity(name, Kind.OTHER, Table.INPUT, at, ValueType.UINT16) for name, at in (("a", 1), ("b", 2)))
    apart = RegisterMap("bench", 1, {"a": a, "b": b}, together=(frozenset({"a", "b"}),))
    plan = (Read(4, 0, 2), Read(4, 1, 2))
    both = decode(apart, plan, 0b11, bytes.fromhex("0000 0001 0002 0003"))
    assert {name: value.number for name, value in both.values.items()} == {"a": 2, "b": 3}
    assert decode(apart, plan, 0b01, bytes.fromhex("0000 0001")).values == {}

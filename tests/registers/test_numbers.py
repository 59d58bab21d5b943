"""Bit patterns against IEEE 754, struct and another library's converters."""

import math
import random
import struct
from fractions import Fraction
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from tallywell.registers.numbers import (
    bounds_of_pattern,
    number_of_pattern,
    pattern_of_number,
    pattern_of_words,
    words_of_pattern,
)
from tallywell.registers.quantity import ByteOrder, ValueType, WordOrder

FLOATS = [ValueType.FLOAT32, ValueType.FLOAT64]
BINARY = [kind for kind in ValueType if kind.has_fixed_words]
DECIMAL = [(ValueType.BCD, words) for words in (1, 2, 3, 4)] + [(ValueType.MODULO_10000, words) for words in (2, 3, 4)]
LAYOUTS = [(words, order) for words in WordOrder for order in ByteOrder]
FORMATS = {
    ValueType.INT16: ">h", ValueType.INT32: ">i", ValueType.INT64: ">q",
    ValueType.UINT16: ">H", ValueType.UINT32: ">I", ValueType.UINT64: ">Q",
    ValueType.FLOAT32: ">f", ValueType.FLOAT64: ">d",
}  # fmt: skip


@pytest.mark.parametrize(
    ("pattern", "kind", "number"),
    [
        # IEEE 754-2019, 3.4: value = (-1)^S x 2^(E - bias) x (1 + T x 2^(1-p)); worked out by hand from that clause.
        (0x42C80000, ValueType.FLOAT32, Fraction(100)),
        (0x3F800000, ValueType.FLOAT32, Fraction(1)),
        (0xC1480000, ValueType.FLOAT32, Fraction("-12.5")),
        (0x80000000, ValueType.FLOAT32, Fraction(0)),
        (0x00000001, ValueType.FLOAT32, Fraction(1, 2**149)),  # the least subnormal number
        (0x00800000, ValueType.FLOAT32, Fraction(1, 2**126)),  # the least normal number
        (0x7F7FFFFF, ValueType.FLOAT32, Fraction((2**24 - 1) * 2**104)),  # the greatest
        (0x4B800000, ValueType.FLOAT32, Fraction(16_777_216)),
        (0x408F440000000000, ValueType.FLOAT64, Fraction("1000.5")),
        (0x3FF0000000000001, ValueType.FLOAT64, 1 + Fraction(1, 2**52)),
        (0x8000, ValueType.INT16, Fraction(-32768)),
        (0xFFFFFFFB, ValueType.INT32, Fraction(-5)),
        (0xFFFFFFFFFFFFFFFF, ValueType.UINT64, Fraction(2**64 - 1)),
        # RFC 8949, appendix A (most from memory): floats in IEEE 754 binary32 and binary64, and the greatest uint64.
        (0x47C35000, ValueType.FLOAT32, Fraction(100_000)),
        (0x7F7FFFFF, ValueType.FLOAT32, Fraction(3.4028234663852886e38)),
        (0x3FF199999999999A, ValueType.FLOAT64, Fraction(1.1)),
        (0xC010666666666666, ValueType.FLOAT64, Fraction(-4.1)),
        (0x7E37E43C8800759C, ValueType.FLOAT64, Fraction(1.0e300)),
        (0x000F4240, ValueType.UINT32, Fraction(1_000_000)),
        (18_446_744_073_709_551_615, ValueType.UINT64, Fraction(18_446_744_073_709_551_615)),
        # ITU-T X.690, 8.3.3: integers are two's complement numbers; 16-bit examples as taught for it.
        (0xFF7F, ValueType.INT16, Fraction(-129)),
        (0xFF80, ValueType.INT16, Fraction(-128)),
        (0xFFFF, ValueType.INT16, Fraction(-1)),
        (0x0080, ValueType.INT16, Fraction(128)),
    ],
)
def test_known_patterns(pattern: int, kind: ValueType, number: Fraction) -> None:
    assert number_of_pattern(pattern, kind) == number
    assert pattern_of_number(number, kind) == (0 if number == 0 else pattern)


@pytest.mark.parametrize("pattern", [0x7F800000, 0xFF800000, 0x7FC00000, 0x7F800001, 0xFFFFFFFF])
def test_infinity_and_nan_are_no_numbers(pattern: int) -> None:
    assert number_of_pattern(pattern, ValueType.FLOAT32) is None


@pytest.mark.parametrize(
    ("pattern", "kind", "words", "number"),
    [
        # ETSI EN 300 468, start_time and duration: 12:45:00 is coded as 124500, 01:45:30 as 014530, four bits a digit.
        (0x124500, ValueType.BCD, 2, 124_500),
        (0x014530, ValueType.BCD, 2, 14_530),
        # Packed decimal of +1234 in COBOL manuals: the digits in half bytes, the highest first (the sign left away).
        (0x1234, ValueType.BCD, 1, 1234),
        (0x9999999999999999, ValueType.BCD, 4, 10**16 - 1),
        # Modulo-10000 is common practice, no source: words 12, 3456 and 7890 stand for 1,234,567,890.
        (0x000C_0D80_1ED2, ValueType.MODULO_10000, 3, 1_234_567_890),
        (0x270F_270F, ValueType.MODULO_10000, 2, 99_999_999),
        (0x0001_0000, ValueType.MODULO_10000, 2, 10_000),
    ],
)
def test_known_decimal_patterns(pattern: int, kind: ValueType, words: int, number: int) -> None:
    assert number_of_pattern(pattern, kind) == number
    assert pattern_of_number(Fraction(number), kind, words) == pattern


@pytest.mark.parametrize(
    ("pattern", "kind"),
    [
        (0x123A, ValueType.BCD),
        (0xF1234567, ValueType.BCD),
        (0x2710, ValueType.MODULO_10000),  # 10,000
        (0x2710_0000, ValueType.MODULO_10000),
        (0x0000_FFFF, ValueType.MODULO_10000),
    ],
)
def test_what_is_no_decimal_digit_is_no_number(pattern: int, kind: ValueType) -> None:
    assert number_of_pattern(pattern, kind) is None


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(DECIMAL), st.data())
def test_decimal_words_read_as_their_digits(kind_and_words: tuple[ValueType, int], data: st.DataObject) -> None:
    """Against the decimal text, cut into fours from the right."""
    kind, words = kind_and_words
    number = data.draw(st.integers(0, 10 ** (4 * words) - 1))
    digits = f"{number:0{4 * words}d}"
    fours = [digits[at : at + 4] for at in range(0, len(digits), 4)]
    expected = b"".join(int(four, 16 if kind is ValueType.BCD else 10).to_bytes(2, "big") for four in fours)
    assert pattern_of_number(Fraction(number), kind, words) == int.from_bytes(expected, "big")
    assert number_of_pattern(int.from_bytes(expected, "big"), kind) == number
    assert bounds_of_pattern(int.from_bytes(expected, "big"), kind) == (Fraction(number), Fraction(number))
    with pytest.raises(ValueError, match="does not fit"):
        pattern_of_number(Fraction(10 ** (4 * words)), kind, words)


def test_a_float_of_32_bits_cannot_tell_16777217() -> None:
    """IEEE 754: a significand of 24 bits; the tie goes to the even neighbour."""
    assert pattern_of_number(Fraction(16_777_217), ValueType.FLOAT32) == 0x4B800000
    assert number_of_pattern(pattern_of_number(Fraction(99_999_999), ValueType.FLOAT32), ValueType.FLOAT32) == 10**8


def test_half_a_step_on_each_side() -> None:
    """Below a power of two the step is half of that above it."""
    assert bounds_of_pattern(0x4B800000, ValueType.FLOAT32) == (Fraction("16777215.5"), Fraction(16_777_217))
    assert bounds_of_pattern(0xCB800000, ValueType.FLOAT32) == (Fraction(-16_777_217), Fraction("-16777215.5"))
    tiny = Fraction(1, 2**150)
    assert bounds_of_pattern(0, ValueType.FLOAT32) == (-tiny, tiny)
    assert bounds_of_pattern(7, ValueType.UINT16) == (Fraction(7), Fraction(7))
    low, high = bounds_of_pattern(0x7F7FFFFF, ValueType.FLOAT32)
    assert high - low == 2**104


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(BINARY), st.integers(0, 2**64 - 1))
def test_numbers_agree_with_struct(kind: ValueType, bits: int) -> None:
    """struct follows IEEE 754 and two's complement (Python library reference, struct)."""
    pattern = bits >> (64 - kind.bits)
    (expected,) = struct.unpack(FORMATS[kind], pattern.to_bytes(kind.bits // 8, "big"))
    found = number_of_pattern(pattern, kind)
    if math.isfinite(expected):
        assert found is not None
        assert found == Fraction(expected)
        assert found == 0 or pattern_of_number(found, kind) == pattern
    else:
        assert found is None


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(FLOATS), st.fractions(-(10**12), 10**12, max_denominator=10**9))
def test_the_nearest_float_is_that_of_the_processor(kind: ValueType, number: Fraction) -> None:
    nearest = pattern_of_number(number, kind)
    low, high = bounds_of_pattern(nearest, kind)
    assert low <= number <= high
    if kind is ValueType.FLOAT64 and number != 0:
        assert nearest == int.from_bytes(struct.pack(">d", number.numerator / number.denominator), "big")


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 2**31 - 2**24 - 1))
def test_bounds_are_the_midpoints_to_the_neighbours_as_struct_knows_them(pattern: int) -> None:
    here, above = (Fraction(struct.unpack(">f", (pattern + k).to_bytes(4, "big"))[0]) for k in (0, 1))
    assert bounds_of_pattern(pattern, ValueType.FLOAT32)[1] == (here + above) / 2
    assert bounds_of_pattern(pattern + 1, ValueType.FLOAT32)[0] == (here + above) / 2


@pytest.mark.parametrize(
    ("kind", "number"), [(ValueType.UINT16, 65536), (ValueType.UINT32, -1), (ValueType.INT16, 32768)]
)
def test_what_does_not_fit_is_refused(kind: ValueType, number: int) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        pattern_of_number(Fraction(number), kind)


def test_a_number_beyond_the_greatest_float_is_refused() -> None:
    with pytest.raises(ValueError, match="too great"):
        pattern_of_number(Fraction(10**39), ValueType.FLOAT32)


@pytest.mark.parametrize(
    ("word_order", "byte_order", "words"),
    [
        (WordOrder.HIGH_WORD_FIRST, ByteOrder.HIGH_BYTE_FIRST, "11223344"),
        (WordOrder.LOW_WORD_FIRST, ByteOrder.HIGH_BYTE_FIRST, "33441122"),
        (WordOrder.HIGH_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST, "22114433"),
        (WordOrder.LOW_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST, "44332211"),
    ],
)
def test_the_four_arrangements(word_order: WordOrder, byte_order: ByteOrder, words: str) -> None:
    assert words_of_pattern(0x11223344, 2, word_order, byte_order) == bytes.fromhex(words)
    assert pattern_of_words(bytes.fromhex(words), word_order, byte_order) == 0x11223344


@settings(max_examples=200, deadline=None)
@given(st.sampled_from([1, 2, 4]), st.integers(0, 2**64 - 1), st.sampled_from(LAYOUTS))
def test_words_and_patterns_are_inverse(words: int, bits: int, layout: tuple[WordOrder, ByteOrder]) -> None:
    pattern = bits >> (64 - 16 * words)
    assert pattern_of_words(words_of_pattern(pattern, words, *layout), *layout) == pattern


@pytest.mark.parametrize("kind", BINARY)
@pytest.mark.parametrize("word_order", list(WordOrder))
def test_agrees_with_the_converters_of_pymodbus(kind: ValueType, word_order: WordOrder) -> None:
    """pymodbus, ModbusClientMixin.convert_from_registers ("Client mixin" in its documentation)."""
    rng = random.Random(f"20260701 {kind} {word_order}")
    theirs = ModbusClientMixin.DATATYPE[kind.name]
    order: Literal["big", "little"] = "big" if word_order is WordOrder.HIGH_WORD_FIRST else "little"
    for _ in range(200):
        words = [rng.randrange(65536) for _ in range(kind.words)]
        expected = ModbusClientMixin.convert_from_registers(words, theirs, word_order=order)
        raw = b"".join(word.to_bytes(2, "big") for word in words)
        found = number_of_pattern(pattern_of_words(raw, word_order, ByteOrder.HIGH_BYTE_FIRST), kind)
        assert isinstance(expected, int | float)
        assert found == (Fraction(expected) if math.isfinite(expected) else None)

"""Words and a display: the arrangement that was sent is found, and named first where the map is one slip away."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.registers.decode import value_of
from tallywell.registers.fitting import (
    Arrangement,
    agrees,
    arrangements,
    matches,
    number_in,
    odd,
    two_registers,
    wanted,
)
from tallywell.registers.numbers import limits, pattern_of_number, words_of_pattern
from tallywell.registers.quantity import ByteOrder, Quantity, RegisterMap, ValueType, WordOrder
from tallywell.registers.register_map import parse_map

HIGH, LOW = WordOrder.HIGH_WORD_FIRST, WordOrder.LOW_WORD_FIRST


def a_map(*quantities: str) -> RegisterMap:
    head = "map: bench\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\nquantities:\n"
    found, problems = parse_map(head + "".join(f"  {one}\n" for one in quantities), "bench.yaml")
    assert found is not None, problems
    return found


def total(**keys: str) -> Quantity:
    said = {"table": "input", "register": "2", "type": "uint32", "one_count": "100 gal", "digits": "8"} | keys
    text = ", ".join(f"{key}: {value}" for key, value in said.items())
    books = a_map(f"forward_total: {{{text}, for_the_books: yes}}").books
    assert books is not None
    return books


TOTAL = total()


def words(text: str) -> bytes:
    return bytes.fromhex(text.replace(" ", ""))


# 1,234,567 is 0012D687 in hexadecimal, and so in two words 0012 D687 (arithmetic).


@pytest.mark.parametrize(
    ("what", "sent", "register", "expected"),
    [
        ("as mapped", "0012 D687", 2, (2, ValueType.UINT32, HIGH, 0)),
        ("the low word first", "D687 0012", 2, (2, ValueType.UINT32, LOW, 1)),
        ("one register on", "FFFF 0012 D687", 2, (3, ValueType.UINT32, HIGH, 3)),
        ("digits", "0123 4567", 2, (2, ValueType.BCD, HIGH, 2)),
        ("words to the base 10,000", "007B 11D7", 2, (2, ValueType.MODULO_10000, HIGH, 2)),
        ("a float", "4996 B438", 2, (2, ValueType.FLOAT32, HIGH, 2)),
        ("four words", "0000 0000 0012 D687", 0, (2, ValueType.UINT32, HIGH, 0)),
    ],
)
def test_the_slips_that_people_make(
    what: str, sent: str, register: int, expected: tuple[int, ValueType, WordOrder, int]
) -> None:
    found = matches(words(sent), register, wanted("1234567"), TOTAL)
    best = found[0]
    how = best.arrangement
    assert (how.register, how.type, how.word_order, best.distance) == expected, what
    assert (int(best.raw), best.power, best.exact) == (1_234_567, 0, True)


def test_low_bytes_first_and_a_display_in_another_unit() -> None:
    found = matches(words("1200 87D6"), 2, wanted("1234567"), TOTAL)
    assert found[0].arrangement.byte_order is ByteOrder.LOW_BYTE_FIRST
    # 1,234,567 gal are 4,673.344... m3 (NIST SP 811, appendix B: 3.785411784 L).
    (found_m3, *_) = matches(words("0012 D687"), 2, wanted("4673.3 m3"), TOTAL)
    assert (found_m3.unit, found_m3.power, found_m3.exact) == ("gal", 0, False)


def test_two_registers_high_and_low() -> None:
    how = matches(words("04D2 0237"), 2, wanted("1234567"), TOTAL)[0].arrangement
    assert (how.type, how.low_type, how.low_capacity) == (ValueType.UINT16, ValueType.UINT16, 1000)
    assert how.end == 4


def test_the_low_part_may_stand_before_the_high_one() -> None:
    how = matches(words("0237 04D2"), 2, wanted("1234567"), TOTAL)[0].arrangement
    assert (how.register, how.low_register, how.low_capacity) == (3, 2, 1000)
    wide = matches(words("0237 E240 0001"), 2, wanted("123456567"), TOTAL)[0].arrangement
    assert (wide.register, wide.type, wide.word_order) == (3, ValueType.UINT32, LOW)


# 123,456 whole and 0.66 as binary32 (IEEE 754-2019, 3.4: 3F28F5C3): 123,456.66 m3, 123,456,660 counts of a litre.
@pytest.mark.parametrize(
    ("sent", "register", "orders"),
    [
        ("E240 0001 F5C3 3F28", 2, (LOW, ByteOrder.HIGH_BYTE_FIRST)),
        ("0100 40E2 283F C3F5", 2, (HIGH, ByteOrder.LOW_BYTE_FIRST)),
        ("40E2 0100 C3F5 283F", 2, (LOW, ByteOrder.LOW_BYTE_FIRST)),
        ("AAAA 0001 E240 3F28 F5C3", 3, (HIGH, ByteOrder.HIGH_BYTE_FIRST)),
    ],
)
def test_a_mapped_total_of_two_registers_is_tried_in_every_order_and_place(
    sent: str, register: int, orders: tuple[WordOrder, ByteOrder]
) -> None:
    mapped = total(one_count="1 L", digits="9", low_part="{register: 4, type: float32, capacity: 1000}")
    best = matches(words(sent), 2, wanted("123456.660 m3"), mapped)[0]
    how = best.arrangement
    assert (how.register, how.low_register, how.word_order, how.byte_order) == (register, register + 2, *orders)
    assert best.raw == 123_456_660


def test_a_mapped_low_part_of_digits_is_tried_too() -> None:
    mapped = total(
        type="bcd", words="2", one_count="1 L", low_part="{register: 4, type: bcd, words: 1, capacity: 1000}"
    )
    how = matches(words("3456 0012 0660"), 2, wanted("123456660"), mapped)[0].arrangement
    assert (how.type, how.low_type, how.low_words, how.word_order) == (ValueType.BCD, ValueType.BCD, 1, LOW)


def test_a_float_fraction_behind_whole_counts_is_found_where_the_map_has_none() -> None:
    best = matches(words("0001 E240 3F28 F5C3"), 2, wanted("123456.66 m3"), total(one_count="1 m3"))[0]
    how = best.arrangement
    assert (how.register, how.type, how.low_type) == (2, ValueType.UINT32, ValueType.FLOAT32)
    assert Fraction(best.raw, how.low_capacity) == Fraction("123456.66")


def test_as_many_digits_as_the_map_says_come_before_fewer() -> None:
    mapped = total(type="bcd", words="3", word_order="low_word_first")
    best = matches(words("5678 1234 0000"), 2, wanted("12345678"), mapped)[0]
    assert (best.arrangement.words, best.distance) == (3, 0)


def test_a_face_of_its_own_agrees() -> None:
    face = total(one_count="1 L", digits="9", display="{one_count: 1 m3, digits: 4}")
    value = value_of(face, words("0756 7A47"))  # 123,107,911
    assert agrees(value, wanted("3107"))
    assert agrees(value, wanted("123107911"))
    assert not agrees(value, wanted("123107"))


def test_a_single_digit_moved_by_chance_is_no_match() -> None:
    assert [m.arrangement.register for m in matches(words("86A0 0001"), 2, wanted("100000"), TOTAL)] == [2]


def test_nothing_fits_what_is_not_there() -> None:
    assert matches(words("0012 D687"), 2, wanted("7654321"), TOTAL) == []
    assert matches(words("0000 0000"), 2, wanted("5"), TOTAL) == []


def test_without_a_quantity_all_is_searched_just_so() -> None:
    found = matches(words("0000 D687 0012"), 40, wanted("1234567"), None)
    assert [(m.arrangement.register, m.arrangement.word_order) for m in found] == [(41, LOW)]


@pytest.mark.parametrize(
    ("text", "says"),
    [("0", "zero words are zero"), ("12 kg", "'kg' is no unit"), ("abc", "is not a decimal number"), ("", "is not a")],
)
def test_what_no_display_shows(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        wanted(text)


SHOWN = st.integers(100, 99_999_999)
KINDS = st.sampled_from([*(k for k in ValueType if k.has_fixed_words), ValueType.BCD, ValueType.MODULO_10000])


ORDERS = st.tuples(st.sampled_from(WordOrder), st.sampled_from(ByteOrder))


@settings(max_examples=150)
@given(SHOWN, KINDS, ORDERS, st.tuples(st.integers(0, 2), st.integers(0, 2)))
def test_whatever_was_sent_is_among_what_is_found(
    number: int, kind: ValueType, orders: tuple[WordOrder, ByteOrder], around: tuple[int, int]
) -> None:
    (word_order, byte_order), (before, behind) = orders, around
    length = kind.words if kind.has_fixed_words else 2
    if not kind.is_float:
        number %= limits(kind, length)[1]
    elif kind is ValueType.FLOAT32:
        number %= 1 << 24  # the whole numbers that binary32 holds (IEEE 754-2019, 3.4)
    number = max(number, 100)
    sent = words_of_pattern(pattern_of_number(Fraction(number), kind, length), length, word_order, byte_order)
    row = b"\xa5\x5a" * before + sent + b"\x5a\xa5" * behind
    found = matches(row, 10, wanted(str(number)), TOTAL)
    same = [
        m
        for m in found
        if (m.arrangement.register, m.arrangement.words, m.arrangement.byte_order) == (10 + before, length, byte_order)
        and (length == 1 or m.arrangement.word_order is word_order)
        and m.arrangement.type.removeprefix("u") == kind.removeprefix("u")
    ]
    assert [m.raw for m in same] == [number]


@given(st.binary(min_size=2, max_size=12).filter(lambda b: len(b) % 2 == 0), st.integers(0, 100))
def test_every_arrangement_lies_in_the_words(row: bytes, register: int) -> None:
    count = len(row) // 2
    for how in (*arrangements(count, register), *two_registers(count, register)):
        assert register <= how.first <= how.register < how.end <= register + count
        number_in(row, register, how)


def test_all_arrangements_of_two_words_are_there_once() -> None:
    found = list(arrangements(2, 0))
    assert len(found) == len(set(found))
    two = [how for how in found if how.words == 2]
    # Five types of two words (uint32, int32, float32, bcd, modulo_10000) in four orders.
    assert len(two) == 20
    assert Arrangement(0, ValueType.FLOAT32, 2, LOW, ByteOrder.LOW_BYTE_FIRST) in two


# --- does the map agree, does a number look odd


def test_a_map_agrees_by_its_count_its_volume_or_its_number() -> None:
    value = value_of(TOTAL, words("0012 D687"))
    assert agrees(value, wanted("1234567"))
    assert agrees(value, wanted("123456700"))
    assert agrees(value, wanted("123,456,700 gal"))
    assert agrees(value, wanted("467334.45 m3"))
    assert not agrees(value, wanted("1234568"))
    assert not agrees(value, wanted("1234567 gal"))
    assert not agrees(value, wanted("1234567 gpm"))
    assert not agrees(value_of(TOTAL, words("FFFF FFFF")), wanted("4294967295"))


@pytest.mark.parametrize(
    ("quantity", "sent", "why"),
    [
        ("tank: {table: input, register: 0, type: uint32, one_count: 1 L, digits: 9}", "0012 D687", None),
        ("tank: {table: input, register: 0, type: uint32, one_count: 1 L, digits: 9}", "D687 0012", "out of range"),
        ("tank: {table: input, register: 0, type: uint32, one_count: 1 L}", "0001 0000", "its low word is zero"),
        ("tank: {table: input, register: 0, type: uint32, one_count: 1 L}", "0000 0000", None),
        ("flow_rate: {table: input, register: 0, type: float32, unit: gpm}", "449A 5000", None),
        ("flow_rate: {table: input, register: 0, type: float32, unit: gpm}", "5000 449A", "no well gives so much"),
        ("flow_rate: {table: input, register: 0, type: float32, unit: gpm}", "7FC0 0000", "no value"),
        ("level: {table: input, register: 0, type: float32, unit: m}", "0000 449A", "far from any meter's numbers"),
        ("level: {table: input, register: 0, type: float32, unit: m}", "0000 0000", None),
        ("state: {table: input, register: 0, type: bits32, bits: {0: on}}", "0001 0000", None),
    ],
)  # fmt: skip
def test_what_looks_odd(quantity: str, sent: str, why: str | None) -> None:
    text = quantity.replace("one_count: 1 L", "one_count: 1 L, for_the_books: yes")
    (found,) = a_map(text).quantities.values()
    assert odd(value_of(found, words(sent))) == why

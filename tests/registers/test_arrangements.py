"""decode(encode(x)) = x for maps as people write them: every type, arrangement, scale, low part, bit and factor."""

from fractions import Fraction
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total
from tallywell.readings.units import VOLUMES
from tallywell.registers.decode import Value, decode, holds, value_of
from tallywell.registers.encode import encode, encoded_parts
from tallywell.registers.factors import farthest
from tallywell.registers.quantity import Quantity, RegisterMap
from tallywell.registers.register_map import parse_map

HEAD = "map: bench\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\nquantities:\n"
ORDERS = [
    f"word_order: {words}_word_first, byte_order: {byte}_byte_first"
    for words in ("high", "low")
    for byte in ("high", "low")
]
INTEGERS = {
    "int16": 15, "int32": 31, "int64": 63, "uint16": 16, "uint32": 32, "uint64": 64,
}  # fmt: skip
DECIMALS = {
    "bcd, words: 1": 4,
    "bcd, words: 2": 8,
    "bcd, words: 4": 16,
    "modulo_10000, words: 2": 8,
    "modulo_10000, words: 3": 12,
}
COUNTERS = {**{kind: 2**bits for kind, bits in INTEGERS.items()}, **{kind: 10**n for kind, n in DECIMALS.items()}}


@cache
def map_of(*quantities: str) -> RegisterMap:
    found, problems = parse_map(HEAD + "".join(f"  {quantity}\n" for quantity in quantities), "bench.yaml")
    assert [problem for problem in problems if not problem.warning] == []
    assert found is not None
    return found


def one(text: str) -> Quantity:
    """The first quantity of a map with it; where it is no total, the books' total stands beside it."""
    return next(iter(map_of(text).quantities.values()))


def come_back(quantity: Quantity, value: int | Fraction | str, factor: Fraction | None = None) -> Value:
    words = encode(RegisterMap("bench", 1, {quantity.name: quantity}), quantity.name, value, factor)
    return value_of(quantity, words, factor)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(COUNTERS)), st.sampled_from(ORDERS), st.data())
def test_a_total_of_any_counting_type(kind: str, order: str, data: st.DataObject) -> None:
    quantity = one(
        f"forward_total: {{table: input, register: 9, type: {kind}, {order}, one_count: 1 L, for_the_books: yes}}"
    )
    count = data.draw(st.integers(0, COUNTERS[kind] - 1))
    assert quantity.capacity == COUNTERS[kind]
    assert come_back(quantity, count).total == Total.exact(count)


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(sorted(COUNTERS)),
    st.sampled_from(ORDERS),
    st.sampled_from(["gpm", "0.1 gpm", "2500/65535 gpm", "1/3 degC", "0.001 acre_foot/day"]),
    st.sampled_from(["0", "-20", "0.5"]),
    st.data(),
)
def test_a_number_of_any_scale(kind: str, order: str, unit: str, offset: str, data: st.DataObject) -> None:
    quantity = one(f"flow: {{table: holding, register: 9, type: {kind}, {order}, unit: {unit}, offset: {offset}}}")
    raw = data.draw(st.integers(-COUNTERS[kind] if kind.startswith("int") else 0, COUNTERS[kind] - 1))
    number = raw * quantity.step + Fraction(offset)
    assert come_back(quantity, number).number == number


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(["float32", "float64", "int32", "uint16"]),
    st.sampled_from(["exponent_from", "scale_from"]),
    st.integers(-5, 5),
    st.data(),
)
def test_a_number_that_another_register_scales(kind: str, by: str, exponent: int, data: st.DataObject) -> None:
    found = map_of(
        f"flow_rate: {{table: input, register: 0, type: {kind}, unit: 0.5 L/s, offset: 3, {by}: scale}}",
        "scale: {table: input, register: 4, type: int16}",
    )
    scale = exponent if by == "exponent_from" else data.draw(st.integers(1, 32767))
    factor = Fraction(10) ** exponent if by == "exponent_from" else Fraction(scale)
    raw = data.draw(st.integers(0, 65535))  # whole up to 2^24 in binary32
    number = raw * factor / 2 + 3
    words = encode(found, "flow_rate", number, factor).ljust(8, b"\0") + encode(found, "scale", scale)
    value = decode(found, [Read(4, 0, 5)], 1, words).values["flow_rate"]
    assert value.number == number
    assert value.si == number / 1000
    assert value.shown.endswith(" L/s")


SCALED = (
    (
        "forward_total: {table: input, register: 0, type: uint32, one_count: 1 L, exponent_from: e, digits: 8, "
        "for_the_books: yes}"
    ),
    "e: {table: input, register: 2, type: int16, valid: {from: -3, to: 3}}",
)


@settings(max_examples=200, deadline=None)
@given(st.integers(-3, 3), st.data())
def test_a_total_that_another_register_scales(exponent: int, data: st.DataObject) -> None:
    """A totalizer that cuts what is below its step: the count that was lies within the bounds of what is read."""
    found = map_of(*SCALED)
    times = 10 ** (exponent + 3)
    count = data.draw(st.integers(0, 10**8 * times - 1))
    words = encode(found, "forward_total", count, Fraction(10) ** exponent) + encode(found, "e", exponent)
    value = decode(found, [Read(4, 0, 3)], 1, words).books
    assert value is not None
    assert value.total is not None
    assert value.total.low <= count <= value.total.high < value.total.count + times
    assert value.total.count == count // times * times
    assert value.scale == Scale(Fraction(1, 1000), 10**8 * times)
    assert value.si == Fraction(value.total.count, 1000)


def test_bounds_of_a_scaled_total() -> None:
    """Raw 12,345 at exponent -1 is 1,234.5 m3 = 1,234,500 L in steps of 100 L, cut or rounded."""
    found = map_of(*SCALED)
    value = decode(found, [Read(4, 0, 3)], 1, bytes.fromhex("00003039 FFFF")).books
    assert value is not None
    assert value.total == Total(1_234_500, 1_234_450, 1_234_599)
    assert value.shown == "1,234,500 L"
    zero = decode(found, [Read(4, 0, 3)], 1, bytes.fromhex("00000000 0003")).books
    assert zero is not None
    assert zero.total == Total(0, 0, 999_999)
    last = decode(found, [Read(4, 0, 3)], 1, bytes.fromhex("05F5E0FF FFFD")).books
    assert last is not None
    assert last.total == Total.exact(99_999_999)


@pytest.mark.parametrize("exponent", ["FFFC", "0004", "7FFF", "8000"])
def test_a_factor_outside_its_range_makes_the_total_out_of_range(exponent: str) -> None:
    decoded = decode(map_of(*SCALED), [Read(4, 0, 3)], 1, bytes.fromhex("00003039" + exponent))
    assert decoded.books is not None
    assert (decoded.books.fault, decoded.books.total, decoded.books.shown) == (Fault.OUT_OF_RANGE, None, "out of range")


def test_a_factor_that_did_not_come_leaves_no_value_and_one_never_asked_for_is_a_mismatch() -> None:
    found, plan = map_of(*SCALED), [Read(4, 0, 2), Read(4, 2, 1)]
    assert decode(found, plan, 0b01, bytes(4)).values == {}
    assert decode(found, plan, 0b11, bytes(6)).books is not None
    alone = decode(found, plan[:1], 0b1, bytes(4)).books
    assert alone is not None
    assert alone.fault is Fault.PLAN_MISMATCH
    assert value_of(found.quantities["forward_total"], bytes(4)).fault is Fault.NO_VALUE


def test_a_code_says_the_factor() -> None:
    """One count is the volume of one raw count at the least factor, 0.1 here."""
    codes = "{0: {name: fine, factor: 0.1}, 3: {name: coarse, factor: 100}}"
    found = map_of(
        f"code: {{table: input, register: 0, type: uint16, enumeration: {codes}}}",
        "forward_total: {table: input, register: 1, type: uint16, one_count: 0.1 L, digits: 4, scale_from: code, "
        "for_the_books: yes}",
        "flow_rate: {table: input, register: 2, type: uint16, unit: L/s, scale_from: code}",
    )
    plan = (Read(4, 0, 3),)
    fine, coarse, unknown = (
        decode(found, plan, 1, bytes.fromhex(words)) for words in ("0000 04D2 0007", "0003 04D2 0007", "0001 04D2 0007")
    )
    numbers = [each.values["flow_rate"].number for each in (fine, coarse)]
    assert numbers == [Fraction(7, 10), Fraction(700)]
    assert fine.books is not None
    assert coarse.books is not None
    assert fine.books.total == Total.exact(1234)
    assert coarse.books.total is not None
    assert coarse.books.total.count == 1_234_000
    assert (fine.books.shown, coarse.books.shown) == ("123.4 L", "123,400 L")
    assert coarse.books.scale is not None
    assert coarse.books.scale.capacity == 10**7
    assert farthest(found, found.quantities["forward_total"]) == 10**7
    assert (unknown.books and unknown.books.fault) is Fault.OUT_OF_RANGE
    assert unknown.values["flow_rate"].fault is Fault.OUT_OF_RANGE


def test_a_float_total_has_its_grain_stated_whatever_the_factors_are() -> None:
    found = map_of(
        "code: {table: input, register: 0, type: uint16, "
        "enumeration: {0: {name: a, factor: 2}, 1: {name: b, factor: 5}}}",
        "forward_total: {table: input, register: 1, type: float32, unit: L, one_count: 1 L, digits: 6, "
        "scale_from: code, for_the_books: yes}",
    )
    books = [decode(found, [Read(4, 0, 3)], 1, bytes.fromhex(f"{code} 43960000")).books for code in ("0000", "0001")]
    assert [value and value.total and value.total.count for value in books] == [600, 1500]  # 300.0 in binary32


def test_a_factor_that_is_no_whole_step_is_out_of_range() -> None:
    """One count would be a part of a count: `one_count` was written for another least factor."""
    quantity = one(
        "forward_total: {table: input, register: 0, type: uint16, one_count: 1 L, scale_from: s, for_the_books: yes}\n"
        "  s: {table: input, register: 2, type: float32, valid: {from: 2}}"
    )
    assert value_of(quantity, b"\0\7", Fraction(4)).total == Total(14, 13, 15)
    assert value_of(quantity, b"\0\7", Fraction(3)).fault is Fault.OUT_OF_RANGE
    assert value_of(quantity, b"\0\7", Fraction(1)).fault is Fault.OUT_OF_RANGE


def test_a_net_total_with_a_factor_may_be_cut_either_way() -> None:
    quantity = one(
        "net_total: {table: input, register: 0, type: int32, one_count: 1 L, scale_from: s, for_the_books: yes}\n"
        "  s: {table: input, register: 2, type: uint16, valid: {from: 1}}"
    )
    assert value_of(quantity, b"\xff\xff\xff\xfb", Fraction(10)).total == Total(-50, -59, -41)
    assert value_of(quantity, b"\0\0\0\5", Fraction(10)).total == Total(50, 41, 59)


def test_a_float_total_with_a_factor_keeps_its_grain() -> None:
    found = map_of(
        "forward_total: {table: input, register: 0, type: float32, unit: m3, one_count: 1 L, digits: 8, "
        "scale_from: s, for_the_books: yes}",
        "s: {table: input, register: 2, type: uint16, valid: {from: 1, to: 100}}",
    )
    value = decode(found, [Read(4, 0, 3)], 1, bytes.fromhex("40200000 000A")).books  # 2.5 x 10 m3
    assert value is not None
    assert value.total == Total.exact(25_000)
    assert value.scale == Scale(Fraction(1, 1000), 10**8)


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(["uint16", "uint32", "int32", "bcd, words: 2", "modulo_10000, words: 2"]),
    st.sampled_from(
        [("uint16", 1000), ("uint16", 65536), ("bcd, words: 1", 10000), ("int32", 10**6), ("float32", 1000)]
    ),
    st.sampled_from(ORDERS),
    st.sampled_from([4, 12, 16]),
    st.data(),
)
def test_a_total_of_two_registers(
    high: str, low: tuple[str, int], order: str, register: int, data: st.DataObject
) -> None:
    """The low part stands before or behind the high part, at once or with registers between them."""
    quantity = one(
        f"forward_total: {{table: input, register: 10, type: {high}, {order}, one_count: 1 L, for_the_books: yes, "
        f"low_part: {{register: {register}, type: {low[0]}, capacity: {low[1]}}}}}"
    )
    assert quantity.capacity == COUNTERS[high] * low[1]
    count = data.draw(st.integers(0, COUNTERS[high] * low[1] - 1))
    assert come_back(quantity, count).total == Total.exact(count)
    read = Read(4, quantity.first, quantity.end - quantity.first)
    assert holds(read, quantity)
    assert not holds(Read(4, quantity.first + 1, read.words), quantity)
    for at, words in encoded_parts(quantity, count):
        start = 2 * (at - quantity.first)
        whole = encode(RegisterMap("bench", 1, {quantity.name: quantity}), quantity.name, count)
        assert whole[start : start + len(words)] == words


TWO = (
    "forward_total: {table: input, register: 0, type: uint16, one_count: 1 L, for_the_books: yes, "
    "low_part: {register: 1, type: %s, capacity: 1000}}"
)


@pytest.mark.parametrize(
    ("low", "words", "total", "fault"),
    [
        ("uint16", "0007 007D", Total.exact(7125), None),
        ("uint16", "0007 03E8", None, Fault.OUT_OF_RANGE),  # 1000 of 0 to 999
        ("int16", "0007 FFFF", None, Fault.OUT_OF_RANGE),
        ("bcd, words: 1", "0007 012A", None, Fault.NO_VALUE),
        ("float32", "0007 3E000000", Total.exact(7125), None),  # 0.125
        ("float32", "0007 3F800000", Total.exact(8000), None),  # 0.99999999 is sent as 1
        ("float32", "0007 3F800001", None, Fault.OUT_OF_RANGE),
        ("float32", "0007 BF000000", None, Fault.OUT_OF_RANGE),
        ("float32", "0007 7FC00000", None, Fault.NO_VALUE),
    ],
)
def test_what_the_low_part_says(low: str, words: str, total: Total | None, fault: Fault | None) -> None:
    value = value_of(one(TWO % low), bytes.fromhex(words))
    assert (value.total, value.fault) == (total, fault)


@pytest.mark.parametrize(
    ("map_order", "low_order", "words"),
    [
        ("high_word_first", "low_word_first", "0000 0007 86A0 0001"),
        ("low_word_first", "high_word_first", "0007 0000 0001 86A0"),
        ("low_word_first", "low_word_first", "0007 0000 86A0 0001"),
    ],
)
def test_the_parts_of_a_total_may_have_different_word_orders(map_order: str, low_order: str, words: str) -> None:
    quantity = one(
        f"forward_total: {{table: input, register: 0, type: uint32, word_order: {map_order}, one_count: 1 L, "
        f"for_the_books: yes, low_part: {{register: 2, type: uint32, word_order: {low_order}, capacity: 1000000}}}}"
    )
    assert value_of(quantity, bytes.fromhex(words)).total == Total.exact(7_100_000)
    assert encode(RegisterMap("bench", 1, {quantity.name: quantity}), quantity.name, 7_100_000) == bytes.fromhex(words)


def test_the_bounds_of_a_fraction_that_is_coarser_than_the_counts() -> None:
    """Above 0.5 binary32 has steps of 2^-24: some 60 counts of 10^9."""
    quantity = one((TWO % "float32").replace("capacity: 1000", "capacity: 1000000000"))
    value = value_of(quantity, bytes.fromhex("0000 3F400000"))
    assert value.total == Total(750_000_000, 749_999_971, 750_000_029)


@settings(max_examples=300, deadline=None)
@given(st.integers(1, 40), st.integers(0, 30), st.integers(0, 9), st.sampled_from(["coil", "discrete"]), st.data())
def test_bits_of_a_table_of_bits_at_any_place(
    length: int, before: int, behind: int, table: str, data: st.DataObject
) -> None:
    """Neighbours' bits and the padding of the last byte are never taken for its own."""
    whens = data.draw(st.lists(st.integers(0, 1), min_size=length, max_size=length))
    named = ", ".join(f"{k}: {{name: c{k}, means: suspect, when: {when}}}" for k, when in enumerate(whens))
    found = map_of(f"alarms: {{table: {table}, register: 50, type: bits, bits: {{{named}}}}}")
    pattern = data.draw(st.integers(0, 2**length - 1))
    around = data.draw(st.integers(0, 2 ** (before + length + behind) - 1))
    own = int.from_bytes(encode(found, "alarms", pattern), "little")
    assert own == pattern
    whole = around & ~(((1 << length) - 1) << before) | own << before
    read = Read(1 if table == "coil" else 2, 50 - before, before + length + behind)
    decoded = decode(found, [read], 1, whole.to_bytes(read.content_bytes, "little"))
    expected = {f"c{k}" for k, when in enumerate(whens) if pattern >> k & 1 == when}
    value = decoded.values["alarms"]
    assert value.number == pattern
    assert value.bits == decoded.suspect == expected
    assert len(value.raw) == (length + 7) // 8


@pytest.mark.parametrize(
    ("table", "register", "content", "on"),
    [
        # Modbus Application Protocol V1.1b3, 6.1 and 6.2, from memory: coils 20 to 38 are CD 6B 05; inputs 197 to 218.
        ("coil", 20, "CD6B05", {20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38}),
        ("discrete", 197, "ACDB35", {199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218}),
    ],
)
def test_the_packed_bits_of_the_standards_examples(table: str, register: int, content: str, on: set[int]) -> None:
    count = 19 if table == "coil" else 22
    named = ", ".join(f"{k}: n{register + k}" for k in range(count))
    text = HEAD.replace("on_the_wire", "one_based")
    found, _ = parse_map(f"{text}  s: {{table: {table}, register: {register}, type: bits, bits: {{{named}}}}}\n", "b")
    assert found is not None
    read = Read(found.quantities["s"].table.function, register - 1, count)
    value = decode(found, [read], 1, bytes.fromhex(content)).values["s"]
    assert value.bits == {f"n{number}" for number in on}


def test_bits_that_hold_when_they_are_clear() -> None:
    status = one("status: {table: input, register: 0, type: bits, bits: {0: {name: unpowered, when: 0}, 1: open}}")
    assert value_of(status, b"\0\0").bits == {"unpowered"}
    assert value_of(status, b"\0\0").shown == "unpowered"
    assert value_of(status, b"\0\1").shown == "no condition holds"
    assert value_of(status, b"\0\7").shown == "open, bit 2"


def test_enumerations_by_name_and_by_number() -> None:
    found = map_of(
        "mode: {table: holding, register: 0, type: int16, "
        "enumeration: {0: normal, -1: {name: test, means: not_counting}, 0x10: {name: flushing, means: suspect}}}"
    )
    plan = [Read(3, 0, 1)]
    for name, words in (("normal", "0000"), ("test", "FFFF"), ("flushing", "0010")):
        assert encode(found, "mode", name) == bytes.fromhex(words)
        value = decode(found, plan, 1, bytes.fromhex(words)).values["mode"]
        assert (value.text, value.shown) == (name, name)
    assert decode(found, plan, 1, b"\xff\xff").not_counting == {"test"}
    assert decode(found, plan, 1, b"\0\x10").suspect == {"flushing"}
    unknown = decode(found, plan, 1, b"\0\7").values["mode"]
    assert unknown.number == 7
    assert (unknown.text, unknown.shown, unknown.fault) == (None, "7", None)
    with pytest.raises(ValueError, match="named 'idle'"):
        encode(found, "mode", "idle")


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(ORDERS),
    st.text(st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="\\"), max_size=16),
)
def test_a_text_comes_back(order: str, text: str) -> None:
    quantity = one(f"tag: {{table: holding, register: 50, type: text, words: 8, {order}}}")
    value = come_back(quantity, text)
    assert (value.text, value.number, value.fault, value.shown) == (text, None, None, text or "blank")


def test_a_text_does_not_follow_the_word_order_of_the_numbers() -> None:
    head = HEAD.replace("high_word_first", "low_word_first").replace(
        "quantities:", "byte_order: low_byte_first\nquantities:"
    )
    found, _ = parse_map(head + "  tag: {table: holding, register: 0, type: text, words: 2}\n", "bench.yaml")
    assert found is not None
    assert value_of(found.quantities["tag"], b"BADC").text == "ABCD"


@pytest.mark.parametrize(
    ("setting", "words", "fits"),
    [
        ("type: uint16, enumeration: {0: litre, 1: gallon}, setting: unit, expected: litre", "0000", True),
        ("type: uint16, enumeration: {0: litre, 1: gallon}, setting: unit, expected: litre", "0001", False),
        ("type: uint16, enumeration: {0: litre, 1: gallon}, setting: unit, expected: [1, 7]", "0007", True),
        ("type: uint16, unit: 0.1 mm, setting: bore, expected: [200 mm, 8 in]", "07D0", True),
        ("type: uint16, unit: 0.1 mm, setting: bore, expected: [200 mm, 8 in]", "07F0", True),  # 203.2 mm
        ("type: uint16, unit: 0.1 mm, setting: bore", "0001", True),
        ("type: float32, unit: s, setting: damping, expected: 0.1", "3DCCCCCD", True),  # binary32 nearest to 0.1
        ("type: float32, unit: s, setting: damping, expected: 0.1", "3DCCCCCC", False),
        ("type: text, words: 2, setting: firmware, expected: [2.1, 2.2]", "322E3100", True),
        ("type: text, words: 2, setting: firmware, expected: [2.1, 2.2]", "322E3300", False),
        ("type: bcd, words: 1, setting: multiplier, expected: 1000", "1000", True),
        ("type: bcd, words: 1, setting: multiplier, expected: 1000", "100F", False),
    ],
)
def test_a_setting_reads_as_expected_or_not(setting: str, words: str, fits: bool) -> None:
    assert value_of(one(f"it: {{table: holding, register: 0, {setting}}}"), bytes.fromhex(words)).as_expected is fits


def test_a_uint64_above_two_to_the_63_is_a_total_like_any_other() -> None:
    quantity = one(
        "forward_total: {table: input, register: 0, type: uint64, one_count: 1 gal, capacity: 2^64, for_the_books: yes}"
    )
    value = value_of(quantity, bytes.fromhex("FFFFFFFFFFFFFFFF"))
    assert value.total == Total.exact(2**64 - 1)
    assert value.si == (2**64 - 1) * VOLUMES["gal"]
    assert value.shown == "18,446,744,073,709,551,615 gal"


def test_a_ratio_is_shown_with_as_many_digits_as_tell_its_words_apart() -> None:
    quantity = one("flow_rate: {table: input, register: 0, type: uint16, unit: 2500/65535 gpm}")
    shown = {value_of(quantity, raw.to_bytes(2, "big")).shown for raw in range(65536)}
    assert len(shown) == 65536
    assert max(map(len, shown)) <= len("2,499.96 gpm")
    assert value_of(quantity, b"\xff\xff").shown == "2,500 gpm"


ANY = map_of(
    *SCALED,
    (
        "whole: {table: input, register: 4, type: uint32, one_count: 1 L, low_part: "
        "{register: 7, type: float32, capacity: 1000}}"
    ),
    "trip: {table: input, register: 9, type: bcd, words: 2, one_count: 10 gal}",
    "old: {table: input, register: 11, type: modulo_10000, words: 3, one_count: 10 gal}",
    "flow_rate: {table: input, register: 14, type: float64, unit: 2/3 gpm, scale_from: s}",
    "s: {table: input, register: 18, type: float64}",
    "net_total: {table: input, register: 22, type: int32, one_count: 1 L}",
    "tag: {table: input, register: 24, type: text, words: 3}",
    "alarms: {table: discrete, register: 3, type: bits, words: 21, bits: {4: low, 5: {name: dry, when: 0}}}",
    "mode: {table: input, register: 27, type: uint16, enumeration: {0: normal}}",
)


@settings(max_examples=300, deadline=None)
@given(st.binary(min_size=59, max_size=59))  # 28 words and 24 bits
def test_any_words_give_a_value_or_a_fault_and_a_text_to_show(words: bytes) -> None:
    decoded = decode(ANY, [Read(4, 0, 28), Read(2, 0, 24)], 0b11, words)
    assert set(decoded.values) == set(ANY.quantities)
    for value in decoded.values.values():
        assert (value.fault is None) or (value.total is None and value.si is None)
        assert value.fault is not None or value.number is not None or value.text is not None
        assert (value.scale is None) == (value.total is None)
        assert value.shown

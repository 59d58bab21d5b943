"""Values that take two requests, against a meter whose counter runs on between one request and the next."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.units import measure
from tallywell.registers.blocks import books_read, chosen, chosen_sets, plain_reads, reads
from tallywell.registers.decode import bringing, decode, holds
from tallywell.registers.encode import encode, encoded_parts
from tallywell.registers.in_two import in_two
from tallywell.registers.numbers import limits as limits_of
from tallywell.registers.quantity import (
    ByteOrder,
    Direction,
    Factor,
    Kind,
    Limits,
    LowPart,
    Quantity,
    RegisterMap,
    Span,
    Table,
    ValueType,
    WordOrder,
)
from tallywell.simulator.allowed import refusal

LITRE = measure("1 L", "volume")
LOW_FIRST = WordOrder.LOW_WORD_FIRST


def total(register: int = 0, kind: ValueType = ValueType.UINT32, **more: object) -> Quantity:
    found = Quantity(
        "forward_total", Kind.TOTAL, Table.INPUT, register, kind,
        unit="L", si_per_unit=LITRE.si, one_count=LITRE, for_the_books=True, **more,  # type: ignore[arg-type] # names of fields
    )  # fmt: skip
    return replace(found, capacity=capacity_of(found))


def capacity_of(quantity: Quantity) -> int:
    low = 1 if quantity.low_part is None else quantity.low_part.capacity
    return low * (limits_of(quantity.type, quantity.words)[1] + 1)


def map_of(*quantities: Quantity, limits: Limits | None = None, barred: Sequence[Span] = ()) -> RegisterMap:
    by_name = {quantity.name: quantity for quantity in quantities}
    return RegisterMap("bench", 1, by_name, limits or Limits(), do_not_read=tuple(barred))


# --- what a meter gives


@dataclass(frozen=True, slots=True)
class Running:
    """A meter whose total stands at `counts[k]` when request k comes."""

    map: RegisterMap
    counts: Sequence[int]

    def answer(self, read: Read, number: int) -> bytes:
        (quantity,) = self.map.quantities.values()
        words = encode(self.map, quantity.name, self.counts[number] % (quantity.capacity or 1))
        whole = {quantity.first + k: words[2 * k : 2 * k + 2] for k in range(len(words) // 2)}
        return b"".join(whole.get(read.register + k, b"\xee\xee") for k in range(read.words))

    def raw(self, plan: Sequence[Read]) -> bytes:
        return b"".join(self.answer(read, number) for number, read in enumerate(plan))


@st.composite
def divided(draw: st.DrawFn) -> RegisterMap:
    """A total and a meter that does not give all of it at once."""
    word_order, byte_order = draw(st.sampled_from(list(WordOrder))), draw(st.sampled_from(list(ByteOrder)))
    orders: dict[str, object] = {"word_order": word_order, "byte_order": byte_order}
    if draw(st.booleans()):
        return draw(_of_two_registers(orders))
    kind = draw(st.sampled_from([ValueType.UINT32, ValueType.UINT64, ValueType.BCD, ValueType.MODULO_10000]))
    words = kind.words if kind.has_fixed_words else draw(st.integers(2, 4))
    quantity = total(4, kind, length=None if kind.has_fixed_words else words, **orders)
    if draw(st.booleans()):
        return map_of(quantity, limits=Limits(words_per_read=draw(st.integers((words + 1) // 2, words - 1))))
    cut = draw(st.integers(5, 3 + words))
    before, behind = draw(st.integers(0, 3)), draw(st.integers(0, 3))
    first = Read(4, 4 - before, draw(st.integers(cut, 3 + words)) - 4 + before)
    second = Read(4, cut, 4 + words + behind - cut)
    others = draw(st.lists(st.sampled_from([Read(4, 0, 4), Read(4, 30, 2), Read(3, 4, words)]), max_size=2))
    return map_of(quantity, limits=Limits(exact_reads=(first, second, *others)))


@st.composite
def _of_two_registers(draw: st.DrawFn, orders: dict[str, object]) -> RegisterMap:
    gap, below = draw(st.integers(1, 6)), draw(st.booleans())
    kind = draw(st.sampled_from([ValueType.UINT16, ValueType.UINT32]))
    low_kind = draw(st.sampled_from([ValueType.UINT16, ValueType.UINT32]))
    at = 10 - gap - low_kind.words if below else 10 + kind.words + gap
    low = LowPart(at, low_kind, draw(st.sampled_from([10, 1000, 1 << 16])))
    quantity = total(10, kind, low_part=low, **orders)
    way = draw(st.sampled_from(["words", "barred", "one_by_one", "exact"]))
    if way == "words":
        return map_of(quantity, limits=Limits(words_per_read=max(kind.words, low_kind.words)))
    if way == "one_by_one":
        return map_of(quantity, limits=Limits(one_by_one=True))
    if way == "exact":
        both = Read(4, 10, kind.words), Read(4, at, low_kind.words)
        return map_of(quantity, limits=Limits(exact_reads=both))
    begin = at + low_kind.words if below else 10 + kind.words
    return map_of(quantity, barred=[Span(Table.INPUT, begin, begin + draw(st.integers(1, gap)))])


@st.composite
def running(draw: st.DrawFn) -> Running:
    """It counts on by little or much between the requests, and often is just about to carry."""
    register_map = draw(divided())
    quantity = register_map.quantities["forward_total"]
    capacity = capacity_of(quantity)
    carry = quantity.low_part.capacity if quantity.low_part else draw(st.sampled_from([1 << 16, 10_000, 1 << 32]))
    near = draw(st.integers(0, max(0, capacity // carry))) * carry + draw(st.integers(-3, 2))
    count = max(0, near if draw(st.booleans()) else draw(st.integers(0, capacity - 1)))
    steps = draw(st.lists(st.sampled_from([0, 0, 1, 2, 5, carry // 3, carry]), min_size=3, max_size=3))
    counts = [count := count + step for step in [0, *steps]]
    return Running(register_map, counts)


@settings(max_examples=600)
@given(running())
def test_what_is_accepted_stood_in_the_meter_between_the_first_read_and_the_last(meter: Running) -> None:
    quantity, plan = meter.map.quantities["forward_total"], reads(meter.map)
    before, low, again = bringing(meter.map, plan, quantity)
    assert (before, low, again) == (0, 1, 2) == tuple(range(len(plan)))
    value = decode(meter.map, plan, 0b111, meter.raw(plan)).books
    assert value is not None
    stood = [count % capacity_of(quantity) for count in meter.counts[:3]]
    still = decode(meter.map, plan, 0b111, Running(meter.map, [meter.counts[1]] * 3).raw(plan)).books
    assert still is not None
    assert still.total is not None
    assert still.total.count == stood[1], "a counter that stands is read for what it is"
    if value.fault is None:
        assert value.total is not None
        assert value.total.count == stood[1]
        assert value.raw == still.raw
    else:
        assert (value.fault, value.total, value.si) == (Fault.TORN, None, None)
        assert len(set(stood)) > 1, "what did not move is not torn"
    event("torn" if value.fault else "taken while it moved" if len(set(stood)) > 1 else "taken at rest")


@settings(max_examples=200)
@given(running())
def test_only_a_carry_into_the_high_part_is_refused(meter: Running) -> None:
    """The high part as the wire has it, found by letting the low part alone run."""
    quantity, plan = meter.map.quantities["forward_total"], reads(meter.map)
    value = decode(meter.map, plan, 0b111, meter.raw(plan)).books
    assert value is not None
    places = in_two(quantity, meter.map.limits, meter.map.do_not_read)
    assert places is not None

    def high_of(number: int) -> bytes:
        words = encode(meter.map, quantity.name, meter.counts[number] % capacity_of(quantity))
        return words[2 * (places.high[0] - quantity.first) : 2 * (places.high[1] - quantity.first)]

    changed = high_of(0) != high_of(2)
    assert (value.fault is Fault.TORN) == changed


@settings(max_examples=300)
@given(divided())
def test_no_read_of_the_plan_is_one_that_the_meter_would_refuse(register_map: RegisterMap) -> None:
    limits, quantity = register_map.limits, register_map.quantities["forward_total"]
    for plan in (reads(register_map), plain_reads(register_map)):
        assert not any(holds(read, quantity) for read in plan)
        for read in plan:
            assert read.words <= limits.words_per_read
            touched = range(read.register, read.register + read.words)
            assert not any(span.first <= r < span.end for span in register_map.do_not_read for r in touched)
            assert not limits.exact_reads or read in limits.exact_reads


# --- several quantities in one map

KINDS = [ValueType.UINT16, ValueType.UINT16, ValueType.UINT32, ValueType.INT32, ValueType.FLOAT32, ValueType.UINT64]


@st.composite
def crowded(draw: st.DrawFn) -> RegisterMap:
    """Neighbours of several lengths, totals of two registers among them, and a meter that gives little at once."""
    found, at = [total(draw(st.integers(0, 2)), draw(st.sampled_from([ValueType.UINT16, ValueType.UINT32])))], 4
    for number in range(draw(st.integers(1, 5))):
        at += draw(st.integers(0, 2))
        kind = draw(st.sampled_from(KINDS))
        quantity = Quantity(
            f"q{number}", Kind.OTHER, Table.INPUT, at, kind, word_order=draw(st.sampled_from(WordOrder))
        )
        if kind in (ValueType.UINT16, ValueType.UINT32) and draw(st.booleans()):
            low = LowPart(at + kind.words + draw(st.integers(0, 3)), ValueType.UINT16, 1000)
            quantity = replace(total(at, kind, low_part=low), name=f"q{number}", for_the_books=False)
        found.append(quantity)
        at = quantity.end
    limits = draw(st.sampled_from([Limits(words_per_read=1), Limits(words_per_read=2), Limits(words_per_read=3),
                                   Limits(one_by_one=True), Limits(words_per_read=3, padding=1)]))  # fmt: skip
    owned = {r for q in found for r in (*range(q.register, q.register + q.words), *(_low_registers(q)))}
    free = [r for r in range(at) if r not in owned]
    barred = draw(st.lists(st.sampled_from(free), max_size=2)) if free else []
    return map_of(*found, limits=limits, barred=[Span(Table.INPUT, r, r + 1) for r in barred])


def _low_registers(quantity: Quantity) -> range:
    return range(quantity.low_part.register, quantity.low_part.end) if quantity.low_part else range(0)


def comes_at_once(register_map: RegisterMap, quantity: Quantity) -> bool:
    """Whether the meter gives all of it in one answer, judged register by register."""
    inside = range(quantity.first, quantity.end)
    barred = any(span.first <= register < span.end for span in register_map.do_not_read for register in inside)
    gap = len(inside) - quantity.words - len(_low_registers(quantity))
    alone = register_map.limits.one_by_one and gap > 0
    return len(inside) <= register_map.limits.words_per_read and not barred and not alone


@settings(max_examples=400)
@given(crowded(), st.data())
def test_a_plan_brings_all_that_one_or_two_requests_can_bring(register_map: RegisterMap, data: st.DataObject) -> None:
    most = register_map.limits.words_per_read
    for plan in (reads(register_map), plain_reads(register_map)):
        assert all(refusal(register_map, r.function, r.register, r.words) is None for r in plan)
        three = 0
        for quantity in register_map.quantities.values():
            found = bringing(register_map, plan, quantity)
            parts = [quantity.words] if quantity.low_part is None else [quantity.words, quantity.low_part.words]
            can = max(parts) <= most if quantity.low_part else quantity.words <= 2 * most
            assert bool(found) == can
            assert len(found) in ((1,) if comes_at_once(register_map, quantity) else (3, 0))
            three += len(found) == 3
        names = [q.name for q in register_map.quantities.values() if bringing(register_map, plan, q)]
        numbers = {name: data.draw(st.integers(0, 9999)) for name in names}
        values = decode(register_map, plan, (1 << len(plan)) - 1, standing(register_map, plan, numbers)).values
        assert {name: value.total.count if value.total else value.number for name, value in values.items()} == numbers
        event(f"{three} in two requests")


def standing(register_map: RegisterMap, plan: Sequence[Read], numbers: dict[str, int]) -> bytes:
    """What a meter gives that stands still, in the plan's order."""
    there: dict[int, bytes] = {}
    for name, number in numbers.items():
        for at, words in encoded_parts(register_map.quantities[name], number):
            there |= {at + k: words[2 * k : 2 * k + 2] for k in range(len(words) // 2)}
    return b"".join(there.get(r.register + k, b"\0\0") for r in plan for k in range(r.words))


# --- single cases, words worked out by hand


ONE_A_READ = Limits(words_per_read=1)
HIGH_LOW_HIGH = (Read(4, 0, 1), Read(4, 1, 1), Read(4, 0, 1))


@pytest.mark.parametrize(
    ("order", "plan", "raw", "count"),
    [
        (WordOrder.HIGH_WORD_FIRST, HIGH_LOW_HIGH, "0001 86A0 0001", 100_000),
        (WordOrder.HIGH_WORD_FIRST, HIGH_LOW_HIGH, "0001 0003 0002", None),  # from 131,071 on; 65,539 never was
        (WordOrder.HIGH_WORD_FIRST, HIGH_LOW_HIGH, "0001 FFFF 0002", None),  # true by chance, and nothing tells it
        (LOW_FIRST, (Read(4, 1, 1), Read(4, 0, 1), Read(4, 1, 1)), "0001 86A0 0001", 100_000),
    ],
)
def test_the_high_word_is_read_before_and_behind_the_low_one(
    order: WordOrder, plan: tuple[Read, ...], raw: str, count: int | None
) -> None:
    found = map_of(total(word_order=order), limits=ONE_A_READ)
    assert reads(found) == plain_reads(found) == plan
    books = decode(found, plan, 0b111, bytes.fromhex(raw)).books
    assert books is not None
    assert (books.total and books.total.count) == count
    assert (books.fault, books.shown) == ((Fault.TORN, "torn") if count is None else (None, f"{count:,} L"))
    assert books_read(found, plan) == 1, "the meter held the value when it gave the low part"


@pytest.mark.parametrize("got", [0b000, 0b001, 0b011, 0b101, 0b110])
def test_without_all_three_there_is_no_value(got: int) -> None:
    found = map_of(total(), limits=ONE_A_READ)
    decoded = decode(found, HIGH_LOW_HIGH, got, b"\0\1" * got.bit_count())
    assert (decoded.books, decoded.values) == (None, {})


def test_words_that_do_not_fit_the_plan_are_said_so() -> None:
    found = map_of(total(), limits=ONE_A_READ)
    books = decode(found, HIGH_LOW_HIGH, 0b111, b"\0\1").books
    assert books is not None
    assert books.fault is Fault.PLAN_MISMATCH


def test_a_stored_plan_is_decoded_by_itself_whatever_the_map_now_allows() -> None:
    """The map was corrected since: the meter gives whole totals after all, so no limit tells of two requests."""
    books = decode(map_of(total()), HIGH_LOW_HIGH, 0b111, bytes.fromhex("0001 86A0 0001")).books
    assert books is not None
    assert books.total is not None
    assert books.total.count == 100_000


def test_a_whole_read_goes_before_two() -> None:
    plan = (*HIGH_LOW_HIGH, Read(4, 0, 2))
    books = decode(map_of(total()), plan, 0b1111, bytes.fromhex("0001 0003 0002 0002 0003")).books
    assert books is not None
    assert books.total is not None
    assert books.total.count == 131_075


def test_what_one_read_brings_takes_one() -> None:
    low = LowPart(2, ValueType.UINT16, 1000)
    assert reads(map_of(total(low_part=low))) == (Read(4, 0, 3),)
    assert reads(map_of(total(low_part=low), limits=Limits(one_by_one=True))) == (Read(4, 0, 3),)
    apart = replace(low, register=9)
    assert reads(map_of(total(low_part=apart))) == (Read(4, 0, 10),)
    one = map_of(total(low_part=apart), limits=Limits(one_by_one=True))
    assert reads(one) == (Read(4, 0, 2), Read(4, 9, 1), Read(4, 0, 2))


def test_a_total_changes_its_high_part_seldom_and_another_number_is_guarded_as_finely_as_can_be() -> None:
    three = Limits(words_per_read=3)
    assert reads(map_of(total(kind=ValueType.UINT64), limits=three)) == (Read(4, 0, 1), Read(4, 1, 3), Read(4, 0, 1))
    level = Quantity("level", Kind.OTHER, Table.INPUT, 0, ValueType.FLOAT64)
    assert reads(map_of(level, limits=three)) == (Read(4, 0, 3), Read(4, 3, 1), Read(4, 0, 3))


def test_values_of_one_high_part_share_its_reads() -> None:
    """All of a meter's counters may carry into one register that says how often they went round."""
    a = total(9, ValueType.UINT16, low_part=LowPart(1, ValueType.UINT16, 1 << 16))
    b = replace(a, name="reverse_total", low_part=LowPart(2, ValueType.UINT16, 1 << 16), for_the_books=False)
    found = map_of(a, replace(b, direction=Direction.REVERSE), limits=ONE_A_READ)
    plan = reads(found)
    assert plan == (Read(4, 9, 1), Read(4, 1, 1), Read(4, 9, 1), Read(4, 2, 1), Read(4, 9, 1))
    values = decode(found, plan, 0b11111, bytes.fromhex("0001 FFFF 0001 0005 0002")).values
    assert [value.shown for value in values.values()] == ["131,071 L", "torn"]


def test_the_books_come_first_and_their_three_reads_stay_together() -> None:
    flow = Quantity("flow_rate", Kind.OTHER, Table.INPUT, 0, ValueType.UINT16)
    scale = Quantity("scale", Kind.OTHER, Table.INPUT, 7, ValueType.UINT16)
    scaled = replace(total(4), factor=Factor("scale", exponent=False))
    plan = reads(map_of(flow, scale, scaled, limits=ONE_A_READ))
    assert plan == (Read(4, 4, 1), Read(4, 5, 1), Read(4, 4, 1), Read(4, 7, 1), Read(4, 0, 1))


def test_a_torn_factor_makes_what_it_scales_torn() -> None:
    scale = Quantity("scale", Kind.OTHER, Table.INPUT, 6, ValueType.UINT32)
    scaled = replace(total(4, ValueType.UINT16), factor=Factor("scale", exponent=False))
    found = map_of(scale, scaled, limits=ONE_A_READ)
    plan = reads(found)
    assert plan == (Read(4, 4, 1), Read(4, 6, 1), Read(4, 7, 1), Read(4, 6, 1))
    torn = decode(found, plan, 0b1111, bytes.fromhex("0007 0000 0001 0001")).books
    whole = decode(found, plan, 0b1111, bytes.fromhex("0007 0000 0001 0000")).books
    assert torn is not None
    assert whole is not None
    assert (torn.fault, torn.total) == (Fault.TORN, None)
    assert whole.number == Fraction(7)


def test_another_quantity_in_these_reads_has_no_read_of_its_own() -> None:
    inside = Quantity("high", Kind.OTHER, Table.INPUT, 0, ValueType.UINT16)
    found = map_of(total(), inside, limits=ONE_A_READ)
    assert reads(found) == HIGH_LOW_HIGH
    assert decode(found, HIGH_LOW_HIGH, 0b111, bytes.fromhex("0001 0003 0002")).values["high"].number == 1


def test_lengths_are_kept_clear_of_those_of_the_parts() -> None:
    """The parts have one and two words; a third read of one word is given a length of its own where that can be had."""
    low = LowPart(9, ValueType.UINT16, 1000)
    flow = Quantity("flow_rate", Kind.OTHER, Table.INPUT, 20, ValueType.UINT16)
    found = map_of(total(low_part=low), flow, barred=[Span(Table.INPUT, 5, 6)])
    tight = chosen(found)
    assert tight.reads == (Read(4, 0, 2), Read(4, 9, 1), Read(4, 0, 2), Read(4, 20, 1))
    assert not tight.lengths_differ
    roomy = chosen(replace(found, safe_to_read=(Span(Table.INPUT, 21, 30),)))
    assert roomy.reads[3] == Read(4, 20, 3)
    assert roomy.lengths_differ
    assert roomy.ns > tight.ns


def test_what_takes_two_requests_may_be_read_in_a_rhythm_of_its_own() -> None:
    level = Quantity("level", Kind.OTHER, Table.INPUT, 6, ValueType.FLOAT32, rhythm=replace(total().rhythm, every_ns=1))
    found = map_of(total(), level, limits=ONE_A_READ)
    sets = [plan.reads for _, plan in chosen_sets(found, 60_000_000_000)]
    assert sets == [HIGH_LOW_HIGH, (Read(4, 6, 1), Read(4, 7, 1), Read(4, 6, 1))]

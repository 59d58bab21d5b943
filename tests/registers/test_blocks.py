"""The cheapest reads, none of which splits a value, with answers of different lengths; and what is read together."""

from dataclasses import replace

import pytest

from tallywell.readings.exchange import Read
from tallywell.readings.units import measure
from tallywell.registers.blocks import (
    USUAL_COSTS,
    Costs,
    books_read,
    chosen,
    chosen_sets,
    plain_reads,
    read_sets,
    reads,
)
from tallywell.registers.permitted import tables
from tallywell.registers.quantity import (
    EACH_POLL,
    ONCE,
    SETTINGS,
    Factor,
    Kind,
    Limits,
    LowPart,
    Quantity,
    RegisterMap,
    Rhythm,
    Span,
    Table,
    ValueType,
    Wake,
)
from tests.registers.unreadable import unreadable

MINUTE, HOUR = 60_000_000_000, 3_600_000_000_000


def at(name: str, register: int, kind: ValueType = ValueType.UINT16, table: Table = Table.INPUT) -> Quantity:
    return Quantity(name, Kind.OTHER, table, register, kind)


def books(register: int, table: Table = Table.INPUT) -> Quantity:
    one_count = measure("1 gal", "volume")
    return Quantity(
        "forward_total", Kind.TOTAL, table, register, ValueType.UINT32,
        one_count=one_count, capacity=10**8, for_the_books=True,
    )  # fmt: skip


def flags(name: str, register: int, bits: int, table: Table = Table.DISCRETE) -> Quantity:
    return Quantity(name, Kind.BITS, table, register, ValueType.UINT16, length=bits)


def map_of(*quantities: Quantity, limits: Limits | None = None) -> RegisterMap:
    return RegisterMap("bench", 1, {quantity.name: quantity for quantity in quantities}, limits or Limits())


def test_neighbours_are_joined_and_a_gap_is_not_read_over() -> None:
    assert reads(map_of(at("a", 0), at("b", 1), at("c", 3))) == (Read(4, 0, 2), Read(4, 3, 1))


def test_a_gap_is_read_over_where_the_map_allows_it() -> None:
    assert reads(map_of(at("a", 0), at("b", 1), at("c", 3), limits=Limits(padding=1))) == (Read(4, 0, 4),)


def test_registers_that_overlap_are_read_once() -> None:
    assert reads(map_of(at("whole", 0, ValueType.UINT64), at("low", 3), at("mid", 1))) == (Read(4, 0, 4),)


def test_a_value_is_not_split_by_the_limit() -> None:
    found = reads(map_of(at("a", 0, ValueType.UINT64), at("b", 4, ValueType.UINT64), limits=Limits(words_per_read=6)))
    assert found == (Read(4, 0, 4), Read(4, 4, 4))


def test_the_read_with_the_books_total_goes_first() -> None:
    found = map_of(at("flow_rate", 0), books(40, Table.HOLDING), at("status", 7, table=Table.HOLDING))
    assert reads(found) == (Read(3, 40, 2), Read(4, 0, 1), Read(3, 7, 1))
    assert books_read(found, reads(found)) == 0
    assert books_read(found, (Read(4, 0, 1), Read(3, 39, 3))) == 1
    assert books_read(found, (Read(4, 40, 2),)) is None
    assert books_read(map_of(at("flow_rate", 0)), (Read(4, 0, 1),)) is None


def test_only_what_is_named_is_read() -> None:
    found = map_of(at("flow_rate", 0), books(1))
    assert reads(found, ["forward_total"]) == (Read(4, 1, 2),)
    assert reads(found, []) == ()


def test_a_map_without_room_for_two_values_is_read_one_by_one() -> None:
    found = map_of(at("a", 0), at("b", 1))
    plan = chosen(replace(found, limits=Limits(words_per_read=1)))
    assert plan.reads == (Read(4, 0, 1), Read(4, 1, 1))
    assert not plan.lengths_differ
    assert plan.proven


def test_what_a_plan_costs_by_default() -> None:
    """By hand, 19,200 baud, 11 bits a character: 8 + 5 + 2 x 3.5 + 4 characters of 572.917 us and 20 ms."""
    assert chosen(map_of(at("a", 0, ValueType.UINT32))).ns == 24 * 572_917 + 20_000_000
    assert USUAL_COSTS.ns(4) == 33_750_008


def test_a_request_that_costs_little_is_made_rather_than_a_gap_read_over() -> None:
    found = map_of(at("a", 0), at("b", 10, ValueType.UINT32), limits=Limits(padding=9))
    assert reads(found, costs=Costs(request_ns=20, byte_ns=1)) == (Read(4, 0, 12),)
    assert reads(found, costs=Costs(request_ns=17, byte_ns=1)) == (Read(4, 0, 1), Read(4, 10, 2))


def test_of_two_equal_reads_one_is_made_longer_where_the_map_allows_it() -> None:
    found = map_of(at("a", 0, ValueType.UINT32), at("b", 100, ValueType.UINT32))
    assert reads(found) == (Read(4, 0, 2), Read(4, 100, 2))
    safe = replace(found, safe_to_read=(Span(Table.INPUT, 98, 100),))
    assert reads(safe) == (Read(4, 0, 2), Read(4, 99, 3))
    assert reads(replace(safe, do_not_read=(Span(Table.INPUT, 99, 100),))) == reads(found)
    assert chosen(safe).lengths_differ
    assert not chosen(found).lengths_differ


def test_a_read_grows_over_quantities_that_nobody_asked_for_but_takes_them_whole() -> None:
    found = map_of(at("a", 0, ValueType.UINT32), at("b", 100, ValueType.UINT32), at("c", 102, ValueType.UINT32))
    assert reads(found, ["a", "b"]) == (Read(4, 0, 2), Read(4, 100, 4))
    safe = replace(found, safe_to_read=(Span(Table.INPUT, 100, 110),))
    assert reads(safe, ["a", "b"]) == (Read(4, 0, 2), Read(4, 100, 4))


def test_the_same_length_in_answers_of_two_functions_is_no_danger() -> None:
    found = map_of(at("a", 0), at("b", 0, table=Table.HOLDING), flags("c", 0, 16), flags("d", 0, 16, Table.COIL))
    plan = chosen(found)
    assert plan.reads == (Read(4, 0, 1), Read(3, 0, 1), Read(2, 0, 16), Read(1, 0, 16))
    assert plan.lengths_differ


def test_three_reads_of_different_lengths_go_before_two_of_one() -> None:
    found = map_of(*(at(f"q{k}", k) for k in range(8)), limits=Limits(words_per_read=4))
    assert sorted(read.words for read in reads(found)) == [1, 3, 4]


def test_a_gap_is_only_read_in_passing() -> None:
    found = map_of(at("a", 0), at("b", 3), at("c", 50), limits=Limits(padding=2, words_per_read=3))
    assert {read.words for read in reads(found)} == {1}
    found = replace(found, limits=Limits(padding=2))
    assert reads(found) == (Read(4, 0, 4), Read(4, 50, 1))
    barred = replace(found, do_not_read=(Span(Table.INPUT, 2, 3),))
    assert reads(barred) == (Read(4, 0, 1), Read(4, 3, 1), Read(4, 50, 1))


def test_safe_registers_do_not_count_as_padding() -> None:
    found = map_of(at("a", 0), at("b", 5), limits=Limits(padding=1))
    safe = (Span(Table.INPUT, 1, 4), Span(Table.HOLDING, 4, 5))
    assert len(reads(found)) == 2
    assert reads(replace(found, safe_to_read=safe)) == (Read(4, 0, 6),)


def test_answers_of_bits_differ_by_whole_bytes() -> None:
    found = map_of(flags("a", 0, 4), flags("b", 100, 6))
    assert reads(found) == (Read(2, 0, 4), Read(2, 100, 6))
    assert not chosen(found).lengths_differ
    safe = replace(found, safe_to_read=(Span(Table.DISCRETE, 106, 130),))
    assert reads(safe) == (Read(2, 0, 4), Read(2, 100, 9))
    assert chosen(safe).lengths_differ
    assert reads(replace(safe, limits=Limits(bits_per_read=8))) == reads(found)


def test_words_that_belong_together_come_in_one_answer() -> None:
    apart = map_of(at("total_exponent", 6), books(9), at("flow_rate", 0), limits=Limits(padding=1, words_per_read=8))
    assert len(reads(apart)) == 3
    found = replace(apart, together=(frozenset({"forward_total", "total_exponent"}),))
    assert reads(found) == (Read(4, 6, 5), Read(4, 0, 1))
    assert reads(found, ["forward_total"]) == (Read(4, 6, 5),)
    assert plain_reads(found) == reads(found)


def test_groups_with_a_quantity_in_common_come_in_one_answer() -> None:
    found = map_of(at("a", 0), at("b", 4), at("c", 8))
    chained = replace(found, together=(frozenset("ab"), frozenset("bc")))
    assert reads(chained) == plain_reads(chained) == (Read(4, 0, 9),)


def test_both_parts_of_a_total_come_in_one_answer() -> None:
    total = replace(books(20), low_part=LowPart(24, ValueType.UINT16, 1000))
    assert reads(map_of(total)) == (Read(4, 20, 5),)
    assert books_read(map_of(total), (Read(4, 24, 1), Read(4, 20, 5))) == 1


def test_what_scales_the_books_total_is_read_and_follows_it_at_once() -> None:
    total = replace(books(40, Table.HOLDING), factor=Factor("exponent", exponent=True))
    found = map_of(at("flow_rate", 0), at("exponent", 90, table=Table.HOLDING), at("a", 7, table=Table.HOLDING), total)
    assert reads(found) == (Read(3, 40, 2), Read(3, 90, 1), Read(4, 0, 1), Read(3, 7, 1))
    assert reads(found, ["forward_total"]) == (Read(3, 40, 2), Read(3, 90, 1))
    assert reads(found, ["exponent"]) == (Read(3, 90, 1),)


def test_only_the_reads_that_a_meter_answers_are_asked() -> None:
    exact = (Read(4, 0, 10), Read(4, 0, 4), Read(4, 20, 10), Read(4, 20, 12), Read(3, 0, 30))
    found = map_of(at("a", 1), at("b", 8), at("c", 21, ValueType.UINT32), limits=Limits(exact_reads=exact))
    assert reads(found) == (Read(4, 0, 10), Read(4, 20, 12))
    assert reads(found, ["a"]) == (Read(4, 0, 4),)
    assert plain_reads(found) == (Read(4, 0, 4), Read(4, 0, 10), Read(4, 20, 10))
    barred = replace(found, do_not_read=(Span(Table.INPUT, 5, 6),))
    assert unreadable(barred) == ("b",)
    assert reads(barred) == (Read(4, 0, 4), Read(4, 20, 10))


def test_a_meter_that_answers_one_quantity_at_a_time_is_asked_for_one() -> None:
    found = map_of(at("a", 0), at("b", 1), at("c", 2, ValueType.UINT32), limits=Limits(one_by_one=True, padding=9))
    assert reads(found) == plain_reads(found) == (Read(4, 0, 1), Read(4, 1, 1), Read(4, 2, 2))
    grouped = replace(found, together=(frozenset("bc"),))
    assert reads(grouped) == (Read(4, 0, 1), Read(4, 1, 3))


def test_what_no_read_may_bring_is_named_and_left_out() -> None:
    found = map_of(at("a", 0), at("wide", 4, ValueType.UINT64), at("barred", 20), limits=Limits(words_per_read=1))
    found = replace(found, do_not_read=(Span(Table.INPUT, 20, 21),))
    assert unreadable(found) == ("wide", "barred")
    assert reads(found) == plain_reads(found) == (Read(4, 0, 1),)
    together = replace(found, together=(frozenset({"a", "barred"}),))
    assert unreadable(together) == ("a", "wide", "barred")
    assert reads(together) == ()


def test_a_read_stays_within_the_table() -> None:
    found = map_of(at("a", 0), at("b", 65_535), limits=Limits(padding=9))
    assert reads(replace(found, safe_to_read=(Span(Table.INPUT, 65_530, 65_536),))) == (
        Read(4, 0, 1),
        Read(4, 65_534, 2),
    )


def test_a_name_that_the_map_does_not_have_is_our_own_fault() -> None:
    with pytest.raises(KeyError):
        reads(map_of(at("a", 0)), ["b"])


def test_the_plain_plan_has_a_read_for_each_quantity() -> None:
    found = map_of(at("flow_rate", 0), at("a", 1), books(2), at("low_word", 3))
    assert plain_reads(found) == (Read(4, 2, 2), Read(4, 0, 1), Read(4, 1, 1), Read(4, 3, 1))
    assert reads(found) == (Read(4, 0, 4),)


def test_what_is_read_together_how_often() -> None:
    found = map_of(
        at("flow_rate", 0),
        replace(at("serial", 70), rhythm=SETTINGS),
        replace(books(1), rhythm=Rhythm(HOUR)),
        replace(at("temperature", 60), rhythm=Rhythm(HOUR)),
        replace(at("minutely", 61), rhythm=Rhythm(MINUTE)),
        replace(at("tag", 50), rhythm=ONCE),
    )
    sets = read_sets(found, MINUTE)
    assert [(s.names, s.rhythm) for s in sets] == [
        (("flow_rate", "forward_total", "minutely"), EACH_POLL),
        (("temperature",), Rhythm(HOUR)),
        (("serial",), SETTINGS),
        (("tag",), ONCE),
    ]
    assert [s.names for s in read_sets(found, HOUR)][:2] == [
        ("flow_rate", "forward_total", "temperature"),
        ("minutely",),
    ]


def test_what_needs_one_another_goes_with_the_most_frequent_of_them() -> None:
    total = replace(books(1), factor=Factor("exponent", exponent=True))
    found = map_of(
        total,
        replace(at("exponent", 9), rhythm=ONCE),
        replace(at("low", 20), rhythm=ONCE),
        replace(at("high", 21), rhythm=Rhythm(HOUR)),
        replace(at("serial", 22), rhythm=SETTINGS),
    )
    with_books = replace(found, together=(frozenset({"forward_total", "serial"}),))
    assert read_sets(with_books, MINUTE)[0].names == ("forward_total", "exponent", "serial")
    assert read_sets(with_books, MINUTE)[0].rhythm == EACH_POLL
    found = replace(found, together=(frozenset({"low", "high", "serial"}),))
    assert [(s.names, s.rhythm) for s in read_sets(found, MINUTE)] == [
        (("forward_total", "exponent"), EACH_POLL),
        (("low", "high", "serial"), Rhythm(HOUR, after_silence=True)),
    ]


def test_the_plans_of_one_meter_keep_clear_of_each_others_lengths() -> None:
    found = map_of(books(0), replace(at("tag", 50, ValueType.UINT32), rhythm=ONCE))
    found = replace(found, safe_to_read=(Span(Table.INPUT, 52, 60),))
    assert [plan.reads for _, plan in chosen_sets(found, MINUTE)] == [(Read(4, 0, 2),), (Read(4, 50, 3),)]
    woken = replace(found, wake=Wake(Read(4, 0, 3), 1, 1))
    assert [plan.reads for _, plan in chosen_sets(woken, MINUTE)] == [(Read(4, 0, 2),), (Read(4, 50, 4),)]
    bare = replace(found, safe_to_read=())
    assert not chosen(bare, ["tag"], beside=[Read(4, 0, 2)]).lengths_differ
    assert chosen(bare, ["tag"], beside=[Read(3, 0, 2)]).lengths_differ


def test_what_a_table_permits_is_worked_out_once_for_all_sets_of_a_map() -> None:
    """A map may give each quantity a rhythm of its own; every set is planned, and the table is the same for all."""
    seconds = 1_000_000_000
    each = [replace(at(f"q{k}", 10 + 2 * k), rhythm=Rhythm((k + 2) * seconds)) for k in range(40)]
    found = map_of(books(0), *each)
    tables.cache_clear()
    sets = chosen_sets(found, 60 * seconds)
    assert len(sets) == 41
    assert tables.cache_info().misses == 1

"""The fewest reads, none of which splits a value."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.readings.units import measure
from tallywell.registers.blocks import books_read, reads
from tallywell.registers.decode import holds
from tallywell.registers.quantity import Kind, Limits, Quantity, RegisterMap, Table, ValueType


def at(name: str, register: int, kind: ValueType = ValueType.UINT16, table: Table = Table.INPUT) -> Quantity:
    return Quantity(name, Kind.OTHER, table, register, kind)


def books(register: int, table: Table = Table.INPUT) -> Quantity:
    one_count = measure("1 gal", "volume")
    return Quantity(
        "forward_total", Kind.TOTAL, table, register, ValueType.UINT32,
        one_count=one_count, capacity=10**8, for_the_books=True,
    )  # fmt: skip


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


FIXED = [kind for kind in ValueType if kind.has_fixed_words]
QUANTITIES = st.lists(
    st.tuples(st.integers(0, 60), st.sampled_from(FIXED), st.sampled_from([Table.INPUT, Table.HOLDING])),
    min_size=1,
    max_size=12,
)


@settings(max_examples=200, deadline=None)
@given(QUANTITIES, st.integers(4, 12), st.integers(0, 3))
def test_every_value_is_in_one_read_and_no_read_is_longer_than_allowed(
    places: list[tuple[int, ValueType, Table]], words: int, padding: int
) -> None:
    quantities = [at(f"q{k}", *place) for k, place in enumerate(places)]
    found = map_of(*quantities, limits=Limits(words_per_read=words, padding=padding))
    plan = reads(found)
    assert all(any(holds(read, quantity) for read in plan) for quantity in quantities)
    assert all(read.words <= words for read in plan)
    wanted = {(q.table.function, register) for q in quantities for register in range(q.register, q.end)}
    for read in plan:
        holes = [
            register
            for register in range(read.register, read.register + read.words)
            if (read.function, register) not in wanted
        ]
        longest = run = 0
        for k, register in enumerate(holes):
            run = run + 1 if k and holes[k - 1] == register - 1 else 1
            longest = max(longest, run)
        assert longest <= padding


def test_a_map_without_words_of_its_own_is_planned_alike() -> None:
    found = map_of(at("a", 0), at("b", 1))
    assert reads(replace(found, limits=Limits(words_per_read=1))) == (Read(4, 0, 1), Read(4, 1, 1))

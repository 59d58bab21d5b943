"""Plans against every plan there is, on small maps. What is permitted is judged here register by register."""

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

from hypothesis import event, given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.registers.blocks import Costs, chosen, plain_reads, reads
from tallywell.registers.decode import holds
from tallywell.registers.quantity import Kind, Limits, LowPart, Quantity, RegisterMap, Span, Table, ValueType
from tests.registers.unreadable import unreadable

HIGHEST = 22
TABLES = st.sampled_from([Table.INPUT, Table.INPUT, Table.HOLDING, Table.DISCRETE])
COSTS = st.builds(Costs, st.sampled_from([0, 1, 7, 60, 1000]), st.sampled_from([0, 1, 3]))
MAYBE = st.sampled_from([True, False, False, False])


@st.composite
def quantities(draw: st.DrawFn) -> dict[str, Quantity]:
    found = {}
    for number in range(draw(st.integers(1, 5))):
        name, table, register = f"q{number}", draw(TABLES), draw(st.integers(0, HIGHEST - 4))
        length = draw(st.integers(1, 9 if table.is_bits else 3))
        low = None
        if not table.is_bits and draw(MAYBE):
            low = LowPart(draw(st.integers(register, register + 3)), ValueType.UINT16, 10_000)
        found[name] = Quantity(name, Kind.OTHER, table, register, ValueType.TEXT, length=length, low_part=low)
    return found


@st.composite
def spans(draw: st.DrawFn, most: int) -> tuple[Span, ...]:
    found = []
    for _ in range(draw(st.integers(0, most))):
        first = draw(st.integers(0, HIGHEST))
        found.append(Span(draw(TABLES), first, first + draw(st.integers(1, 7))))
    return tuple(found)


@st.composite
def maps(draw: st.DrawFn) -> RegisterMap:
    known = draw(quantities())
    limits = Limits(
        words_per_read=draw(st.integers(3, 9)), bits_per_read=draw(st.integers(6, 30)), padding=draw(st.integers(0, 3))
    )
    kind = draw(st.sampled_from(["any", "any", "any", "exact", "one_by_one"]))
    if kind == "exact":
        places = st.builds(Read, st.sampled_from([2, 3, 4]), st.integers(0, HIGHEST), st.integers(1, 8))
        limits = replace(limits, exact_reads=tuple(draw(st.lists(places, min_size=1, max_size=12))))
    limits = replace(limits, one_by_one=kind == "one_by_one")
    names = sorted(known)
    together: tuple[frozenset[str], ...] = ()
    if len(names) > 1 and draw(MAYBE):
        table = known[names[0]].table
        group = frozenset(name for name in names[:3] if known[name].table is table)
        together = (group,) if len(group) > 1 else ()
    never = draw(spans(1)) if draw(MAYBE) else ()
    return RegisterMap("small", 1, known, limits, together, draw(spans(2)), never)


def groups(small: RegisterMap, table: Table) -> list[tuple[int, int]]:
    """What is to come in one answer."""
    found = [q for q in small.quantities.values() if q.table is table]
    grouped = [[q for q in found if q.name in group] for group in small.together]
    alone = [[q] for q in found if not any(q.name in group for group in small.together)]
    return [(min(q.first for q in g), max(q.end for q in g)) for g in grouped + alone if g]


def touched(spans_: tuple[Span, ...], table: Table) -> set[int]:
    return {register for span in spans_ if span.table is table for register in range(span.first, span.end)}


def permitted(small: RegisterMap, table: Table) -> Iterator[Read]:
    """Every read that the map permits."""
    limits = small.limits
    most = limits.bits_per_read if table.is_bits else limits.words_per_read
    own = {(q.first, q.end) for q in small.quantities.values() if q.table is table} | set(groups(small, table))
    occupied = {register for first, end in own for register in range(first, end)}
    safe, never = touched(small.safe_to_read, table), touched(small.do_not_read, table)

    def passed(register: int) -> bool:
        """In a gap between two quantities, with no more registers of unknown safety than the padding."""
        below = max((r for r in occupied if r < register), default=None)
        above = min((r for r in occupied if r > register), default=None)
        if below is None or above is None:
            return False
        return len(set(range(below + 1, above)) - safe) <= limits.padding

    for first in range(HIGHEST + 20):
        for end in range(first + 1, min(first + most, HIGHEST + 30) + 1):
            inside = set(range(first, end))
            if inside & never:
                continue
            if limits.exact_reads:
                fit = any(r == Read(table.function, first, end - first) for r in limits.exact_reads)
            elif limits.one_by_one:
                fit = (first, end) in own
            else:
                begins = first in safe - occupied or any(first == place[0] for place in own)
                ends = end - 1 in safe - occupied or any(end == place[1] for place in own)
                fit = begins and ends and all(r in occupied | safe or passed(r) for r in inside)
            if fit:
                yield Read(table.function, first, end - first)


def best(small: RegisterMap, table: Table, costs: Costs) -> tuple[int, int]:
    """(equal lengths, cost) of the best of all plans: for whatever is still to be read, every read that holds it."""
    every = list(permitted(small, table))
    needed = [
        p for p in groups(small, table) if any(r.register <= p[0] and p[1] <= r.register + r.words for r in every)
    ]

    @cache
    def rest(open_: frozenset[tuple[int, int]], used: frozenset[int]) -> tuple[int, int]:
        if not open_:
            return 0, 0
        options = []
        for read in every:
            held = {p for p in open_ if read.register <= p[0] and p[1] <= read.register + read.words}
            if max(open_) in held:
                equal, ns = rest(open_ - held, used | {read.content_bytes})
                equal += read.content_bytes in used
                options.append((equal, ns + costs.request_ns + costs.byte_ns * read.content_bytes))
        return min(options)

    return rest(frozenset(needed), frozenset())


def equal_lengths(plan: tuple[Read, ...]) -> int:
    return len(plan) - len({(read.function, read.content_bytes) for read in plan})


def ns_of(plan: tuple[Read, ...], costs: Costs) -> int:
    return sum(costs.request_ns + costs.byte_ns * read.content_bytes for read in plan)


@settings(max_examples=300)
@given(maps(), COSTS)
def test_no_plan_has_fewer_equal_lengths_or_as_few_at_less_cost(small: RegisterMap, costs: Costs) -> None:
    found = chosen(small, costs=costs)
    expected = [best(small, table, costs) for table in Table]
    assert (equal_lengths(found.reads), found.ns) == tuple(map(sum, zip(*expected, strict=True)))
    assert found.ns == ns_of(found.reads, costs)
    assert found.lengths_differ == (equal_lengths(found.reads) == 0)
    assert found.proven
    event(f"{equal_lengths(found.reads)} equal lengths")


@settings(max_examples=200)
@given(maps())
def test_every_quantity_is_held_and_every_read_is_permitted(small: RegisterMap) -> None:
    lost = unreadable(small)
    for plan in (reads(small), plain_reads(small)):
        for name, quantity in small.quantities.items():
            assert name in lost or any(holds(read, quantity) for read in plan)
        for table in Table:
            asked = [read for read in plan if read.function == table.function]
            assert set(asked) <= set(permitted(small, table))
            for first, end in groups(small, table):
                members = {q.name for q in small.quantities.values() if q.table is table and first <= q.first < end}
                held = any(r.register <= first and end <= r.register + r.words for r in asked)
                assert held or members & set(lost)
    event(f"{len(lost)} unreadable")


@settings(max_examples=150)
@given(maps(), COSTS)
def test_the_plan_is_the_same_every_time_and_however_the_map_is_ordered(small: RegisterMap, costs: Costs) -> None:
    backwards = replace(small, quantities=dict(reversed(list(small.quantities.items()))))
    assert chosen(small, costs=costs) == chosen(small, costs=costs) == chosen(backwards, costs=costs)


@settings(max_examples=150)
@given(maps(), COSTS)
def test_lengths_beside_are_kept_clear_of_where_that_can_be(small: RegisterMap, costs: Costs) -> None:
    first = chosen(small, costs=costs)
    again = chosen(small, costs=costs, beside=first.reads)
    free = equal_lengths(first.reads + again.reads) - equal_lengths(first.reads)
    assert again.lengths_differ == (free == 0)
    # The first plan once more would have every length taken; the second is no worse than that.
    assert (free, again.ns) <= (len(first.reads), first.ns)


@settings(max_examples=150)
@given(maps(), st.data())
def test_a_part_is_read_at_no_more_than_the_whole(small: RegisterMap, data: st.DataObject) -> None:
    names = data.draw(st.sets(st.sampled_from(sorted(small.quantities))))
    part, whole = chosen(small, names), chosen(small)
    assert (equal_lengths(part.reads), part.ns) <= (equal_lengths(whole.reads), whole.ns)
    for name in names - set(unreadable(small)):
        assert any(holds(read, small.quantities[name]) for read in part.reads)

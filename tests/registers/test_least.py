"""The search through reads: exact where it says so, bounded and honest where it is not."""

from collections.abc import Callable
from functools import cache
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Read
from tallywell.registers.least import MOST_STEPS, Least, least
from tallywell.registers.permitted import Choice, Permitted
from tallywell.registers.quantity import Table

Choices = list[tuple[Choice, ...]]
EVERYWHERE = (1 << 0x10000) - 1


def price(length: int) -> int:
    return 100 + 3 * length


def isolated(places: list[tuple[int, int]], apart: int = 400) -> Choices:
    """Places of so many words, each with so many registers behind it that are safe to read."""
    spans = [(apart * k, apart * k + words, apart * k + words + spare) for k, (words, spare) in enumerate(places)]
    begins = sum(1 << first for first, _, _ in spans)
    ends = sum(1 << end for _, first, last in spans for end in range(first, last + 1))
    barred = 1 << 0x10000 | EVERYWHERE
    for first, _, last in spans:
        barred ^= (1 << last) - (1 << first)
    return Permitted(Table.INPUT, 125, begins, ends, barred).choices([(first, end) for first, end, _ in spans])


def anywhere(places: list[tuple[int, int]], most: int) -> Choices:
    """Places in a table of which each register may be read."""
    return Permitted(Table.INPUT, most, EVERYWHERE, EVERYWHERE << 1, 1 << 0x10000).choices(places)


def drawn(chance: Random) -> Choices:
    """Reads as they may be: each length once at a place, and none that brings less from a later place on."""
    count, lengths = chance.randint(2, 10), chance.sample(range(1, 31), chance.randint(2, 7))
    longer_is_farther, apart = chance.random() < 0.6, chance.random() < 0.5
    found: Choices = []
    for place in range(count):
        here = chance.sample(lengths, chance.randint(1, len(lengths)))
        before = {c.read.words: c.following for c in found[-1]} if found else {}
        farthest = place + 1 if apart and chance.random() < 0.8 else min(count, place + 3)
        reach = {n: max(chance.randint(place + 1, farthest), before.get(n, 0)) for n in here}
        reach |= {n: k for n, k in before.items() if k > place and n not in reach}
        if longer_is_farther:
            reach = {n: max(k for m, k in reach.items() if m <= n) for n in reach}
        found.append(tuple(Choice(Read(4, place, n), reach[n]) for n in sorted(reach)))
    return found


def exactly(found: Choices, used: frozenset[int], price: Callable[[int], int] = price) -> tuple[int, int]:
    """(equal lengths, cost) by a look at every way."""

    @cache
    def rest(place: int, taken: frozenset[int]) -> tuple[int, int]:
        if place == len(found):
            return 0, 0
        options = []
        for choice in found[place]:
            length = choice.read.content_bytes
            equal, ns = rest(choice.following, taken | {length})
            options.append((equal + (length in taken), ns + price(length)))
        return min(options)

    return rest(0, used)


def checked(
    found: Choices, plan: Least, used: frozenset[int] = frozenset(), price: Callable[[int], int] = price
) -> tuple[int, int]:
    """That the path is a way through, and what it says of itself is so."""
    place, taken, equal, ns = 0, set(used), 0, 0
    for choice in plan.path:
        assert choice in found[place]
        place = choice.following
        equal += choice.read.content_bytes in taken
        taken.add(choice.read.content_bytes)
        ns += price(choice.read.content_bytes)
    assert (place, equal, ns) == (len(found), plan.equal, plan.ns)
    return equal, ns


@pytest.mark.parametrize("first", range(0, 6000, 1000))
def test_what_is_called_proven_is_the_best_and_nothing_is_better(first: int) -> None:
    proven = 0
    for seed in range(first, first + 1000):
        chance = Random(seed)
        found, request = drawn(chance), chance.choice([0, 1, 4, 40])
        used = frozenset(chance.sample(range(2, 62, 2), chance.choice([0, 0, 3, 9])))
        most_steps = chance.choice([0, 60, 300, 1500, MOST_STEPS])
        cost = request.__add__
        plan = least(found, cost, used, most_steps)
        value, best = checked(found, plan, used, cost), exactly(found, used, cost)
        assert value >= best, f"seed {seed}"
        assert value == best or not plan.proven, f"seed {seed}"
        assert plan.proven or most_steps < MOST_STEPS, f"seed {seed}"
        proven += plan.proven
    assert 500 < proven < 1000, "both outcomes are to be seen"


@settings(max_examples=150)
@given(st.lists(st.tuples(st.integers(1, 4), st.integers(0, 5)), min_size=1, max_size=8))
def test_reads_far_apart_are_lengthened_as_cheaply_as_can_be(places: list[tuple[int, int]]) -> None:
    found = isolated(places)
    plan = least(found, price)
    assert checked(found, plan) == exactly(found, frozenset())
    assert plan.proven


def test_the_work_is_bounded_for_maps_that_leave_everything_open() -> None:
    """Steps, not time. One round over all choices is `breadth`; the bound may be passed by a few of these."""
    worst = {
        "equal blocks far apart": isolated([(2, 110)] * 125),
        "uneven blocks far apart": isolated([(1 + 7 * k % 5, 13 * k % 60) for k in range(125)]),
        "every register open": anywhere([(60 * k, 60 * k + 2) for k in range(125)], 125),
        "short reads": anywhere([(k, k + 1) for k in range(400)], 20),
        "more choices than steps": anywhere([(3 * k, 3 * k + 2) for k in range(2600)], 125),
    }
    for name, found in worst.items():
        plan = least(found, price)
        breadth = sum(map(len, found))
        checked(found, plan)
        assert plan.steps <= MOST_STEPS + 3 * breadth, f"{name}: {plan.steps} steps, breadth {breadth}"


def test_what_cannot_be_proven_within_the_bound_is_said() -> None:
    found = isolated([(1 + 7 * k % 5, 13 * k % 60) for k in range(125)])
    plan = least(found, price, most_steps=40_000)
    assert not plan.proven
    assert least(found, price, most_steps=40_000) == plan


def test_hundreds_of_equal_blocks_are_proven_as_they_stand_in_for_one_another() -> None:
    plan = least(isolated([(2, 30)] * 60), price)
    assert plan.proven
    assert plan.equal == 60 - 31

"""A net total may fall; a forward one may not."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total

from .conftest import RULES

Lines = Callable[..., list[str]]
Intervals = Callable[..., list[Interval]]
NET = replace(RULES, net=True)


def test_water_that_runs_back_is_taken_off(lines: Lines) -> None:
    assert lines("00:00 1000\n00:15 1100\n00:30 1050\n00:45 1050", rules=NET) == [
        "0:00-0:15 +100 metered [100, 100]",
        "0:15-0:30 +-50 metered [-50, -50] (water ran back)",
        "0:30-0:45 +0 metered [0, 0]",
    ]


def test_it_goes_through_zero_and_round(lines: Lines) -> None:
    assert lines("00:00 20\n00:15 -30\n00:30 99999960", rules=NET) == [
        "0:00-0:15 +-50 metered [-50, -50] (water ran back)",
        "0:15-0:30 +-10 metered rollovers -1 [-10, -10] (water ran back)",
    ]


def test_a_fall_beyond_what_the_pipe_passes_ends_the_segment(intervals: Intervals) -> None:
    found = intervals("00:00 50000000\n00:15 50000100\n00:30 20\n00:45 120\n01:00 220", rules=NET)
    assert [(one.kind, one.posted) for one in found][1] == (Kind.RESET, 0)
    assert (found[1].low, found[1].high) == (-15_084, 15_084)
    found = intervals("00:00 50000000\n00:15 50000100\n00:30 20000000\n00:45 20000120\n01:00 20000220", rules=NET)
    assert found[1].kind is Kind.IMPOSSIBLE_STEP


def test_after_a_long_gap_a_short_register_is_a_question(intervals: Intervals) -> None:
    found = intervals("00:00 1000\n00:15 1010\n4d 00:00 1020\n4d 00:15 1030", digits=6, rules=NET)
    assert found[1].kind is Kind.QUESTION
    assert found[1].low < 0 < found[1].high
    assert Flag.SEVERAL_ROUNDS in found[1].flags


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-900, 900), min_size=1, max_size=40), st.integers(-(10**6), 10**6))
def test_the_net_of_all_flows_is_posted(rates: list[int], start: int) -> None:
    count, facts = start, []
    for n, rate in enumerate([0, *rates]):
        count += rate * 15
        when = When(1, n * 900_000, 1_782_864_000_000 + n * 900_000, 0)
        facts.append(Reading(n + 1, when, Total.exact(count), Scale(Fraction("0.003785411784"), 10**8)))
    found = list(fold(facts, begin(NET)))
    assert sum(one.posted for one in found) == 15 * sum(rates)
    assert {one.kind for one in found} == {Kind.METERED}
    assert all(one.low <= one.posted <= one.high for one in found)

"""A thinned run of intervals gives the same sums, rates and hours, from far fewer intervals."""

import random
from collections.abc import Iterator
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.fold import Fact, begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.rates import hours_pumped, maximum_rate, peak_flow
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import add_up, bounds_at
from tallywell.ledger.thin import WINDOW_MS, thinned
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Happened, Missed, Reading, Scale
from tallywell.readings.total import Total

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
START_MS = 1_782_864_000_000  # 2026-07-01, a multiple of every window
SCALE = Scale(Fraction("0.003785411784"), 10**5)
RULES = Rules(MINUTE_MS, SCALE.one_count_m3 * 1000 / 60)  # 1,000 counts a minute
ZONE = ZoneInfo("America/Denver")
EDGES = [START_MS + hour * HOUR_MS for hour in range(25)]


def world(seed: int, signal: float) -> Iterator[Fact]:
    """A day and a half of minute polls: a pump, misses, gaps, glitches, reboots, dates that overlap, rounds, resets.

    `signal`: the share of readings that have the run signal.
    """
    chance, boot, count, rate, within = random.Random(seed), 1, 99_000, 0, 0
    shift = 0
    for seq in range(1, 36 * 60):
        at = START_MS + (seq - 6 * 60) * MINUTE_MS + chance.randrange(40)
        if chance.random() < 0.02:
            rate = chance.choice([0, 0, 3, 40, 700])
        if chance.random() < 0.003:
            boot, shift, within = boot + 1, chance.choice([0, 0, -90_000, 20_000]), chance.choice([0, 0, 500])
            yield Happened(seq, When(boot, seq * MINUTE_MS, at, 0), "started")
            continue
        if chance.random() < 0.001:
            count = 0
        count = (count + rate) % 10**5
        when = When(boot, seq * MINUTE_MS, at + shift, within)
        if chance.random() < 0.03 or seq % 500 in range(7):
            yield Missed(seq, when, "no_answer")
            continue
        shown = chance.randrange(10**5) if chance.random() < 0.003 else count
        flow = Fraction(rate + chance.randrange(3), 7) if rate else Fraction(0)
        yield Reading(seq, when, Total.exact(shown), SCALE, flow, flow > 1 if chance.random() < signal else None)


def told(seed: int, signal: float) -> list[Interval]:
    return list(fold(world(seed, signal), begin(RULES)))


@pytest.mark.parametrize("seed", range(60))
def test_sums_rates_and_hours_are_the_same(seed: int) -> None:
    every = told(seed, signal=(1, 0.99, 0)[seed % 3])
    few = list(thinned(every, EDGES))
    assert add_up(few, EDGES) == add_up(every, EDGES)
    ends = EDGES[0], EDGES[-1]
    assert add_up(few, ends) == add_up(every, ends)
    assert maximum_rate(few, *ends, ZONE) == maximum_rate(every, *ends, ZONE)
    assert peak_flow(few, *ends) == peak_flow(every, *ends)
    assert hours_pumped(few, *ends) == hours_pumped(every, *ends)
    print(f"seed {seed}: {len(every)} intervals, {len(few)} when thinned")
    assert len(few) < len(every) / 2


def test_a_moment_that_will_be_asked_for_keeps_its_interval() -> None:
    every = told(1, signal=1)
    moments = [START_MS + minute * MINUTE_MS + 31_000 for minute in (7, 100, 101, 700)]
    few = list(thinned(every, EDGES, moments))
    for moment in moments:
        around = [next(one for one in some if one.begin_ms <= moment <= one.end_ms) for some in (every, few)]
        assert bounds_at(around[0], moment) == bounds_at(around[1], moment)


def test_edges_off_the_windows_leave_everything_as_it_is() -> None:
    every = told(1, signal=1)
    assert list(thinned(every, [EDGES[0] + 1, EDGES[-1]])) == every
    assert WINDOW_MS == 15 * MINUTE_MS

"""Daily and monthly volumes against an integration with pandas, over the months in which the clocks change.

The flow is made here minute by minute; pandas sums it by local days through its own calendar. The meter's face is the
running sum, cut to its digits, read every 15 minutes at the full quarter. Nothing here is shared with the ledger.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from tallywell.ledger.fold import Fact, begin, fold
from tallywell.ledger.intervals import OF_SEGMENT, Kind
from tallywell.ledger.periods import days, edges_ms, month
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import Sum, add_up
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Missed, Reading, Scale
from tallywell.readings.total import Total

ZONE = "America/Denver"
DIGITS = 7
ONE_COUNT = Fraction("0.003785411784") * 10
MONTHS = {"2026-03": ("2026-03-01", "2026-04-01", 743), "2026-11": ("2026-11-01", "2026-12-01", 721)}


@dataclass
class Field:
    """A month of flow (counts a minute, by local minute) and what a logger saw of it."""

    flow: "pd.Series[int]"
    facts: list[Fact]


def grow(name: str, outage: Callable[[int], bool], seed: int) -> Field:
    """A pump that starts and stops at odd minutes; a face that goes round in the middle of the month."""
    first, end, hours = MONTHS[name]
    minutes = pd.date_range(first, end, freq="min", tz=ZONE, inclusive="left")
    assert len(minutes) == hours * 60
    chance = random.Random(seed)
    rates: list[int] = []
    while len(rates) < len(minutes):
        rates += [chance.choice([0, 0, 31, 70, 97])] * chance.randint(20, 900)
    flow = pd.Series(rates[: len(minutes)], index=minutes)
    face = np.concatenate([[0], flow.to_numpy().cumsum()])
    face = (face + 10**DIGITS - int(face[-1]) // 2) % 10**DIGITS
    start = int(minutes[0].timestamp()) * 1000
    return Field(flow, [_poll(n, start, int(face[n]), outage(n)) for n in range(0, len(face), 15)])


def _poll(minute: int, start: int, count: int, silent: bool) -> Fact:
    seq, at = minute // 15 + 1, minute * 60_000
    when = When(1, 5_000 + at, start + at, 20)
    if silent:
        return Missed(seq, when, "no_answer")
    return Reading(seq, when, Total.exact(count), Scale(ONE_COUNT, 10**DIGITS))


def summed(field: Field, name: str) -> Sum:
    rules = Rules(every_ms=900_000, possible_rate_m3s=ONE_COUNT * 200 / 60, readout_ms=0)
    return add_up(fold(field.facts, begin(rules)), edges_ms(month(name), ZoneInfo(ZONE)))


def by_day(field: Field) -> dict[date, int]:
    daily = field.flow.resample("D").sum()
    return {stamp.date(): int(total) for stamp, total in zip(daily.index, daily.to_list(), strict=True)}


@pytest.mark.parametrize("name", MONTHS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_day_and_the_month_are_those_of_pandas(name: str, seed: int) -> None:
    print(f"seed {seed}")
    field = grow(name, lambda _: False, seed)
    found = summed(field, name)
    expected = by_day(field)
    assert {
        day: part.volume_m3 / ONE_COUNT for day, part in zip(days(month(name)), found.parts, strict=True)
    } == expected
    assert found.whole.volume_m3 == int(field.flow.sum()) * ONE_COUNT
    assert found.whole.rollovers == 1
    assert found.whole.covered_ms == found.whole.expected_ms == MONTHS[name][2] * 3_600_000
    assert found.whole.kinds == {Kind.METERED}
    assert found.whole.flags <= OF_SEGMENT


@pytest.mark.parametrize("name", MONTHS)
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_an_outage_over_two_midnights_keeps_the_month_and_bounds_the_days(name: str, seed: int) -> None:
    print(f"seed {seed}")
    field = grow(name, lambda minute: 10 * 1440 < minute < 12 * 1440, seed)
    found = summed(field, name)
    assert found.whole.volume_m3 == int(field.flow.sum()) * ONE_COUNT
    (gap,) = found.gaps
    assert gap.volume_m3 == int(field.flow.iloc[10 * 1440 : 12 * 1440].sum()) * ONE_COUNT
    assert found.whole.expected_ms - found.whole.covered_ms == gap.end_ms - gap.begin_ms == 2 * 86_400_000
    touched = 0
    for truth, part in zip(by_day(field).values(), found.parts, strict=True):
        assert part.low_m3 <= truth * ONE_COUNT <= part.high_m3
        # Each poll's date is within 20 ms: a count at either edge, and the rounding of one.
        exact = part.volume_m3 == truth * ONE_COUNT and part.high_m3 - part.low_m3 <= 4 * ONE_COUNT
        assert exact or (part.begin_ms < gap.end_ms and part.end_ms > gap.begin_ms)
        touched += not exact
    assert touched <= 3


@pytest.mark.parametrize("name", MONTHS)
def test_days_cut_between_polls_are_proportional(name: str) -> None:
    """Polls at 7 minutes past the quarter: midnight lies in an interval, cut in proportion, within its bounds."""
    field = grow(name, lambda _: False, 7)
    moved: list[Fact] = []
    shifted = field.flow.shift(7, fill_value=0)  # the same month, seven minutes later
    for fact in field.facts:
        assert isinstance(fact, Reading)
        assert fact.when.utc_ms is not None
        when = When(1, fact.when.boot_ms, fact.when.utc_ms + 7 * 60_000, 20)
        moved.append(Reading(fact.seq, when, fact.total, fact.scale))
    field.facts = moved
    found = summed(field, name)
    daily = shifted.resample("D").sum().to_list()
    for truth, part in list(zip(daily, found.parts, strict=True))[1:-1]:
        assert part.low_m3 <= truth * ONE_COUNT <= part.high_m3
        assert abs(part.volume_m3 / ONE_COUNT - truth) <= 97 * 15
    assert sum(part.volume_m3 for part in found.parts) == found.whole.volume_m3

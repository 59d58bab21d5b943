"""Quarters, water years and unequal seasons, in zones that are hard, against sums that pandas makes by local dates.

The flow is made minute by minute in UTC; pandas alone turns each minute into a local date and sums by it. The meter's
face is the running sum, read at every half hour, so that no midnight of these zones falls between two readings. Seasons
are those of WAC 173-539A-070 (October to March, April to June, July, August, September); quarters as in 18 CFR 420.32;
the water year runs from 1 October to 30 September (USGS). Zones come from the IANA time zone database.
"""

import random
from datetime import date
from fractions import Fraction
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.periods import Period, between, days, edges_ms, midnight_ms, water_year
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import add_up
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total

SEED = 20261125
HALF_HOUR = 30
SCALE = Scale(Fraction(1, 10), 10**9)
RULES = Rules(HALF_HOUR * 60_000, SCALE.one_count_m3 * 200 / 60)
FIRST, LAST = "2025-09-30", "2026-10-02"  # a day more on either side than a water year has
SEASONS = [date(2025, 10, 1), date(2026, 4, 1), date(2026, 7, 1), date(2026, 8, 1), date(2026, 9, 1), date(2026, 10, 1)]
QUARTERS = [date(2025, 10, 1), date(2026, 1, 1), date(2026, 4, 1), date(2026, 7, 1), date(2026, 10, 1)]
ZONES = [
    "America/Los_Angeles",
    "Asia/Kolkata",  # half an hour off, all year
    "America/St_Johns",  # half an hour off, with summer time
    "Australia/Lord_Howe",  # summer time of half an hour
    "America/Havana",  # clocks go back from 01:00 to midnight, so that it comes twice
    "Asia/Beirut",  # clocks go forward at midnight: the day begins at 01:00
    "Africa/Cairo",  # the same, on a Friday; back at midnight
    "America/Santiago",  # back at midnight to 23:00 of the day before
]


@cache
def minutes() -> "pd.Series[int]":
    """Counts by minute, in UTC."""
    index = pd.date_range(FIRST, LAST, freq="min", tz="UTC", inclusive="left")
    chance, rates = random.Random(SEED), list[int]()
    while len(rates) < len(index):
        rates += [chance.choice([0, 0, 31, 70, 97])] * chance.randint(20, 3000)
    return pd.Series(rates[: len(index)], index=index)


@cache
def intervals() -> tuple[Interval, ...]:
    """What the ledger makes of the face, read at every half hour."""
    flow = minutes()
    start = int(flow.index[0].timestamp()) * 1000
    face = np.concatenate([[0], flow.to_numpy().cumsum()])
    facts = []
    for seq, minute in enumerate(range(0, len(face), HALF_HOUR), start=1):
        at = minute * 60_000
        facts.append(Reading(seq, When(1, at, start + at, 20), Total.exact(int(face[minute])), SCALE))
    return tuple(fold(facts, begin(RULES)))


@cache
def by_local_date(zone: str) -> dict[date, int]:
    flow = minutes()
    summed = flow.groupby(pd.DatetimeIndex(flow.index).tz_convert(zone).date).sum()
    return dict(zip(summed.index.to_list(), map(int, summed.to_list()), strict=True))


def volumes(edges: tuple[int, ...]) -> list[Fraction]:
    return [part.volume_m3 / SCALE.one_count_m3 for part in add_up(intervals(), edges).parts]


@pytest.mark.parametrize("zone", ZONES)
def test_every_day_of_a_water_year(zone: str) -> None:
    print(f"seed {SEED}")
    period = water_year("2026")
    expected = by_local_date(zone)
    found = dict(zip(days(period), volumes(edges_ms(period, ZoneInfo(zone))), strict=True))
    assert found == {day: expected[day] for day in days(period)}


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("cut", [SEASONS, QUARTERS, [SEASONS[0], SEASONS[-1]]], ids=["seasons", "quarters", "year"])
def test_quarters_unequal_seasons_and_the_year(zone: str, cut: list[date]) -> None:
    edges = tuple(midnight_ms(day, ZoneInfo(zone)) for day in cut)
    daily = pd.Series(by_local_date(zone))
    expected = [int(daily[[first <= day < end for day in daily.index]].sum()) for first, end in pairwise(cut)]
    assert volumes(edges) == expected


def test_quarters_are_those_that_pandas_counts() -> None:
    daily = pd.Series(by_local_date("America/Los_Angeles"))
    daily.index = pd.to_datetime(daily.index)
    quarterly = daily["2025-10-01":"2026-09-30"].resample("QS-OCT").sum()
    assert [stamp.date() for stamp in quarterly.index] == QUARTERS[:-1]
    edges = tuple(midnight_ms(day, ZoneInfo("America/Los_Angeles")) for day in QUARTERS)
    assert volumes(edges) == [int(counts) for counts in quarterly]


def test_a_period_between_any_two_dates_has_their_days() -> None:
    period = between(date(2026, 2, 27), date(2026, 3, 9))
    assert isinstance(period, Period)
    expected = by_local_date("America/St_Johns")
    found = volumes(edges_ms(period, ZoneInfo("America/St_Johns")))
    assert found == [expected[day] for day in days(period)]

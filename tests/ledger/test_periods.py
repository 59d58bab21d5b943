"""Local dates and their edges. Offsets are those of the IANA time zone database."""

from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.periods import (
    Period,
    between,
    calendar_year,
    days,
    edges_ms,
    local,
    midnight_ms,
    month,
    utc_ms,
    water_year,
)

DENVER = ZoneInfo("America/Denver")
HOUR_MS = 3_600_000


def test_kinds_of_period() -> None:
    assert month("2026-07") == Period(date(2026, 7, 1), date(2026, 8, 1), "2026-07")
    assert month("2026-12").end == date(2027, 1, 1)
    assert calendar_year("2026") == Period(date(2026, 1, 1), date(2027, 1, 1), "2026")
    assert water_year("2026") == Period(date(2025, 10, 1), date(2026, 10, 1), "water year 2026")
    assert between(date(2026, 7, 3), date(2026, 7, 3)).end == date(2026, 7, 4)
    assert len(days(water_year("2024"))) == 366


@pytest.mark.parametrize("text", ["2026-13", "2026-7", "July 2026", "2026", "", "2026-00", "1200-01"])
def test_what_is_no_month_is_said_so(text: str) -> None:
    with pytest.raises(ValueError, match=r"write (it as 2026-07|four digits)"):
        month(text)


def test_what_is_no_year_or_no_period_is_said_so() -> None:
    with pytest.raises(ValueError, match="four digits"):
        calendar_year("26")
    with pytest.raises(ValueError, match="before the first"):
        between(date(2026, 7, 2), date(2026, 7, 1))


@pytest.mark.parametrize(
    ("name", "hours"), [("2026-03", {23: 1, 24: 30}), ("2026-11", {25: 1, 24: 29}), ("2026-07", {24: 31})]
)
def test_days_of_23_and_25_hours(name: str, hours: dict[int, int]) -> None:
    edges = edges_ms(month(name), DENVER)
    lengths = [(b - a) / HOUR_MS for a, b in pairwise(edges)]
    assert {length: lengths.count(length) for length in lengths} == hours


@pytest.mark.parametrize(
    ("zone", "day", "first"),
    [
        ("America/Denver", date(2026, 7, 1), "2026-07-01T06:00+00:00"),
        # Clocks go forward at midnight: the day begins at 01:00.
        ("America/Santiago", date(2023, 9, 3), "2023-09-03T04:00+00:00"),
        ("Asia/Beirut", date(2022, 3, 27), "2022-03-26T22:00+00:00"),
        # Clocks go back at midnight to 23:00 of the day before: midnight comes an hour later.
        ("America/Santiago", date(2023, 4, 2), "2023-04-02T04:00+00:00"),
        # Clocks go back from 01:00 to 00:00: midnight comes twice, the day begins with the first.
        ("America/Havana", date(2023, 11, 5), "2023-11-05T04:00+00:00"),
        # Clocks went from 23:30 to 00:30: the day began with the change.
        ("America/Toronto", date(1919, 3, 31), "1919-03-31T04:30+00:00"),
        # A date that was left out is empty: it begins where the next one does.
        ("Pacific/Apia", date(2011, 12, 30), "2011-12-30T10:00+00:00"),
        ("Pacific/Apia", date(2011, 12, 31), "2011-12-30T10:00+00:00"),
    ],
)
def test_the_first_instant_of_a_local_date(zone: str, day: date, first: str) -> None:
    assert midnight_ms(day, ZoneInfo(zone)) == utc_ms(datetime.fromisoformat(first))


@pytest.mark.parametrize(
    "zone", ["America/Denver", "America/Santiago", "America/Havana", "Africa/Cairo", "Asia/Beirut"]
)
def test_the_instant_before_midnight_is_another_date(zone: str) -> None:
    place = ZoneInfo(zone)
    for day in days(between(date(2022, 1, 1), date(2024, 12, 31))):
        ms = midnight_ms(day, place)
        assert local(ms, place).date() == day
        assert local(ms - 1, place).date() < day


def test_an_instant_is_exact_to_the_millisecond() -> None:
    assert utc_ms(datetime(2026, 7, 1, 0, 0, 0, 1000, UTC)) % 1000 == 1
    assert utc_ms(local(1_782_864_000_123, DENVER)) == 1_782_864_000_123

"""Local dates and their edges. Offsets are those of the IANA time zone database."""

from datetime import UTC, date, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.periods import (
    ONE_DAY,
    Period,
    between,
    between_readings,
    calendar_year,
    days,
    edges_ms,
    local,
    midnight_ms,
    month,
    quarter,
    seasons,
    utc_ms,
    water_year,
    year_from,
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


def test_quarters_are_of_the_calendar() -> None:
    """18 CFR 420.32 asks for reports by calendar quarter."""
    assert quarter("2026-Q3") == Period(date(2026, 7, 1), date(2026, 10, 1), "2026-Q3")
    assert quarter("2026-q4").end == date(2027, 1, 1)
    four = [quarter(f"2026-Q{k}") for k in range(1, 5)]
    assert [one.end for one in four[:-1]] == [one.first for one in four[1:]]
    assert (four[0].first, four[-1].end) == (calendar_year("2026").first, calendar_year("2026").end)


@pytest.mark.parametrize("text", ["2026-Q5", "2026-Q0", "Q3", "2026", "2026-3", ""])
def test_what_is_no_quarter_is_said_so(text: str) -> None:
    with pytest.raises(ValueError, match="write it as 2026-Q3"):
        quarter(text)


def test_a_year_may_begin_on_any_day() -> None:
    """Colorado's irrigation year is 1 November to 31 October."""
    assert year_from("11-01", "2026") == Period(date(2025, 11, 1), date(2026, 11, 1), "year 2026 from 2025-11-01")
    assert year_from("01-01", "2026") == calendar_year("2026")
    assert year_from("10-01", "2026").first == water_year("2026").first
    for wrong in ("02-29", "13-01", "1-1", "", "00-00"):
        with pytest.raises(ValueError, match="such as 11-01"):
            year_from(wrong, "2026")


def test_unequal_seasons() -> None:
    """WAC 173-539A-070: October to March, April to June, July, August, September."""
    edges = [date(2025, 10, 1), *(date(2026, month, 1) for month in (4, 7, 8, 9, 10))]
    found = seasons(edges)
    assert (found.first, found.end, found.name) == (edges[0], edges[-1], "2025-10-01 to 2026-09-30")
    assert [(part.first, part.end) for part in found.parts] == list(pairwise(edges))
    assert found.parts[2].name == "2026-07-01 to 2026-07-31"
    assert sum(len(days(part)) for part in found.parts) == len(days(found))


def test_without_seasons_the_parts_are_months() -> None:
    found = between(date(2026, 6, 30), date(2026, 8, 1))
    assert [part.name for part in found.parts] == ["2026-06", "2026-07", "2026-08"]
    assert [len(days(part)) for part in found.parts] == [1, 31, 1]


def test_seasons_that_are_none_are_said_so() -> None:
    day = date(2026, 7, 1)
    with pytest.raises(ValueError, match="at least two dates"):
        seasons([day])
    with pytest.raises(ValueError, match="later than the one before"):
        seasons([day, day])
    with pytest.raises(ValueError, match="more than 400"):
        seasons([day + k * ONE_DAY for k in range(402)])


def test_a_period_between_two_readings_has_part_days_at_its_ends() -> None:
    begin, end = midnight_ms(date(2026, 6, 30), DENVER) + 7_000, midnight_ms(date(2026, 8, 1), DENVER)
    found = between_readings(month("2026-07"), begin, end, DENVER)
    edges = edges_ms(found, DENVER)
    assert (found.first, found.end, found.name) == (date(2026, 6, 30), date(2026, 8, 1), "2026-07")
    assert (edges[0], edges[1], edges[-1]) == (begin, midnight_ms(date(2026, 7, 1), DENVER), end)
    assert len(edges) == len(days(found)) + 1
    assert [part.first for part in found.parts] == [date(2026, 6, 30), date(2026, 7, 1)]
    with pytest.raises(ValueError, match="one lies behind the other"):
        between_readings(month("2026-07"), end, begin, DENVER)

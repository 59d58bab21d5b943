"""Periods are lists of local dates; their edges are the first instants of local days, so a day has 23 to 25 hours."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ONE_MS = timedelta(milliseconds=1)
ONE_DAY = timedelta(days=1)
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Period:
    """Half-open: from the first instant of `first` to the first of `end`, local time. `name` as a report prints it."""

    first: date
    end: date
    name: str

    def __post_init__(self) -> None:
        if self.first >= self.end:
            raise ValueError(f"a period ends after it begins, but {self.first} is not before {self.end}")


def month(text: str) -> Period:
    """The month written "2026-07". ValueError says what is wrong, here and in the others."""
    found = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if not found or not 1 <= int(found[2]) <= 12:
        raise ValueError(f"{text!r} is no month; write it as 2026-07")
    year, number = _year(found[1]), int(found[2])
    return Period(date(year, number, 1), date(year + number // 12, number % 12 + 1, 1), f"{year}-{number:02}")


def calendar_year(text: str) -> Period:
    year = _year(text)
    return Period(date(year, 1, 1), date(year + 1, 1, 1), str(year))


def water_year(text: str) -> Period:
    """1 October to 30 September, named by the year it ends in (practice of the US Geological Survey; from memory)."""
    year = _year(text)
    return Period(date(year - 1, 10, 1), date(year, 10, 1), f"water year {year}")


def between(first: date, last: date) -> Period:
    """From `first` to `last`, both included."""
    if last < first:
        raise ValueError(f"the last day, {last}, is before the first, {first}")
    return Period(first, last + ONE_DAY, f"{first} to {last}")


def days(period: Period) -> tuple[date, ...]:
    return tuple(period.first + n * ONE_DAY for n in range((period.end - period.first).days))


def midnight_ms(day: date, zone: ZoneInfo) -> int:
    """The first instant of a local date in UTC ms; of the next date that exists, where a zone left one out."""
    written = datetime.combine(day, time(), zone)  # fold 0: the first of two equal midnights
    ms = utc_ms(written)
    if local(ms, zone).replace(tzinfo=None) == written.replace(tzinfo=None):
        return ms
    return _first_instant(day, zone, ms - DAY_MS, ms)


def edges_ms(period: Period, zone: ZoneInfo) -> tuple[int, ...]:
    """The first instants of all days of the period and of the day after: one more than there are days."""
    return tuple(midnight_ms(day, zone) for day in (*days(period), period.end))


def utc_ms(at: datetime) -> int:
    """UTC ms of an aware datetime, exact."""
    return (at.astimezone(UTC) - EPOCH) // ONE_MS


def local(ms: int, zone: ZoneInfo) -> datetime:
    return (EPOCH + ms * ONE_MS).astimezone(zone)


def _first_instant(day: date, zone: ZoneInfo, before: int, after: int) -> int:
    """Where clocks are put forward across midnight it does not exist: the day begins with the change itself."""
    while after - before > 1:
        middle = (before + after) // 2
        before, after = (before, middle) if local(middle, zone).date() >= day else (middle, after)
    return after


def _year(text: str) -> int:
    if not re.fullmatch(r"\d{4}", text.strip()) or not 1970 <= int(text) <= 9000:
        raise ValueError(f"{text!r} is no year; write four digits, such as 2026")
    return int(text)

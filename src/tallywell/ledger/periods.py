"""Periods are lists of local dates; their edges are the first instants of local days, so a day has 23 to 25 hours."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ONE_MS = timedelta(milliseconds=1)
ONE_DAY = timedelta(days=1)
DAY_MS = 86_400_000
MOST_SEASONS = 400  # a season a day for a year; more is a slip


@dataclass(frozen=True, slots=True)
class Period:
    """Half-open: from the first instant of `first` to the first of `end`, local time. `name` as a report prints it.

    `seasons`: the first days of its unequal seasons, ascending, where it was given as such; each ends where the next
    begins, the first begins with the period. `between`: the instants of the two readings that it runs between, where it
    was asked for so; its first and last day are then parts of days.
    """

    first: date
    end: date
    name: str
    seasons: tuple[date, ...] = ()
    between: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        if self.first >= self.end:
            raise ValueError(f"a period ends after it begins, but {self.first} is not before {self.end}")

    @property
    def parts(self) -> "tuple[Period, ...]":
        """What it was asked to be cut into: its seasons, else its calendar months, as far as they lie inside."""
        if self.seasons:
            return tuple(Period(a, b, f"{a} to {b - ONE_DAY}") for a, b in pairwise((*self.seasons, self.end)))
        starts = [day for day in days(self) if day == self.first or day.day == 1]
        return tuple(Period(a, b, f"{a:%Y-%m}") for a, b in pairwise((*starts, self.end)))


def month(text: str) -> Period:
    """The month written "2026-07". ValueError says what is wrong, here and in the others."""
    found = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if not found or not 1 <= int(found[2]) <= 12:
        raise ValueError(f"{text!r} is no month; write it as 2026-07")
    year, number = _year(found[1]), int(found[2])
    return Period(date(year, number, 1), date(year + number // 12, number % 12 + 1, 1), f"{year}-{number:02}")


def quarter(text: str) -> Period:
    """The calendar quarter written "2026-Q3", as 18 CFR 420.32 asks for surface water (Delaware River Basin)."""
    found = re.fullmatch(r"(\d{4})-?[Qq]([1-4])", text.strip())
    if not found:
        raise ValueError(f"{text!r} is no quarter; write it as 2026-Q3")
    year, last = _year(found[1]), 3 * int(found[2])
    return Period(date(year, last - 2, 1), date(year + last // 12, last % 12 + 1, 1), f"{year}-Q{found[2]}")


def calendar_year(text: str) -> Period:
    year = _year(text)
    return Period(date(year, 1, 1), date(year + 1, 1, 1), str(year))


def water_year(text: str) -> Period:
    """1 October to 30 September, named by the year it ends in (practice of the US Geological Survey; from memory)."""
    year = _year(text)
    return Period(date(year - 1, 10, 1), date(year, 10, 1), f"water year {year}")


def year_from(starts: str, text: str) -> Period:
    """Twelve months from a month and day such as "11-01", named by the year they end in, as a water year is."""
    found, year = re.fullmatch(r"(\d{2})-(\d{2})", starts.strip()), _year(text)
    try:
        month_of, day_of = (int(part) for part in found.groups()) if found else (0, 0)
        date(2001, month_of, day_of)  # no leap year: the day is there in every year
    except ValueError:
        raise ValueError(f"{starts!r} is no day of every year; write the month and the day, such as 11-01") from None
    if (month_of, day_of) == (1, 1):
        return calendar_year(text)
    first, end = date(year - 1, month_of, day_of), date(year, month_of, day_of)
    return Period(first, end, f"year {year} from {first}")


def seasons(edges: Sequence[date]) -> Period:
    """Consecutive stretches of any length, from each date to before the next: as WAC 173-539A-070 has them."""
    if len(edges) < 2:
        raise ValueError("seasons need at least two dates: where the first begins, and the day after the last")
    if len(edges) - 1 > MOST_SEASONS:
        raise ValueError(f"{len(edges) - 1} seasons are more than {MOST_SEASONS}")
    for before, after in pairwise(edges):
        if before >= after:
            raise ValueError(f"each date of the seasons is later than the one before, but {after} follows {before}")
    return Period(edges[0], edges[-1], f"{edges[0]} to {edges[-1] - ONE_DAY}", tuple(edges[:-1]))


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
    return cut_ms(period, days(period), zone)


def cut_ms(period: Period, starts: Sequence[date], zone: ZoneInfo) -> tuple[int, ...]:
    """The instants at which these days of the period begin, its first among them, and the one at which it ends."""
    edges = tuple(midnight_ms(day, zone) for day in (*starts, period.end))
    return edges if period.between is None else (period.between[0], *edges[1:-1], period.between[1])


def between_readings(period: Period, begin_ms: int, end_ms: int, zone: ZoneInfo) -> Period:
    """The same period from one reading to another. ValueError where they do not lie one behind the other."""
    if begin_ms >= end_ms:
        raise ValueError("of the two readings of a period one lies behind the other")
    end = local(end_ms - 1, zone).date() + ONE_DAY
    seasons_ = tuple(day for day in period.seasons if day < end)
    first = local(begin_ms, zone).date()
    return Period(first, end, period.name, (first, *seasons_[1:]) if seasons_ else (), (begin_ms, end_ms))


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

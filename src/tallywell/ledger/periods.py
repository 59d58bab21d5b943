"""Periods are lists of local dates; their edges are the first instants of local days."""

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class Period:
    """Half-open: from the first instant of `first` to the first instant of `end`, local time. `name` as a report prints it."""

    first: date
    end: date
    name: str


def month(text: str) -> Period:
    """ "2026-07". ValueError says what is wrong (also below)."""
    raise NotImplementedError


def calendar_year(text: str) -> Period:
    raise NotImplementedError


def water_year(text: str) -> Period:
    """1 October to 30 September, named by the year it ends in (USGS practice)."""
    raise NotImplementedError


def between(first: date, last: date) -> Period:
    """From `first` to `last`, both included."""
    raise NotImplementedError


def days(period: Period) -> tuple[date, ...]:
    raise NotImplementedError


def midnight_ms(day: date, zone: ZoneInfo) -> int:
    """The first instant of a local date, UTC ms."""
    raise NotImplementedError


def edges_ms(period: Period, zone: ZoneInfo) -> tuple[int, ...]:
    """The first instants of all days of the period and of the day after: one more than there are days."""
    raise NotImplementedError

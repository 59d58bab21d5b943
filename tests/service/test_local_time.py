"""Local times with the changes of the clocks: 8 March and 1 November in 2026 (US Uniform Time Act)."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from tallywell.service.local_time import offset_ms, parse, shown, to_ms

DENVER = ZoneInfo("America/Denver")
TODAY = date(2026, 7, 14)


def utc(*parts: int) -> int:
    return to_ms(datetime(*parts, tzinfo=UTC))  # type: ignore[misc, arg-type]  # six numbers of a date


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("14:05", utc(2026, 7, 14, 20, 5)),
        ("2026-01-02 00:00", utc(2026, 1, 2, 7, 0)),
        ("2026-01-02T00:00:30", utc(2026, 1, 2, 7, 0, 30)),
        ("2026-01-02 00:00Z", utc(2026, 1, 2)),
        ("2026-11-01 01:30-06:00", utc(2026, 11, 1, 7, 30)),
        ("2026-11-01 01:30-07:00", utc(2026, 11, 1, 8, 30)),
    ],
)
def test_times_as_people_write_them(text: str, expected: int) -> None:
    assert parse(text, DENVER, TODAY) == expected


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("2026-03-08 02:30", "does not exist"),
        ("2026-11-01 01:30", "comes twice"),
        ("25:00", "not a time"),
        ("noon", "14:05"),
        ("2026-02-30 10:00", "not a time"),
        ("2026-02-28", "has no time of day"),
        ("0001-01-01 00:00", "look at the year"),
        ("9999-12-31 23:00", "look at the year"),
    ],
)
def test_a_time_that_cannot_be_meant_is_refused_with_the_way_out(text: str, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        parse(text, DENVER, TODAY)


def test_printed_with_its_offset() -> None:
    assert shown(utc(2026, 7, 1, 6, 15), DENVER) == "2026-07-01 00:15:00 -06:00"
    assert shown(utc(2026, 1, 1, 7), DENVER) == "2026-01-01 00:00:00 -07:00"


def test_offset_changes_with_the_season() -> None:
    assert offset_ms(utc(2026, 7, 1), DENVER) == -6 * 3_600_000
    assert offset_ms(utc(2026, 12, 1), DENVER) == -7 * 3_600_000

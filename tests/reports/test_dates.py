"""Instants as printed, over both changes of the clocks."""

from zoneinfo import ZoneInfo

from tallywell.reports.dates import duration, iso, to_the_minute, with_offset

DENVER = ZoneInfo("America/Denver")
# The clocks of this zone went back on 2026-11-01 at 02:00 local daylight time, 08:00 UTC (IANA time zone database).
CHANGE_MS = 1_793_520_000_000


def test_the_offset_tells_the_two_equal_hours_apart() -> None:
    assert with_offset(CHANGE_MS - 1_000, DENVER) == "2026-11-01 01:59:59 -06:00"
    assert with_offset(CHANGE_MS, DENVER) == "2026-11-01 01:00:00 -07:00"


def test_an_instant_is_never_shown_after_it_happened() -> None:
    assert iso(CHANGE_MS - 1, DENVER) == "2026-11-01T01:59:59-06:00"
    assert to_the_minute(CHANGE_MS - 1, DENVER) == "2026-11-01 01:59 -06:00"


def test_offsets_east_of_greenwich_and_of_half_an_hour() -> None:
    assert iso(CHANGE_MS, ZoneInfo("Asia/Kolkata")) == "2026-11-01T13:30:00+05:30"
    assert iso(CHANGE_MS, ZoneInfo("UTC")) == "2026-11-01T08:00:00+00:00"


def test_durations() -> None:
    assert duration(40_999) == "40 s"
    assert duration(900_000) == "15 min"
    assert duration(9_000_000) == "2 h 30 min"
    assert duration(195_300_000) == "2 d 06 h 15 min"

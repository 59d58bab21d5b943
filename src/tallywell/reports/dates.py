"""Instants as a reader of the report meets them: local, with the offset from UTC that held at that instant."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000


def local(utc_ms: int, zone: ZoneInfo) -> datetime:
    """The local date and time of an instant, exact to the millisecond."""
    return (_EPOCH + timedelta(milliseconds=utc_ms)).astimezone(zone)


def local_day(utc_ms: int, zone: ZoneInfo) -> date:
    return local(utc_ms, zone).date()


def with_offset(utc_ms: int, zone: ZoneInfo) -> str:
    """ "2026-07-01 00:00:04 -06:00": the nearest second below, so that an instant is never shown after it happened."""
    at = local(utc_ms, zone)
    return f"{at:%Y-%m-%d %H:%M:%S} {_offset(at)}"


def exactly(utc_ms: int, zone: ZoneInfo) -> str:
    """The same with the milliseconds where there are any, so that two instants within one second are told apart."""
    at = local(utc_ms, zone)
    return f"{at:%Y-%m-%d %H:%M:%S}{_milliseconds(utc_ms)} {_offset(at)}"


def beside(utc_ms: int, other_ms: int, zone: ZoneInfo) -> str:
    """ "00:15:00" beside another instant of the same day and offset, else with both."""
    at, other = local(utc_ms, zone), local(other_ms, zone)
    same = at.date() == other.date() and at.utcoffset() == other.utcoffset()
    return f"{at:%H:%M:%S}" if same else with_offset(utc_ms, zone)


def to_the_minute(utc_ms: int, zone: ZoneInfo) -> str:
    """ "2026-07-01 00:00 -06:00", for tables where seconds add nothing."""
    at = local(utc_ms, zone)
    return f"{at:%Y-%m-%d %H:%M} {_offset(at)}"


def iso(utc_ms: int, zone: ZoneInfo) -> str:
    """ISO 8601 with offset, "2026-07-01T00:00:04-06:00": what spreadsheets and programs read."""
    at = local(utc_ms, zone)
    return f"{at:%Y-%m-%dT%H:%M:%S}{_offset(at)}"


def iso_exactly(utc_ms: int, zone: ZoneInfo) -> str:
    """The same with the milliseconds where there are any."""
    at = local(utc_ms, zone)
    return f"{at:%Y-%m-%dT%H:%M:%S}{_milliseconds(utc_ms)}{_offset(at)}"


def _milliseconds(utc_ms: int) -> str:
    return f".{utc_ms % 1000:03d}" if utc_ms % 1000 else ""


def duration(ms: int) -> str:
    """ "2 d 03 h 15 min", "15 min", "40 s": as a person says it, never more than it is."""
    if ms < MINUTE_MS:
        return f"{ms // 1000} s"
    days, rest = divmod(ms // MINUTE_MS, 1440)
    hours, minutes = divmod(rest, 60)
    if days:
        return f"{days} d {hours:02d} h {minutes:02d} min"
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def _offset(at: datetime) -> str:
    ahead = at.utcoffset() or timedelta()
    minutes = round(ahead.total_seconds() / 60)  # zones of before 1900 have seconds; a report has no use for them
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

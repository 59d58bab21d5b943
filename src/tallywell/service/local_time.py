"""Local times as people write them, and as they are printed (pure). UTC is integer milliseconds."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

YEARS = range(1900, 2200)  # before, no meter had a register; far dates are slips, and overflow calendars
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}\Z")
_TIME = re.compile(r"(?:(\d{4}-\d{2}-\d{2})[T ])?(\d{1,2}):(\d{2})(?::(\d{2}))?(Z|[+-]\d{2}:\d{2})?\Z")


def to_ms(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def from_ms(utc_ms: int, zone: ZoneInfo) -> datetime:
    return (_EPOCH + timedelta(milliseconds=utc_ms)).astimezone(zone)


def shown(utc_ms: int, zone: ZoneInfo) -> str:
    """Date, time to the second and offset, such as "2026-07-01 00:15:00 -06:00"."""
    return from_ms(utc_ms, zone).isoformat(sep=" ", timespec="seconds")[:19] + " " + _offset(utc_ms, zone)


def _offset(utc_ms: int, zone: ZoneInfo) -> str:
    return from_ms(utc_ms, zone).strftime("%z")[:3] + ":" + from_ms(utc_ms, zone).strftime("%z")[3:5]


def parse(text: str, zone: ZoneInfo, today: date) -> int:
    """UTC ms of "14:05", "2026-07-01 14:05", with seconds or an offset if wanted.

    ValueError says what is wrong: no such form, no time of day, no such date, or a local time that the change of the
    clocks skips or repeats (then the offset decides: "2026-11-01 01:30 -06:00" is written without the space as
    "01:30-06:00").
    """
    found = _TIME.match(text.strip())
    if not found and _DATE.match(text.strip()):
        raise ValueError(f'{text!r} has no time of day; write it as "{text.strip()} 14:05"')
    if not found:
        raise ValueError(f'{text!r} is not a time; write "14:05" or "2026-07-01 14:05"')
    day, hour, minute, second, offset = found.groups()
    iso = f"{day or today.isoformat()}T{int(hour):02}:{minute}:{second or '00'}{offset or ''}"
    try:
        moment = datetime.fromisoformat(iso)
    except ValueError as why:
        raise ValueError(f"{text!r} is not a time ({why})") from None
    if moment.year not in YEARS:
        raise ValueError(f"{text!r} is no time that can be meant; look at the year")
    return to_ms(moment) if moment.tzinfo else _local_ms(moment, zone, text)


def _local_ms(moment: datetime, zone: ZoneInfo, text: str) -> int:
    first, second = (to_ms(moment.replace(tzinfo=zone, fold=fold)) for fold in (0, 1))
    if first == second:
        return first
    if from_ms(first, zone).replace(tzinfo=None) != moment:
        raise ValueError(
            f"{text!r} does not exist in {zone.key}: the clocks are put forward over it; "
            "add an hour if your watch was not"
        )
    offsets = " or ".join(f'"{text}{_offset(ms, zone)}"' for ms in (first, second))
    raise ValueError(f"{text!r} comes twice in {zone.key} when the clocks are put back; write {offsets}")


def offset_ms(utc_ms: int, zone: ZoneInfo) -> int:
    """The zone's distance from UTC at that instant, ms."""
    distance = from_ms(utc_ms, zone).utcoffset()
    assert distance is not None
    return distance // timedelta(milliseconds=1)

"""Lengths of time as people say them. Pure."""

import math
from fractions import Fraction

MINUTE, HOUR, DAY = 60, 3600, 86_400
YEAR = Fraction("365.2425") * DAY  # the mean of the Gregorian calendar
MOST_DAYS_AND_HOURS = 60 * DAY
NEVER_SEEN_YEARS = 1000
_SIZES = ((DAY * 1000, "day"), (HOUR * 1000, "h"), (MINUTE * 1000, "min"))


def exactly(ms: int) -> str:
    """A length of time in the greatest unit that leaves nothing over: "1 min", "90 s", "1.5 s"."""
    size, unit = next(((size, unit) for size, unit in _SIZES if ms and ms % size == 0), (1000, "s"))
    return f"{ms / size:g} {unit}{'s' if unit == 'day' and ms > size else ''}"


def in_words(seconds: Fraction) -> str:
    """A length of time in its two greatest units, or one: "13 h 53 min", "210 days", "2.1 years". Rounded down, so that
    nothing is said to last longer than it does.
    """
    whole = int(seconds)
    if whole < MINUTE:
        return f"{whole} s"
    if whole < HOUR:
        return _two(whole, MINUTE, "min", 1, "s")
    if whole < DAY:
        return _two(whole, HOUR, "h", MINUTE, "min")
    if whole < MOST_DAYS_AND_HOURS:
        return _two(whole, DAY, "day" if whole < 2 * DAY else "days", HOUR, "h")
    return f"{whole // DAY} days" if seconds < YEAR else _years(seconds / YEAR)


def _two(whole: int, size: int, unit: str, small: int, small_unit: str) -> str:
    rest = whole % size // small
    return f"{whole // size} {unit}" + (f" {rest} {small_unit}" if rest else "")


def _years(years: Fraction) -> str:
    if years >= NEVER_SEEN_YEARS:
        return f"over {NEVER_SEEN_YEARS:,} years"
    tenths = int(years * 10)
    return f"{tenths // 10}.{tenths % 10} years" if years < 100 else f"{int(years)} years"


def at_least(ns: int) -> str:
    """A time that is not to be undercut: rounded up, below a second in ms, to a minute in tenths, else in seconds."""
    for size_ns, most, places in ((10**6, 1000, 0), (10**8, 600, 1)):
        units = -(-ns // size_ns)
        if units < most:
            return f"{units / 10:.1f} s" if places else f"{units} ms"
    return f"{math.ceil(Fraction(ns, 10**9)):,} s"

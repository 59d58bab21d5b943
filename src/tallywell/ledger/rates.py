"""Greatest rate and hours pumped."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import Interval


@dataclass(frozen=True, slots=True)
class Rate:
    """A mean over a window of `window_ms` from `begin_ms`, or (window 0) an instantaneous value at `begin_ms`."""

    m3s: Fraction
    begin_ms: int
    window_ms: int


class Source(StrEnum):
    """Whence the hours pumped are known."""

    RUNNING = "run signal or flow above the stated cutoff"
    TOTAL = "rise of the total"


@dataclass(frozen=True, slots=True)
class Hours:
    """`pumped_ms` within +/- `error_ms` (each start and stop is seen only at a poll), known for `covered_ms` of `expected_ms`."""

    pumped_ms: int
    error_ms: int
    source: Source
    covered_ms: int
    expected_ms: int


def maximum_rate(
    intervals: Iterable[Interval], begin_ms: int, end_ms: int, zone: ZoneInfo, window_ms: int = 900_000
) -> Rate | None:
    """The greatest mean over whole windows, aligned to the local clock and free of gaps; None if there is no such window."""
    raise NotImplementedError


def peak_flow(intervals: Iterable[Interval], begin_ms: int, end_ms: int) -> Rate | None:
    """The greatest instantaneous flow that a good reading showed; None where the map has no flow rate."""
    raise NotImplementedError


def hours_pumped(intervals: Iterable[Interval], begin_ms: int, end_ms: int) -> Hours | None:
    """Hours from the run signal where every reading has it, else from the rise of the total; None without intervals."""
    raise NotImplementedError

"""Greatest rate and hours pumped.

The maximum rate is the greatest mean of the total over whole windows of the local clock. A window counts only if good
readings cover all of it, without a gap, at most 1.5 windows apart (so the mean is not that of a longer time). Counts
are cut at the windows' edges as exact fractions. The instantaneous peak is another thing and is kept apart.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, SURE, Flag, Interval
from tallywell.ledger.periods import DAY_MS, local


@dataclass(frozen=True, slots=True)
class Rate:
    """A mean over a window of `window_ms` from `begin_ms`, or (window 0) an instantaneous value at `begin_ms`.

    `within_m3s`: what one count, or the total's step, at the window's edges can make of it (0 for a peak).
    """

    m3s: Fraction
    begin_ms: int
    window_ms: int
    within_m3s: Fraction = Fraction(0)


class Source(StrEnum):
    """Whence the hours pumped are known."""

    RUNNING = "run signal or flow above the stated cutoff"
    TOTAL = "rise of the total"


@dataclass(frozen=True, slots=True)
class Hours:
    """`pumped_ms` within +/- `error_ms`, known for `covered_ms` of `expected_ms`.

    An interval counts as pumped by the signal of its first reading, or by a rise across it. So each start and each stop
    is seen up to one interval late or early: the error is the sum of the intervals in which starts (or stops, if more)
    lie; by the total both, since a rise may fill any part of the first and last interval. A run that began and ended
    between two polls is not seen by the signal, nor by the total a flow of less than one count an interval.
    """

    pumped_ms: int
    error_ms: int
    source: Source
    covered_ms: int
    expected_ms: int


def maximum_rate(
    intervals: Iterable[Interval], begin_ms: int, end_ms: int, zone: ZoneInfo, window_ms: int = 900_000
) -> Rate | None:
    """The greatest mean over whole windows, aligned to the local clock and free of gaps; None if there is none such."""
    if not 0 < window_ms <= DAY_MS:
        raise ValueError(f"the window of a maximum rate lasts up to a day, not {window_ms} ms")
    best: Rate | None = None
    for start, volume, step in _windows(_metered(intervals, window_ms), begin_ms, end_ms, zone, window_ms):
        rate = volume * 1000 / window_ms
        if best is None or rate > best.m3s:
            best = Rate(rate, start, window_ms, step * 1000 / window_ms)
    return best


def peak_flow(intervals: Iterable[Interval], begin_ms: int, end_ms: int) -> Rate | None:
    """The greatest instantaneous flow that a good reading showed; None where the map has no flow rate."""
    best: Rate | None = None
    for one in intervals:
        for reading in (one.first, one.last) if one.kind not in NOTES else ():
            at, flow = reading.when.utc_ms, reading.flow_m3s
            inside = at is not None and begin_ms <= at < end_ms
            if at is not None and inside and flow is not None and (best is None or flow > best.m3s):
                best = Rate(flow, at, 0)
    return best


def hours_pumped(intervals: Iterable[Interval], begin_ms: int, end_ms: int) -> Hours | None:
    """Hours from the run signal where every reading has it, else from the rise of the total; None without intervals."""
    covered = [one for one in intervals if one.kind not in NOTES and not one.gap and _inside(one, begin_ms, end_ms) > 0]
    if not covered:
        return None
    known = all(one.first.running is not None and one.last.running is not None for one in covered)
    pumped, error = (_by_signal if known else _by_total)(covered, begin_ms, end_ms)
    all_of_it = sum(_inside(one, begin_ms, end_ms) for one in covered)
    source = Source.RUNNING if known else Source.TOTAL
    return Hours(pumped, error, source, min(all_of_it, end_ms - begin_ms), end_ms - begin_ms)


def _inside(one: Interval, begin: int, end: int) -> int:
    return min(one.end_ms, end) - max(one.begin_ms, begin)


def _by_signal(intervals: list[Interval], begin: int, end: int) -> tuple[int, int]:
    pumped = starts = stops = 0
    for one in intervals:
        length = _inside(one, begin, end)
        pumped += length if one.first.running else 0
        starts += length if one.last.running and not one.first.running else 0
        stops += length if one.first.running and not one.last.running else 0
    return pumped, max(starts, stops)


def _by_total(intervals: list[Interval], begin: int, end: int) -> tuple[int, int]:
    pumped = error = 0
    rising = [one for one in intervals if one.posted > 0]
    begun, ended = {one.first.seq for one in rising}, {one.last.seq for one in rising}
    for one in rising:
        length = _inside(one, begin, end)
        pumped += length
        error += 0 if one.first.seq in ended and one.last.seq in begun else length
    return pumped, error


def _metered(intervals: Iterable[Interval], window_ms: int) -> Iterator[Interval]:
    """The intervals that may lie in a window."""
    for one in intervals:
        unsure = one.gap or Flag.TIME_UNCERTAIN in one.flags or one.kind not in SURE
        if not unsure and 2 * (one.end_ms - one.begin_ms) <= 3 * window_ms:
            yield one


@dataclass(slots=True)
class _Window:
    """One window being filled: how much of it is covered, and the counts so far (whole ones while nothing is cut)."""

    begin: int
    segment: str = ""
    covered: int = 0
    counts: Fraction | int = 0

    def take(self, one: Interval, start: int, stop: int) -> None:
        if one.segment.id != self.segment:  # counts of two totalizers are not of one size
            self.segment, self.covered, self.counts = one.segment.id, 0, 0
        length = one.end_ms - one.begin_ms
        self.covered += stop - start
        self.counts += one.posted if stop - start == length else Fraction(one.posted * (stop - start), length)


def _windows(
    intervals: Iterable[Interval], begin: int, end: int, zone: ZoneInfo, length: int
) -> Iterator[tuple[int, Fraction, Fraction]]:
    """(start, volume, step at its edges) of each window that is covered from end to end."""
    window, reached = _Window(_aligned(begin, zone, length)), begin
    for one in intervals:
        # Dates across boots may overlap by their uncertainty; no instant fills a window twice.
        at, stop = max(one.begin_ms, window.begin, reached), min(one.end_ms, end)
        reached = max(reached, stop)
        while at < stop:
            if at >= window.begin + length:
                window = _Window(_aligned(at - length + 1, zone, length))
                at = max(at, window.begin)
            upto = max(at, min(stop, window.begin + length))
            window.take(one, at, upto)
            at = upto
            if window.covered == length:
                scale = one.scale.one_count_m3
                yield window.begin, Fraction(window.counts) * scale, _step(one) * scale
                window.covered = 0


def _step(one: Interval) -> int:
    total = one.last.total
    return max(1, total.high - total.low)


def _aligned(at: int, zone: ZoneInfo, window: int) -> int:
    """The first instant from `at` on at which the local clock shows a whole multiple of the window since midnight."""
    here = local(at, zone)
    since = ((here.hour * 60 + here.minute) * 60 + here.second) * 1000 + here.microsecond // 1000
    return at + -since % window

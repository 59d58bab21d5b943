"""Greatest rate and hours pumped.

The maximum rate is the greatest mean of the total over whole windows of the local clock. A window counts only if good
readings cover all of it, without a gap, at most 1.5 windows apart (so the mean is not that of a longer time). Counts
are cut at the windows' edges as exact fractions. The instantaneous peak is another thing and is kept apart: a pump that
starts fills an empty pipe first, so that the minutes after a start show more than the well gives (AFTER_START_MS is
common practice, no source).

Each takes intervals one at a time, in order, and holds none; the functions do so with all of an iterable.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, POSTS, SURE, Flag, Interval, utc_ms
from tallywell.ledger.periods import DAY_MS, local
from tallywell.ledger.rules import READOUT_MS
from tallywell.readings.quantities import Reading

AFTER_START_MS = 5 * 60_000
HOURS_RUN_FAST = 100  # a counter of hours may run fast by a hundredth


@dataclass(frozen=True, slots=True)
class Rate:
    """A mean over a window of `window_ms` from `begin_ms`, or (window 0) an instantaneous value at `begin_ms`.

    `within_m3s`: what one count, or the total's step, at the window's edges can make of it (0 for a peak).
    `after_start`: of a peak: it may lie within the first minutes after a start of the pump.
    """

    m3s: Fraction
    begin_ms: int
    window_ms: int
    within_m3s: Fraction = Fraction(0)
    after_start: bool = False


class Source(StrEnum):
    """Whence the hours pumped are known."""

    HOUR_METER = "the hour meter"
    RUN_SIGNAL = "the run signal"
    FLOW = "flow above the stated cutoff"
    TOTAL = "rise of the total"


@dataclass(frozen=True, slots=True)
class Hours:
    """`pumped_ms` within +/- `error_ms`, known for `covered_ms` of `expected_ms`.

    An interval counts as pumped by the signal of its first reading, or by a rise across it. So each start and each stop
    is seen up to one interval late or early: the error is the sum of the intervals in which starts (or stops, if more)
    lie; by the total both, since a rise may fill any part of the first and last interval. A run that began and ended
    between two polls is not seen by the signal, nor by the total a flow of less than one count an interval.

    An hour meter counts those too, and across gaps. Its error is one step of it at either end, what lies at either side
    of an edge of the period, and the stretch in which it fell or rose by more than the time that passed, which is not
    covered.
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
    maximum = MaximumRate(begin_ms, end_ms, zone, window_ms)
    for one in intervals:
        maximum.take(one)
    return maximum.best


def peak_flow(intervals: Iterable[Interval], begin_ms: int, end_ms: int) -> Rate | None:
    """The greatest instantaneous flow that a good reading showed; None where the map has no flow rate."""
    peak = PeakFlow(begin_ms, end_ms)
    for one in intervals:
        peak.take(one)
    return peak.best


def hours_pumped(
    intervals: Iterable[Interval], begin_ms: int, end_ms: int, *, run_signal: bool = False, step_ms: int = 0
) -> Hours | None:
    """Hours from the hour meter (`step_ms`: how far off a reading of it may be) where it covers as much as anything
    else, from the run signal or the flow rate where every reading has it, else from the rise of the total; None without
    intervals. `run_signal`: what says that the pump runs is a signal of its own.
    """
    pumped = HoursPumped(begin_ms, end_ms, run_signal=run_signal, step_ms=step_ms)
    for one in intervals:
        pumped.take(one)
    return pumped.close()


@dataclass(slots=True)
class PeakFlow:
    """`best`: the greatest instantaneous flow so far; `steady`: the greatest outside the minutes after a start.

    `started_ms`: the newest reading that showed a start: the pump started before it, and after the reading before it.
    """

    begin_ms: int
    end_ms: int
    after_start_ms: int = AFTER_START_MS
    best: Rate | None = None
    steady: Rate | None = None
    seen: Reading | None = None
    started_ms: int | None = None

    def take(self, one: Interval) -> None:
        if one.kind not in NOTES:
            if one.first is not self.seen:
                self._see(one.first)
            self._see(one.last)
            self.seen = one.last

    def _see(self, reading: Reading) -> None:
        at, flow = reading.when.utc_ms, reading.flow_m3s
        if at is None:
            return
        if self.seen is not None and _runs(self.seen) is False and _runs(reading):
            self.started_ms = at
        if flow is None or not self.begin_ms <= at < self.end_ms:
            return
        after_start = self.started_ms is not None and 0 <= at - self.started_ms < self.after_start_ms
        if self.best is None or flow > self.best.m3s:
            self.best = Rate(flow, at, 0, after_start=after_start)
        if not after_start and (self.steady is None or flow > self.steady.m3s):
            self.steady = Rate(flow, at, 0)


def _ran(reading: Reading) -> bool | None:
    """A count that a person noted has no signal: that the pump stood makes the error as long as the interval."""
    return False if reading.seq == 0 else reading.running


def _runs(reading: Reading) -> bool | None:
    """By its run signal or the stated cutoff, else by its flow rate; None: not known."""
    if reading.running is not None or reading.flow_m3s is None:
        return reading.running
    return reading.flow_m3s > 0


@dataclass(slots=True)
class _HourMeter:
    """The differences of an hour meter inside the period, from each reading that has it to the next, gap or not."""

    begin_ms: int
    end_ms: int
    step_ms: int
    last: Reading | None = None
    covered: int = 0
    least: int = 0
    most: int = 0
    chains: int = 0  # stretches without a break
    whole: bool = False  # whether the newest difference goes on from one before it

    def see(self, reading: Reading) -> None:
        if reading.hour_meter_ms is None or reading is self.last:
            return
        before, self.last = self.last, reading
        if before is not None and reading.seq > before.seq:
            self._difference(before, reading)

    def broken(self) -> None:
        """Another meter, or another count of hours: no difference goes across."""
        self.last, self.whole = None, False

    def _difference(self, old: Reading, new: Reading) -> None:
        assert old.hour_meter_ms is not None
        assert new.hour_meter_ms is not None
        begin, end = utc_ms(old), utc_ms(new)
        rose, length = new.hour_meter_ms - old.hour_meter_ms, end - begin
        inside = min(end, self.end_ms) - max(begin, self.begin_ms)
        slack = 2 * self.step_ms + READOUT_MS + old.when.within_ms + new.when.within_ms + length // HOURS_RUN_FAST
        if rose < 0 or rose > length + slack:
            self.whole = False  # set back, gone round or exchanged: nobody can tell by how much
            return
        if inside <= 0:
            return
        self.chains += not self.whole
        self.whole = True
        self.covered += inside
        self.least += max(0, rose - (length - inside))
        self.most += min(rose, inside)

    def close(self, expected: int) -> Hours | None:
        if not self.covered:
            return None
        pumped, error = (self.least + self.most) // 2, (self.most - self.least + 1) // 2 + self.chains * self.step_ms
        return Hours(pumped, error, Source.HOUR_METER, min(self.covered, expected), expected)


@dataclass(slots=True)
class HoursPumped:
    """All ways of knowing at once, for only the last reading tells whether all had the run signal.

    `rise`: the last interval in which the total rose (its last reading's number, its length, whether one that rose led
    to it), whose error the next one decides.
    """

    begin_ms: int
    end_ms: int
    covered: int = 0
    known: bool = True
    ran: int = 0
    starts: int = 0
    stops: int = 0
    rose: int = 0
    error: int = 0
    rise: tuple[int, int, bool] | None = None
    run_signal: bool = False
    step_ms: int = 0
    hour_meter: _HourMeter = field(init=False)

    def __post_init__(self) -> None:
        self.hour_meter = _HourMeter(self.begin_ms, self.end_ms, self.step_ms)

    def take(self, one: Interval) -> None:
        if one.kind in POSTS:
            self.hour_meter.see(one.first)
            self.hour_meter.see(one.last)
        elif one.kind not in NOTES:
            self.hour_meter.broken()
        length = min(one.end_ms, self.end_ms) - max(one.begin_ms, self.begin_ms)
        unknown_when = one.posted and not one.divides
        if one.kind in NOTES or one.gap or length <= 0 or unknown_when:
            return
        self.covered += length
        self._by_signal(_ran(one.first), _ran(one.last), length)
        if one.posted > 0:
            self._by_total(one, length)

    def close(self) -> Hours | None:
        expected = self.end_ms - self.begin_ms
        counted = self.hour_meter.close(expected)
        if counted is not None and counted.covered_ms >= min(self.covered, expected):
            return counted
        if not self.covered:
            return None
        self._rise_ends(None)
        covered = min(self.covered, expected)
        if self.known:
            source = Source.RUN_SIGNAL if self.run_signal else Source.FLOW
            return Hours(self.ran, max(self.starts, self.stops), source, covered, expected)
        return Hours(self.rose, self.error, Source.TOTAL, covered, expected)

    def _by_signal(self, first: bool | None, last: bool | None, length: int) -> None:
        self.known = self.known and first is not None and last is not None
        self.ran += length if first else 0
        self.starts += length if last and not first else 0
        self.stops += length if first and not last else 0

    def _by_total(self, one: Interval, length: int) -> None:
        goes_on = self._rise_ends(one.first.seq)
        self.rose += length
        self.rise = one.last.seq, length, goes_on

    def _rise_ends(self, next_seq: int | None) -> bool:
        """Whether the rise so far goes on with the interval that begins at reading `next_seq`; its last is judged."""
        if self.rise is None:
            return False
        seq, length, led_to = self.rise
        goes_on = seq == next_seq
        self.error += 0 if led_to and goes_on else length
        self.rise = None
        return goes_on


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


@dataclass(slots=True)
class MaximumRate:
    """`best`: the greatest mean so far over whole windows, aligned to the local clock and free of gaps."""

    begin_ms: int
    end_ms: int
    zone: ZoneInfo
    window_ms: int = 900_000
    best: Rate | None = None
    reached: int = field(init=False)
    window: _Window = field(init=False)

    def __post_init__(self) -> None:
        if not 0 < self.window_ms <= DAY_MS:
            raise ValueError(f"the window of a maximum rate lasts up to a day, not {self.window_ms} ms")
        self.window, self.reached = _Window(_aligned(self.begin_ms, self.zone, self.window_ms)), self.begin_ms

    def take(self, one: Interval) -> None:
        unsure = one.gap or Flag.TIME_UNCERTAIN in one.flags or one.kind not in SURE
        if not unsure and 2 * (one.end_ms - one.begin_ms) <= 3 * self.window_ms:
            self._fill(one)

    def _fill(self, one: Interval) -> None:
        # Dates across boots may overlap by their uncertainty; no instant fills a window twice.
        at, stop = max(one.begin_ms, self.window.begin, self.reached), min(one.end_ms, self.end_ms)
        self.reached = max(self.reached, stop)
        while at < stop:
            if at >= self.window.begin + self.window_ms:
                self.window = _Window(_aligned(at - self.window_ms + 1, self.zone, self.window_ms))
                at = max(at, self.window.begin)
            upto = max(at, min(stop, self.window.begin + self.window_ms))
            self.window.take(one, at, upto)
            at = upto
            if self.window.covered == self.window_ms:
                self._whole(one)

    def _whole(self, one: Interval) -> None:
        """The window is covered from end to end."""
        per_count = one.scale.one_count_m3 * 1000 / self.window_ms
        rate = self.window.counts * per_count
        if self.best is None or rate > self.best.m3s:
            self.best = Rate(Fraction(rate), self.window.begin, self.window_ms, _step(one) * per_count)
        self.window.covered = 0


def _step(one: Interval) -> int:
    total = one.last.total
    return max(1, total.high - total.low)


def _aligned(at: int, zone: ZoneInfo, window: int) -> int:
    """The first instant from `at` on at which the local clock shows a whole multiple of the window since midnight."""
    here = local(at, zone)
    since = ((here.hour * 60 + here.minute) * 60 + here.second) * 1000 + here.microsecond // 1000
    return at + -since % window

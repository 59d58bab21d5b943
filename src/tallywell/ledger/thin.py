"""Neighbouring plain intervals inside one window of the clock, told as one: a year of minute polls fits into memory.

Nothing that is computed from them changes: edges of periods and windows of the maximum rate lie on multiples of the
window, bounds are those of the readings at the ends, and hours pumped see runs of one state. What is not plain, what
crosses a window's edge, what holds a moment that will be asked for, and whatever shows a greater flow than all before
it is passed on as it is.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from tallywell.ledger.intervals import NOTES, Interval
from tallywell.readings.quantities import Reading

WINDOW_MS = 900_000


def thinned(
    intervals: Iterable[Interval], edges_ms: Sequence[int], moments_ms: Iterable[int] = ()
) -> Iterator[Interval]:
    """The intervals of a period with `edges_ms`, in order. `moments_ms`: instants at which a count will be asked for.

    Where an edge lies on no multiple of the window since 1970 (no zone of this century has such an offset), every
    interval is passed on.
    """
    if any(edge % WINDOW_MS for edge in edges_ms):
        yield from intervals
        return
    thinner = _Thinner(edges_ms[0], edges_ms[-1], sorted(moments_ms))
    for one in intervals:
        yield from thinner.take(one)
    yield from thinner.rest()


@dataclass(slots=True)
class _Thinner:
    """`run`: neighbours of one window and one state so far, to be told as one; few, so they are kept as they are."""

    begin: int
    end: int
    moments: list[int]
    run: list[Interval] = field(default_factory=list)
    peak: Fraction | None = None

    def take(self, one: Interval) -> Iterator[Interval]:
        greater = self._greater(one)
        alone = greater or not self._mergeable(one)
        if alone or (self.run and not _goes_on(self.run[-1], one)):
            yield from self.rest()
        if alone:
            yield one
        else:
            self.run.append(one)

    def rest(self) -> Iterator[Interval]:
        yield from _told(self.run)
        self.run = []

    def _mergeable(self, one: Interval) -> bool:
        begin, end = one.begin_ms, one.end_ms
        return (
            begin // WINDOW_MS == (end - 1) // WINDOW_MS
            and one.plain
            and begin < end
            and not (one.rollovers or one.missed or one.cause or one.hand)
            and not any(begin <= moment <= end for moment in self.moments)  # dates may step back a little: no cursor
        )

    def _greater(self, one: Interval) -> bool:
        if one.kind in NOTES:  # a reading that was set aside is no peak
            return False
        first, last = self._peaks(one.first), self._peaks(one.last)
        return first or last

    def _peaks(self, reading: Reading) -> bool:
        at, flow = reading.when.utc_ms, reading.flow_m3s
        if at is None or flow is None or not self.begin <= at < self.end:
            return False
        if self.peak is not None and flow <= self.peak:
            return False
        self.peak = flow
        return True


def _goes_on(last: Interval, one: Interval) -> bool:
    """Whether `one` is the next of the same: the same totalizer and window, running or not, rising or not."""
    return (
        one.first is last.last
        and one.begin_ms // WINDOW_MS == last.begin_ms // WINDOW_MS
        and (one.posted > 0) == (last.posted > 0)
        and one.segment == last.segment
        and one.flags == last.flags
        and one.opening == last.closing
        and one.first.when.boot == one.last.when.boot
        and last.first.running == one.first.running == one.last.running
    )


def _told(run: list[Interval]) -> Iterator[Interval]:
    """The hours pumped may ask where a rise began and ended: its first and last stay as they are.

    With a run signal, too: one reading of the period without it, and the hours are those of the total.
    """
    ends = 1 if run and run[0].posted else 0
    if len(run) <= 2 * ends + 1:
        yield from run
        return
    yield from run[:ends]
    yield _as_one(run[ends : len(run) - ends])
    yield from run[len(run) - ends :]


def _as_one(run: list[Interval]) -> Interval:
    counts = {name: sum(getattr(one, name) for one in run) for name in ("posted", "low", "high")}
    return replace(run[0], last=run[-1].last, closing=run[-1].closing, **counts)

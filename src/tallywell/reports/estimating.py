"""Estimates of people beside what was metered: added to it, or in its place; never silent.

An estimate that reaches over an edge of the period is divided by time, as an exact fraction. Where two that stand in
place of the metered volume overlap, the metered volume is taken away once.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction

from tallywell.ledger.intervals import Interval
from tallywell.readings.statements import Estimate, Standing
from tallywell.reports.slices import VolumeBetween
from tallywell.reports.stated_lines import EstimateLine
from tallywell.reports.volume import Total, Volume

Span = tuple[int, int]


class Estimating:
    """The estimates between two instants, while the intervals pass by: what was metered in the spans of some of them is
    asked for at the end.
    """

    __slots__ = ("_begin", "_end", "_estimates", "_own", "_replaced")

    def __init__(self, estimates: Iterable[Estimate], begin_ms: int, end_ms: int) -> None:
        self._begin, self._end = begin_ms, end_ms
        self._estimates = [one for one in estimates if one.begin_ms < end_ms and one.end_ms > begin_ms]
        instead = [one for one in self._estimates if one.standing is Standing.INSTEAD]
        self._own = {one.uuid: VolumeBetween(*self._inside(one)) for one in instead}
        self._replaced = [VolumeBetween(*span) for span in united(map(self._inside, instead))]

    def take(self, one: Interval) -> None:
        for span in (*self._own.values(), *self._replaced):
            span.take(one)

    def lines(self) -> tuple[EstimateLine, ...]:
        return tuple(self._line(one) for one in self._estimates)

    def total(self, metered: Volume | None) -> Total | None:
        """With what was metered; None where nothing was estimated."""
        if not self._estimates:
            return None
        lines = self.lines()
        added = sum((one.m3 for one in lines if one.estimate.standing is Standing.IN_ADDITION), Fraction(0))
        instead = sum((one.m3 for one in lines if one.estimate.standing is Standing.INSTEAD), Fraction(0))
        replaced = sum((found.m3 for span in self._replaced if (found := span.close()) is not None), Fraction(0))
        return Total(None if metered is None else metered.m3, added, instead, replaced)

    def _line(self, one: Estimate) -> EstimateLine:
        begin, end = self._inside(one)
        part = one.m3 * (end - begin) / (one.end_ms - one.begin_ms)
        metered = self._own[one.uuid].close() if one.uuid in self._own else None
        divided = (begin, end) != (one.begin_ms, one.end_ms)
        return EstimateLine(one, begin, end, part, divided, metered)

    def _inside(self, one: Estimate) -> Span:
        return max(one.begin_ms, self._begin), min(one.end_ms, self._end)


class Stretch:
    """What was metered between two instants, and that with the estimates."""

    __slots__ = ("_estimating", "_metered")

    def __init__(self, estimates: Iterable[Estimate], begin_ms: int, end_ms: int) -> None:
        self._metered, self._estimating = (
            VolumeBetween(begin_ms, end_ms),
            Estimating(estimates, begin_ms, end_ms),
        )

    def take(self, one: Interval) -> None:
        self._metered.take(one)
        self._estimating.take(one)

    def close(self) -> tuple[Volume | None, Total | None]:
        metered = self._metered.close()
        return metered, self._estimating.total(metered)


def united(spans: Iterable[Span]) -> Iterator[Span]:
    """Spans that touch or overlap as one, in order."""
    last: Span | None = None
    for begin, end in sorted(spans):
        if last is None or begin > last[1]:
            if last is not None:
                yield last
            last = begin, end
        else:
            last = last[0], max(last[1], end)
    if last is not None:
        yield last

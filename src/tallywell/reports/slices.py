"""Days, months and other stretches of a period: their volumes, and how much of each lies between readings."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import POSTS, Interval
from tallywell.ledger.periods import Period, cut_ms
from tallywell.ledger.sums import Part, Parts, ReadSpan, touches
from tallywell.reports.model import Slice
from tallywell.reports.volume import Volume


class VolumeBetween:
    """The exact volume between two instants, being added up; None where nothing is metered in between."""

    __slots__ = ("_begin", "_end", "_metered", "_part", "_read")

    def __init__(self, begin_ms: int, end_ms: int) -> None:
        self._begin, self._end, self._metered = begin_ms, end_ms, False
        self._part, self._read = Parts((begin_ms, end_ms)), ReadSpan(begin_ms, end_ms)

    def take(self, one: Interval) -> None:
        self._part.take(one)
        if touches(one, self._begin, self._end):
            self._read.take(one)
            self._metered = self._metered or (one.kind in POSTS and not one.segment.withheld)

    def close(self) -> Volume | None:
        (part,) = self._part.close()
        return volume_of(part, self._read.unread()) if self._metered else None


class Reached:
    """How much of each slice between edges lies between readings that meter, from the intervals of the period.

    A slice takes no more from the first interval on that begins behind it: the dates of two boots may overlap.
    `withheld`: the same of a meter whose counts are withheld.
    """

    __slots__ = ("_begun", "_edges", "ms", "withheld")

    def __init__(self, edges: Sequence[int]) -> None:
        self._edges, self._begun = edges, edges[0]
        self.ms, self.withheld = [0] * (len(edges) - 1), [0] * (len(edges) - 1)

    def take(self, one: Interval) -> None:
        begin, end = one.begin_ms, one.end_ms
        self._begun = max(self._begun, begin)
        if one.kind not in POSTS:
            return
        into = self.withheld if one.segment.withheld else self.ms
        first, past = bisect_right(self._edges, begin) - 1, bisect_left(self._edges, end)
        for at in range(max(0, first), min(past, len(into))):
            start, stop = self._edges[at : at + 2]
            into[at] += min(end, stop) - max(begin, start) if stop > self._begun else 0


class Months:
    """The seasons or the parts of months inside the period, cut anew: adding up days would widen the bounds at every
    midnight.
    """

    __slots__ = ("_labels", "parts", "reached", "seasonal")

    def __init__(self, period: Period, zone: ZoneInfo) -> None:
        self._labels, self.seasonal = [part.name for part in period.parts], bool(period.seasons)
        edges = cut_ms(period, [part.first for part in period.parts], zone)
        self.parts, self.reached = Parts(edges), Reached(edges)

    def close(self, unread: Sequence[tuple[int, int]]) -> tuple[Slice, ...]:
        return slices(self._labels, self.parts.close(), self.reached, unread)


def slices(
    labels: Iterable[str], parts: Iterable[Part], reached: Reached, unread: Sequence[tuple[int, int]]
) -> tuple[Slice, ...]:
    each = zip(labels, parts, reached.ms, reached.withheld, strict=True)
    return tuple(_slice(label, part, ms, withheld, unread) for label, part, ms, withheld in each)


def _slice(label: str, part: Part, reached_ms: int, withheld_ms: int, unread: Iterable[tuple[int, int]]) -> Slice:
    return Slice(
        label=label,
        begin_ms=part.begin_ms,
        end_ms=part.end_ms,
        volume=volume_of(part, unread) if reached_ms else None,
        reached_ms=reached_ms,
        covered_ms=part.covered_ms,
        rollovers=part.rollovers,
        kinds=part.kinds,
        estimated=part.estimated,
        withheld=withheld_ms > 0,
    )


def volume_of(part: Part, unread: Iterable[tuple[int, int]]) -> Volume:
    unread_ms = sum(max(0, min(stop, part.end_ms) - max(start, part.begin_ms)) for start, stop in unread)
    return Volume(part.volume_m3, part.low_m3, part.high_m3, unread_ms)

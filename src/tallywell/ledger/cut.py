"""Where an instant cuts an interval, and the edge of a period as the intervals show it that reach it.

An interval is cut at an edge by `c0 + (c1 - c0) * (t - t0) // (t1 - t0)`, the second part gets the rest. t1 - t0 is
taken from the boot clock within a boot, since a new anchor may have moved the dates by a second or two. An interval
that does not end after it begins is posted whole at its end.

An edge inside an interval lies between its two readings, whatever the interpolation says, and no farther from either
of them than the possible rate allows: a reading a moment after midnight nearly is the reading of midnight.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from tallywell.ledger.intervals import NOTES, SURE, Flag, Interval, Segment
from tallywell.readings.quantities import Reading


@dataclass(frozen=True, slots=True)
class Edge:
    """Where a period begins or ends. `at`: the reading that stands there, else `before` and `after` enclose it.

    `count` (interpolated unless `at`) lies in [low, high]; None where no interval reaches the edge. The counts are of
    `segment`; inside an interval with a rollover they run on past the capacity, so the face shows count mod capacity.
    `estimated`: inside a gap across which anything may have flowed.
    """

    utc_ms: int
    at: Reading | None = None
    before: Reading | None = None
    after: Reading | None = None
    segment: Segment | None = None
    count: int | None = None
    low: int | None = None
    high: int | None = None
    estimated: bool = False


def counts_before(interval: Interval, edge_ms: int) -> int:
    """How many of the interval's posted counts belong before an edge."""
    begin, end = interval.begin_ms, interval.end_ms
    if edge_ms >= end:
        return interval.posted
    if edge_ms <= begin:
        return 0
    return min(interval.posted, interval.posted * (edge_ms - begin) // _length_ms(interval))


def _length_ms(interval: Interval) -> int:
    first, last = interval.first.when, interval.last.when
    if first.boot == last.boot and last.boot_ms > first.boot_ms:
        return last.boot_ms - first.boot_ms
    return interval.end_ms - interval.begin_ms


def bounds_at(one: Interval, edge_ms: int) -> tuple[int, int, int]:
    """The book count at an instant of the interval, and its least and greatest; past a rollover it runs on."""
    if edge_ms >= one.end_ms:
        return closed(one)
    if edge_ms <= one.begin_ms:
        return opened(one)
    count, low, high = one.opening + counts_before(one, edge_ms), one.first.total.low, one.first.total.high + one.high
    if one.kind in SURE:
        low, high = _narrowed(one, edge_ms)
    return count, min(low, count), max(high, count)


def _narrowed(one: Interval, edge_ms: int) -> tuple[int, int]:
    """Between the two readings, and as near to each as the possible rate, a register's age and both dates allow."""
    low, high = one.first.total.low, one.last.total.high + one.rollovers * one.scale.capacity
    if one.rules is None or Flag.TIME_UNCERTAIN in one.flags:
        return low, high
    since = edge_ms - one.begin_ms + one.first.when.within_ms
    until = one.end_ms - edge_ms + one.last.when.within_ms
    least = one.last.total.low + one.rollovers * one.scale.capacity - one.rules.most(one.scale, until)
    most = one.first.total.high + one.rules.most(one.scale, since)
    stated = one.first.when.boot < 0  # a person's first count: its instant is as good as that person's watch
    return max(low, least), high if stated else min(high, most)


def opened(one: Interval) -> tuple[int, int, int]:
    """The book count where an interval begins, its least and its greatest."""
    return one.opening, one.first.total.low, one.first.total.high


def closed(one: Interval) -> tuple[int, int, int]:
    """The same where it ends; past a rollover the count runs on."""
    if one.kind not in SURE and not one.posted:
        return one.closing, one.first.total.low, one.first.total.high + one.high
    past = one.rollovers * one.scale.capacity
    return one.closing + past, one.last.total.low + past, one.last.total.high + past


@dataclass(slots=True)
class EdgeSought:
    """An edge while the intervals pass by, one at a time, in order. Of several that reach it, one stands for all.

    `late`: the last of them is taken (where a period begins), else the first: that from the side of the period.
    `ahead`, `behind`: posted counts by segment that lie before and behind the edge. `marked`: what of these belongs to
    intervals up to the one taken (before it) and up to the one before that (behind it).
    """

    utc_ms: int
    late: bool
    reach: list[Interval] = field(default_factory=list)
    before: Reading | None = None
    after: Reading | None = None
    ahead: dict[str, int] = field(default_factory=dict)
    behind: dict[str, int] = field(default_factory=dict)
    marked: tuple[int, int] = (0, 0)
    uncertain: bool = False

    def take(self, one: Interval) -> None:
        edge, begin, end = self.utc_ms, one.begin_ms, one.end_ms
        self.uncertain = self.uncertain or Flag.TIME_UNCERTAIN in one.flags
        if one.kind in NOTES:
            return
        if end < edge:
            self.before = one.last
        if begin > edge and self.after is None:
            self.after = one.first
        reaches = begin <= edge <= end
        if reaches or one.posted:
            self._count(one, reaches=reaches)

    def close(self) -> Edge:
        if not self.reach:
            return Edge(self.utc_ms, None, self.before, self.after)
        one, edge = self.reach[-1 if self.late else 0], self.utc_ms
        if aside := self._aside(one):
            return _overlapped(one, edge, aside, self.reach)
        count, low, high = bounds_at(one, edge)
        stands = {one.begin_ms: one.first, one.end_ms: one.last}.get(edge)
        if stands is not None:
            return Edge(edge, stands, None, None, one.segment, *_on_face(one, edge, count, low, high))
        return Edge(edge, None, one.first, one.last, one.segment, count, low, high, one.gap and one.high > 0)

    def _count(self, one: Interval, *, reaches: bool) -> None:
        own, before = one.segment.id, counts_before(one, self.utc_ms)
        ahead, behind = self.ahead.get(own, 0) + before, self.behind.get(own, 0)
        if reaches:
            if self.late or not self.reach:
                self.marked = ahead, behind
            self.reach.append(one)
        self.ahead[own], self.behind[own] = ahead, behind + one.posted - before

    def _aside(self, one: Interval) -> int:
        """What the intervals around this one have on the other side of the edge, where the dates of two boots overlap.

        Later ones may have counts before it, earlier ones after it: the count at the edge is what was posted before it.
        """
        if not self.uncertain:
            return 0
        ahead, behind = self.marked
        return self.ahead.get(one.segment.id, 0) - ahead - behind


def _overlapped(one: Interval, edge: int, aside: int, reach: Sequence[Interval]) -> Edge:
    """Bounded by the readings of every interval that reaches it; around each by as much as there."""
    around = [bounds_at(each, edge) for each in reach if each.segment.id == one.segment.id]
    count = one.opening + counts_before(one, edge) + aside
    down = max(abs(aside) + stands - low for stands, low, _ in around)
    up = max(abs(aside) + high - stands for stands, _, high in around)
    estimated = any(each.gap and each.high > 0 for each in reach)
    return Edge(edge, None, one.first, one.last, one.segment, count, count - down, count + up, estimated)


def _on_face(one: Interval, edge: int, count: int, low: int, high: int) -> tuple[int, int, int]:
    past = one.rollovers * one.scale.capacity if edge >= one.end_ms else 0
    return count - past, low - past, high - past

"""Where an instant cuts an interval, and the edge of a period as the intervals show it that reach it.

An interval is cut at an edge by `c0 + (c1 - c0) * (t - t0) // (t1 - t0)`, the second part gets the rest. t1 - t0 is
taken from the boot clock within a boot, since a new anchor may have moved the dates by a second or two. An interval
that does not end after it begins is posted whole at its end.

What is known of the count at an edge: a reading shows what the total was when its register was renewed, at most
`readout_ms` before it was read, and its date is right within `within_ms`. Before that the total was not higher, nor
lower than the possible rate allows; behind it, the other way round. Each of the two readings around an edge bounds it
so, and where both hold, the narrower does. A reading a moment after midnight nearly is the reading of midnight.

An interval that does not divide (a season that was shut down, a boot without a date) has its counts on neither side.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from tallywell.ledger.intervals import NOTES, SURE, Flag, Interval, Segment
from tallywell.ledger.judge import FIRST_COUNT_BOOT
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading


@dataclass(frozen=True, slots=True)
class Edge:
    """Where a period begins or ends. `at`: the reading that stands there, else `before` and `after` enclose it.

    `count` (interpolated unless `at`) lies in [low, high]; None where no interval reaches the edge. The counts are of
    `segment`; inside an interval with a rollover they run on past the capacity, so the face shows count mod capacity.
    `estimated`: inside a gap across which anything may have flowed. `unallocated`: inside an interval that does not
    divide; `count` is then that of the reading on the side of the period.
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
    unallocated: bool = False


def counts_before(interval: Interval, edge_ms: int) -> int:
    """How many of the interval's posted counts belong before an edge."""
    begin, end = interval.begin_ms, interval.end_ms
    if edge_ms >= end:
        return interval.posted
    if edge_ms <= begin:
        return 0
    before = interval.posted * (edge_ms - begin) // _length_ms(interval)
    return min(interval.posted, before) if interval.posted >= 0 else max(interval.posted, before)


def _length_ms(interval: Interval) -> int:
    first, last = interval.first.when, interval.last.when
    if first.boot == last.boot and last.boot_ms > first.boot_ms:
        return last.boot_ms - first.boot_ms
    return interval.end_ms - interval.begin_ms


def bounds_at(one: Interval, edge_ms: int) -> tuple[int, int, int]:
    """The book count at an instant of the interval, and its least and greatest; past a rollover it runs on."""
    count = one.opening + counts_before(one, edge_ms)
    if one.kind in SURE:
        low, high = _around(one, edge_ms)
    elif edge_ms >= one.end_ms:
        count, low, high = closed(one)
    elif edge_ms <= one.begin_ms:
        count, low, high = opened(one)
    else:
        low, high = one.first.total.low + min(0, one.low), one.first.total.high + one.high
    return count, min(low, count), max(high, count)


def _around(one: Interval, edge_ms: int) -> tuple[int, int]:
    """The least and the greatest that the two readings allow there."""
    past = one.rollovers * one.scale.capacity
    low, high = one.first.total.low, one.last.total.high + past
    if one.rules is None or Flag.TIME_UNCERTAIN in one.flags:
        return low, high
    ends = (one.first, 0), (one.last, past)
    lows = [at.total.low + more - _before(one.rules, at, edge_ms) for at, more in ends]
    highs = [at.total.high + more + _behind(one.rules, at, edge_ms) for at, more in ends]
    return max(lows), min(highs)


@dataclass(frozen=True, slots=True)
class Room:
    """What one reading leaves open at an edge: the total was by at most `less` counts lower there, which is what can
    pass in `less_ms`, and by at most `more` higher, in `more_ms`. Without time (0 or less) it was no lower, or higher.
    """

    less_ms: int
    less: int
    more_ms: int
    more: int


def room_at(rules: Rules, at: Reading, edge_ms: int) -> Room:
    """Why a reading bounds the count at an edge: to explain what `bounds_at` and `off_at` give."""
    less_ms, more_ms = _before_ms(rules, at, edge_ms), _behind_ms(rules, at, edge_ms)
    return Room(less_ms, _before(rules, at, edge_ms), more_ms, _behind(rules, at, edge_ms))


def _before(rules: Rules, at: Reading, edge_ms: int) -> int:
    """By how much less the total may have been at an edge than at this reading."""
    return rules.passes(at.scale, _before_ms(rules, at, edge_ms))


def _before_ms(rules: Rules, at: Reading, edge_ms: int) -> int:
    """A segment begins with its first count, whenever that was."""
    if at.when.boot == FIRST_COUNT_BOOT and not rules.net:
        return 0
    assert at.when.utc_ms is not None
    return _either_way(rules, at, edge_ms) if rules.net else at.when.utc_ms + at.when.within_ms - edge_ms


def _behind(rules: Rules, at: Reading, edge_ms: int) -> int:
    """By how much more it may have been."""
    return rules.passes(at.scale, _behind_ms(rules, at, edge_ms))


def _behind_ms(rules: Rules, at: Reading, edge_ms: int) -> int:
    assert at.when.utc_ms is not None
    if rules.net:
        return _either_way(rules, at, edge_ms)
    return edge_ms - at.when.utc_ms + at.when.within_ms + rules.readout_ms


def _either_way(rules: Rules, at: Reading, edge_ms: int) -> int:
    assert at.when.utc_ms is not None
    return abs(edge_ms - at.when.utc_ms) + at.when.within_ms + rules.readout_ms


def off_at(one: Interval, edge_ms: int) -> tuple[int, int] | None:
    """By how much less and more than its count the total may have been at an edge that the interval reaches; None
    where that edge cuts it and its own bounds say all.
    """
    if one.kind in SURE and one.divides:
        count, low, high = bounds_at(one, edge_ms)
        return count - low, high - count
    at = {one.begin_ms: one.first, one.end_ms: one.last}.get(edge_ms)
    if at is None or one.rules is None:
        return None
    total = at.total
    return total.count - total.low + _before(one.rules, at, edge_ms), total.high - total.count + _behind(
        one.rules, at, edge_ms
    )


def part_of(one: Interval, begin_ms: int, end_ms: int) -> tuple[int, int]:
    """The least and greatest that may have flowed between two instants, of an interval that is not sure."""
    inside_ms = max(0, min(end_ms, one.end_ms) - max(begin_ms, one.begin_ms))
    if one.rules is None or Flag.TIME_UNCERTAIN in one.flags:
        return min(0, one.low), one.high
    ends = (one.first, begin_ms <= one.begin_ms), (one.last, one.end_ms <= end_ms)
    unsure_ms = sum(at.when.within_ms for at, holds in ends if holds)
    outside_ms = sum(at.when.within_ms for at, holds in ends if not holds)
    room = one.rules.most(one.scale, min(inside_ms + unsure_ms, end_ms - begin_ms))
    rest = one.rules.most(one.scale, one.end_ms - one.begin_ms - inside_ms + outside_ms)
    if one.rules.net:
        return max(one.low - rest, -room), min(one.high + rest, room)
    return max(0, one.low - rest), min(one.high, room)


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
        stands = {one.begin_ms: one.first, one.end_ms: one.last}.get(edge)
        if stands is None and not one.divides:
            return _unallocated(one, edge, late=self.late)
        count, low, high = self._bounds(one)
        if stands is not None:
            return Edge(edge, stands, None, None, one.segment, *_on_face(one, edge, count, low, high))
        return Edge(edge, None, one.first, one.last, one.segment, count, low, high, one.gap and one.high > 0)

    def _bounds(self, one: Interval) -> tuple[int, int, int]:
        """Those of all intervals that reach the edge and go on from one another, relative to the one that is taken."""
        count, low, high = bounds_at(one, self.utc_ms)
        for each in self.reach:
            off = off_at(each, self.utc_ms) if each.segment.id == one.segment.id else None
            if off is not None:
                low, high = max(low, count - off[0]), min(high, count + off[1])
        return count, low, high

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


def _unallocated(one: Interval, edge: int, *, late: bool) -> Edge:
    count = one.opening + one.posted if late else one.opening
    low, high = one.first.total.low, max(one.opening + one.posted, one.first.total.high + one.high)
    return Edge(edge, None, one.first, one.last, one.segment, count, low, high, unallocated=one.posted != 0)


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

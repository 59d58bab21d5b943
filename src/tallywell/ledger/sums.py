"""Intervals cut at edges and added up, exactly: the parts' counts add up to the whole's, count by count.

An interval is cut at an edge by `c0 + (c1 - c0) * (t - t0) // (t1 - t0)`, the second part gets the rest. t1 - t0 is
taken from the boot clock within a boot, since a new anchor may have moved the dates by a second or two. An interval
that does not end after it begins is posted whole at its end.

Bounds: the readings' own steps count once at each end of an unbroken run, not at every poll between. An edge inside an
interval lies between its two readings, whatever the interpolation says, and no farther from either of them than the
possible rate allows: a reading a moment after midnight nearly is the reading of midnight. What the ledger did not post,
or posted as a question, adds its own bounds.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from tallywell.ledger.intervals import NOTES, SURE, Flag, Interval, Kind, Segment
from tallywell.readings.quantities import Reading, Scale


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


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch between two edges. Volumes are exact; `low_m3` and `high_m3` bound what may have flowed.

    `counts`: posted counts by segment id. `known_day_m3`: the part of the volume whose day is known; all but what came
    across a gap that reaches over an edge. `estimated`: such a gap, across which anything may have flowed, is cut here.
    """

    begin_ms: int
    end_ms: int
    counts: tuple[tuple[str, int], ...]
    volume_m3: Fraction
    low_m3: Fraction
    high_m3: Fraction
    known_day_m3: Fraction
    covered_ms: int
    expected_ms: int
    rollovers: int
    kinds: frozenset[Kind]
    flags: frozenset[Flag]
    estimated: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readings: where it lies (not cut to the period) and the volume across all of it.

    `missed`: polls by fault; `cause`: what happened inside (started, stopped, unclean end ...).
    """

    begin_ms: int
    end_ms: int
    volume_m3: Fraction
    missed: tuple[tuple[str, int], ...]
    cause: tuple[str, ...]
    interval: Interval


@dataclass(frozen=True, slots=True)
class Rollover:
    """`utc_ms`: the reading that first showed it."""

    utc_ms: int
    times: int
    capacity: int
    interval: Interval


@dataclass(frozen=True, slots=True)
class Sum:
    """A whole period: `whole` over all of it, `parts` between consecutive edges; the parts add up to the whole exactly.

    `unread`: stretches at the beginning or end (begin, end; UTC ms) that no interval reaches: missing, not zero.
    """

    whole: Part
    parts: tuple[Part, ...]
    begin: Edge
    end: Edge
    gaps: tuple[Gap, ...]
    rollovers: tuple[Rollover, ...]
    not_plain: tuple[Interval, ...]
    unread: tuple[tuple[int, int], ...] = ()


def add_up(intervals: Iterable[Interval], edges_ms: Sequence[int]) -> Sum:
    """Cut at `edges_ms` (ascending UTC ms, at least two) and add up. Intervals outside the edges are passed over.

    `expected_ms` is all of a stretch; end the edges at the record's last fact where a period is not over.
    """
    given = list(intervals)
    begin, end = edges_ms[0], edges_ms[-1]
    within = [one for one in given if _touches(one, begin, end)]
    parts = [_Stretch(*pair) for pair in pairwise(edges_ms)]
    whole = _Stretch(begin, end)
    for one in within:
        whole.take(one)
        for part in parts[_part_of(one, edges_ms)]:
            part.take(one)
    done = tuple(part.close() for part in parts)
    return Sum(
        whole=whole.close(sum((part.known_day_m3 for part in done), Fraction(0))),
        parts=done,
        begin=_edge(begin, given, after=True),
        end=_edge(end, given, after=False),
        gaps=tuple(_gap(one) for one in within if one.gap),
        rollovers=tuple(_rollover(one) for one in within if one.rollovers and begin < one.end_ms <= end),
        not_plain=tuple(one for one in within if not one.plain),
        unread=_unread([one for one in within if one.kind not in NOTES], begin, end),
    )


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


def _touches(interval: Interval, begin: int, end: int) -> bool:
    """Whether anything of it lies in (begin, end]; an interval without length lies at its end."""
    return interval.end_ms > begin and min(interval.begin_ms, interval.end_ms - 1) < end


def _part_of(interval: Interval, edges: Sequence[int]) -> slice:
    first = bisect_right(edges, min(interval.begin_ms, interval.end_ms - 1)) - 1
    last = bisect_left(edges, interval.end_ms) - 1
    return slice(max(0, first), last + 1)


@dataclass(slots=True)
class _Sums:
    """Counts of one segment in one stretch: posted, of these on a known day, and how far off the truth may lie."""

    scale: Scale
    posted: int = 0
    known: int = 0
    down: int = 0
    up: int = 0


@dataclass(slots=True)
class _Stretch:
    """What adds up between two edges. A run is a chain of sure intervals in which each begins where the last ended."""

    begin: int
    end: int
    sums: dict[str, _Sums] = field(default_factory=dict)
    run: Interval | None = None
    reached: int = 0
    covered: int = 0
    rollovers: int = 0
    kinds: set[Kind] = field(default_factory=set)
    flags: set[Flag] = field(default_factory=set)
    estimated: bool = False

    def take(self, one: Interval) -> None:
        self.kinds.add(one.kind)
        self.flags |= one.flags
        if one.kind in NOTES:
            return
        inside = one.end_ms <= self.end and (one.begin_ms >= self.begin or one.end_ms <= one.begin_ms)
        posted = one.posted if inside else counts_before(one, self.end) - counts_before(one, self.begin)
        sums = self.sums.setdefault(one.segment.id, _Sums(one.scale))
        sums.posted += posted
        sums.known += posted if inside or not one.gap else 0
        self.estimated |= not inside and one.gap and one.high > 0
        self.rollovers += one.rollovers if self.begin < one.end_ms <= self.end else 0
        self._cover(one)
        if one.kind in SURE:
            self._chain(one, sums)
        else:
            self._doubt(one, posted, sums, inside)

    def close(self, known: Fraction | None = None) -> Part:
        """`known`: the volume whose day is known, where the stretch has edges inside itself."""
        self._end_run()
        volume = _volume(self.sums, "posted")
        return Part(
            begin_ms=self.begin,
            end_ms=self.end,
            counts=tuple((name, sums.posted) for name, sums in self.sums.items()),
            volume_m3=volume,
            low_m3=max(Fraction(0), volume - _volume(self.sums, "down")),
            high_m3=volume + _volume(self.sums, "up"),
            known_day_m3=_volume(self.sums, "known") if known is None else known,
            covered_ms=self.covered,
            expected_ms=self.end - self.begin,
            rollovers=self.rollovers,
            kinds=frozenset(self.kinds),
            flags=frozenset(self.flags),
            estimated=self.estimated,
        )

    def _cover(self, one: Interval) -> None:
        """Dates across boots may overlap by their uncertainty; no instant is covered twice."""
        start, stop = max(one.begin_ms, self.begin, self.reached), min(one.end_ms, self.end)
        if stop > start:
            self.covered += 0 if one.gap else stop - start
            self.reached = stop

    def _chain(self, one: Interval, sums: _Sums) -> None:
        run = self.run
        if run is None or run.last.seq != one.first.seq or run.segment.id != one.segment.id:
            self._end_run()
            count, low, high = _opened(one) if one.begin_ms >= self.begin else bounds_at(one, self.begin)
            sums.down += max(0, high - count)
            sums.up += max(0, count - low)
        self.run = one

    def _end_run(self) -> None:
        if self.run is not None:
            sums = self.sums[self.run.segment.id]
            count, low, high = _closed(self.run) if self.run.end_ms <= self.end else bounds_at(self.run, self.end)
            sums.down += max(0, count - low)
            sums.up += max(0, high - count)
        self.run = None

    def _doubt(self, one: Interval, posted: int, sums: _Sums, inside: bool) -> None:
        self._end_run()
        sums.down += max(0, posted - one.low) if inside else posted
        sums.up += max(0, one.high - posted)


def _volume(sums: dict[str, _Sums], what: str) -> Fraction:
    return sum((getattr(one, what) * one.scale.one_count_m3 for one in sums.values()), Fraction(0))


def bounds_at(one: Interval, edge_ms: int) -> tuple[int, int, int]:
    """The book count at an instant of the interval, and its least and greatest; past a rollover it runs on."""
    if edge_ms >= one.end_ms:
        return _closed(one)
    if edge_ms <= one.begin_ms:
        return _opened(one)
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


def _opened(one: Interval) -> tuple[int, int, int]:
    return one.opening, one.first.total.low, one.first.total.high


def _closed(one: Interval) -> tuple[int, int, int]:
    if one.kind not in SURE and not one.posted:
        return one.closing, one.first.total.low, one.first.total.high + one.high
    past = one.rollovers * one.scale.capacity
    return one.closing + past, one.last.total.low + past, one.last.total.high + past


def _edge(edge: int, intervals: Sequence[Interval], after: bool) -> Edge:
    """The edge as the interval shows it that reaches it: from the side of the period, where two do."""
    reach = [one for one in intervals if one.kind not in NOTES and one.begin_ms <= edge <= one.end_ms]
    if not reach:
        return _bare_edge(edge, [one for one in intervals if one.kind not in NOTES])
    one = reach[-1] if after else reach[0]
    if aside := _posted_aside(one, edge, intervals):
        return _overlapped(one, edge, aside, reach)
    count, low, high = bounds_at(one, edge)
    stands = {one.begin_ms: one.first, one.end_ms: one.last}.get(edge)
    if stands is not None:
        return Edge(edge, stands, None, None, one.segment, *_on_face(one, edge, count, low, high))
    return Edge(edge, None, one.first, one.last, one.segment, count, low, high, one.gap and one.high > 0)


def _posted_aside(one: Interval, edge: int, intervals: Sequence[Interval]) -> int:
    """What the intervals around this one have on the other side of an edge, where the dates of two boots overlap.

    Later ones may have counts before it, earlier ones after it: the count at the edge is what was posted before it.
    """
    if not any(Flag.TIME_UNCERTAIN in each.flags for each in intervals):
        return 0
    at = next(n for n, each in enumerate(intervals) if each is one)
    own = one.segment.id
    late = sum(each.posted - counts_before(each, edge) for each in intervals[:at] if each.segment.id == own)
    return sum(counts_before(each, edge) for each in intervals[at + 1 :] if each.segment.id == own) - late


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


def _bare_edge(edge: int, intervals: Sequence[Interval]) -> Edge:
    before = [one.last for one in intervals if one.end_ms < edge]
    after = [one.first for one in intervals if one.begin_ms > edge]
    return Edge(edge, None, before[-1] if before else None, after[0] if after else None)


def _gap(one: Interval) -> Gap:
    return Gap(one.begin_ms, one.end_ms, one.volume_m3, one.missed, one.cause, one)


def _rollover(one: Interval) -> Rollover:
    return Rollover(one.end_ms, one.rollovers, one.scale.capacity, one)


def _unread(within: Sequence[Interval], begin: int, end: int) -> tuple[tuple[int, int], ...]:
    if not within:
        return ((begin, end),)
    ends = ((begin, within[0].begin_ms), (max(one.end_ms for one in within), end))
    return tuple((start, stop) for start, stop in ends if start < stop)

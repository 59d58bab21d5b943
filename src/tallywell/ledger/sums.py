"""Intervals cut at edges and added up, exactly: the parts' counts add up to the whole's, count by count.

Where an edge cuts an interval, and how far off the count there may be, is the matter of `cut`.

Bounds: the readings' own steps count once at each end of an unbroken run, not at every poll between. At an edge, what
the readings on both sides of it leave open counts once for each of the two parts, so that bounds add. What the ledger
did not post, or posted in doubt, adds its own bounds, and no more in a part than can have flowed there.

Unallocated counts (of an interval that does not divide and reaches over an edge) are in no part, and in the upper bound
of each that they may belong to: whole = parts + what is unallocated between them, exactly. Withheld ones (of a segment
whose meter gave another serial number) are in no volume, and in the upper bound.

Intervals are taken one at a time, in order, and let go: a year of polls costs no more memory than a month. What is kept
is what the sum lists (gaps, rollovers) and the few intervals that reach its two ends.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise

from tallywell.ledger.cut import Edge, EdgeSought, closed, counts_before, off_at, opened, part_of
from tallywell.ledger.intervals import NOTES, POSTS, SURE, Flag, Interval, Kind
from tallywell.readings.quantities import Cause, Scale


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch between two edges. Volumes are exact; `low_m3` and `high_m3` bound what may have flowed.

    `counts`: posted counts by segment id. `known_day_m3`: the part of the volume whose day is known; all but what came
    across a gap that reaches over an edge. `estimated`: such a gap, across which anything may have flowed, is cut here.
    `withheld_m3`: the part's volume of segments that are withheld, which is in none of the others but `high_m3`.
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
    withheld_m3: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Unallocated:
    """Counts between two readings whose time is not known, and the edges between these, first and last.

    `inside`: the period holds both readings, so that its whole has the volume.
    """

    first_edge_ms: int
    last_edge_ms: int
    volume_m3: Fraction
    inside: bool
    interval: Interval


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readings: where it lies (not cut to the period) and the volume across all of it.

    `missed`: polls by fault; `cause`: what happened inside (started, stopped, unclean end ...).
    """

    begin_ms: int
    end_ms: int
    volume_m3: Fraction
    missed: tuple[tuple[str, int], ...]
    cause: tuple[Cause, ...]
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
    unread: tuple[tuple[int, int], ...] = ()
    unallocated: tuple[Unallocated, ...] = ()


def add_up(intervals: Iterable[Interval], edges_ms: Sequence[int]) -> Sum:
    """All intervals of an iterable added up: see `Adding`."""
    adding = Adding(edges_ms)
    for one in intervals:
        adding.take(one)
    return adding.close()


class Adding:
    """A period cut at `edges_ms` (ascending UTC ms, at least two), being added up. Intervals outside are passed over.

    `expected_ms` is all of a stretch; end the edges at the record's last fact where a period is not over.
    """

    __slots__ = (
        "_begin",
        "_edges",
        "_end",
        "_gaps",
        "_parts",
        "_read",
        "_rollovers",
        "_undivided",
        "_whole",
    )

    def __init__(self, edges_ms: Sequence[int]) -> None:
        begin, end = edges_ms[0], edges_ms[-1]
        self._edges = tuple(edges_ms)
        self._parts, self._whole = Parts(edges_ms), Parts((begin, end))
        self._begin, self._end = EdgeSought(begin, late=True), EdgeSought(end, late=False)
        self._gaps: list[Gap] = []
        self._rollovers: list[Rollover] = []
        self._read = ReadSpan(begin, end)
        self._undivided: list[Unallocated] = []

    def take(self, one: Interval) -> None:
        self._begin.take(one)
        self._end.take(one)
        self._whole.take(one)
        self._parts.take(one)
        if touches(one, self._edges[0], self._edges[-1]):
            self._list(one)

    def close(self) -> Sum:
        parts, (whole,) = self._parts.close(), self._whole.close()
        begin, end = self._begin.close(), self._end.close()
        if begin.unallocated and end.unallocated and begin.before is end.before:
            begin = replace(begin, count=end.count)  # all of the period lies inside one interval
        return Sum(
            whole=replace(whole, known_day_m3=sum((part.known_day_m3 for part in parts), Fraction(0))),
            parts=parts,
            begin=begin,
            end=end,
            gaps=tuple(self._gaps),
            rollovers=tuple(self._rollovers),
            unread=self._read.unread(),
            unallocated=tuple(self._undivided),
        )

    def _list(self, one: Interval) -> None:
        self._read.take(one)
        if one.gap:
            self._gaps.append(Gap(one.begin_ms, one.end_ms, one.volume_m3, one.missed, one.cause, one))
        if one.rollovers and self._edges[0] < one.end_ms <= self._edges[-1]:
            self._rollovers.append(Rollover(one.end_ms, one.rollovers, one.scale.capacity, one))
        if one.posted and not one.divides and not one.segment.withheld:
            self._allocate(one)

    def _allocate(self, one: Interval) -> None:
        between = [edge for edge in self._edges if one.begin_ms < edge < one.end_ms]
        if between:
            inside = self._edges[0] <= one.begin_ms and one.end_ms <= self._edges[-1]
            self._undivided.append(Unallocated(between[0], between[-1], one.volume_m3, inside, one))


@dataclass(slots=True)
class ReadSpan:
    """From where to where intervals reach into a period, at the outermost."""

    begin_ms: int
    end_ms: int
    first: int | None = None
    last: int = 0

    def take(self, one: Interval) -> None:
        """An interval that touches the period."""
        if one.kind not in NOTES:
            self.first = one.begin_ms if self.first is None else self.first
            self.last = max(self.last, one.end_ms)

    def unread(self) -> tuple[tuple[int, int], ...]:
        if self.first is None:
            return ((self.begin_ms, self.end_ms),)
        ends = (self.begin_ms, self.first), (self.last, self.end_ms)
        return tuple((start, stop) for start, stop in ends if start < stop)


@dataclass(slots=True)
class _EdgeOff:
    """By how much less and more than its count each segment's total may have been at an edge."""

    utc_ms: int
    by_segment: dict[str, tuple[int, int]] = field(default_factory=dict)

    def take(self, one: Interval) -> None:
        """An interval that reaches the edge; what the readings of each of them leave open, holds."""
        off = off_at(one, self.utc_ms)
        if off is None:
            return
        known = self.by_segment.get(one.segment.id, off)
        self.by_segment[one.segment.id] = min(known[0], off[0]), min(known[1], off[1])


class Parts:
    """The stretches between consecutive edges, being added up; nothing of the whole."""

    __slots__ = ("_edges", "_off", "_parts")

    def __init__(self, edges_ms: Sequence[int]) -> None:
        self._edges = tuple(edges_ms)
        self._off = [_EdgeOff(edge) for edge in edges_ms]
        self._parts = [_Stretch(*pair) for pair in pairwise(edges_ms)]

    def take(self, one: Interval) -> None:
        """An interval that touches the edges' span, or reaches an end of it, or (then without effect) neither."""
        if one.kind in POSTS:
            for edge in self._off[bisect_left(self._edges, one.begin_ms) : bisect_right(self._edges, one.end_ms)]:
                edge.take(one)
        for part in self._parts[_part_of(one, self._edges)]:
            part.take(one)

    def close(self) -> tuple[Part, ...]:
        ends = pairwise(self._off)
        return tuple(part.close(*off) for part, off in zip(self._parts, ends, strict=True))


def touches(interval: Interval, begin: int, end: int) -> bool:
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
    withheld: bool
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
    ends: set[tuple[str, bool]] = field(default_factory=set)  # segments that reach its begin (False) or end (True)
    signed: bool = False
    covered: int = 0
    rollovers: int = 0
    kinds: set[Kind] = field(default_factory=set)
    flags: set[Flag] = field(default_factory=set)
    estimated: bool = False

    def take(self, one: Interval) -> None:
        self.kinds.add(one.kind)
        self.flags.update(one.flags)
        if one.kind in NOTES:
            return
        begin, end = one.begin_ms, one.end_ms
        inside = end <= self.end and (begin >= self.begin or end <= begin)
        posted = one.posted if inside else self._divided(one)
        sums = self.sums.get(one.segment.id)
        if sums is None:
            sums = self.sums[one.segment.id] = _Sums(one.scale, one.segment.withheld)
        sums.posted += posted
        sums.known += posted if inside or not one.gap else 0
        self.estimated |= not inside and one.gap and one.high > 0 and one.divides
        self.rollovers += one.rollovers if self.begin < end <= self.end else 0
        self.signed |= one.rules is not None and one.rules.net
        self._cover(one)
        self._reach(one)
        if one.kind in SURE and (inside or one.divides):
            self._chain(one, sums)
        else:
            self._doubt(one, posted, sums, inside=inside)

    def _divided(self, one: Interval) -> int:
        return counts_before(one, self.end) - counts_before(one, self.begin) if one.divides else 0

    def _reach(self, one: Interval) -> None:
        """Which edges the count of its segment is known at, as far as it is."""
        if one.kind in POSTS:
            if one.begin_ms <= self.begin <= one.end_ms:
                self.ends.add((one.segment.id, False))
            if one.begin_ms <= self.end <= one.end_ms:
                self.ends.add((one.segment.id, True))

    def close(self, begin: _EdgeOff, end: _EdgeOff) -> Part:
        self._end_run()
        for segment, at_end in self.ends:
            less, more = (end if at_end else begin).by_segment.get(segment, (0, 0))
            self.sums[segment].down += max(0, less if at_end else more)
            self.sums[segment].up += max(0, more if at_end else less)
        volume = _volume(self.sums, "posted")
        low = volume - _volume(self.sums, "down")
        withheld = _volume(self.sums, "posted", withheld=True)
        high = volume + _volume(self.sums, "up") + withheld + _volume(self.sums, "up", withheld=True)
        return Part(
            begin_ms=self.begin,
            end_ms=self.end,
            counts=tuple((name, sums.posted) for name, sums in self.sums.items()),
            volume_m3=volume,
            low_m3=low if self.signed else max(Fraction(0), low),
            high_m3=high,
            known_day_m3=_volume(self.sums, "known"),
            covered_ms=self.covered,
            expected_ms=self.end - self.begin,
            rollovers=self.rollovers,
            kinds=frozenset(self.kinds),
            flags=frozenset(self.flags),
            estimated=self.estimated,
            withheld_m3=withheld,
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
            if one.begin_ms > self.begin:  # else the edge says it
                count, low, high = opened(one)
                sums.down += max(0, high - count)
                sums.up += max(0, count - low)
        self.run = one

    def _end_run(self) -> None:
        if self.run is not None and self.run.end_ms < self.end:
            sums = self.sums[self.run.segment.id]
            count, low, high = closed(self.run)
            sums.down += max(0, count - low)
            sums.up += max(0, high - count)
        self.run = None

    def _doubt(self, one: Interval, posted: int, sums: _Sums, *, inside: bool) -> None:
        self._end_run()
        low, high = (one.low, one.high) if inside else part_of(one, self.begin, self.end)
        sums.down += max(0, posted - low)
        sums.up += max(0, high - posted)


def _volume(sums: dict[str, _Sums], what: str, *, withheld: bool = False) -> Fraction:
    """Of all that is the well's, or of what is withheld from it."""
    own = [one for one in sums.values() if one.withheld is withheld]
    return sum((getattr(one, what) * one.scale.one_count_m3 for one in own), Fraction(0))

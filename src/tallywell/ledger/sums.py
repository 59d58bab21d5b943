"""Intervals cut at edges and added up, exactly: the parts' counts add up to the whole's, count by count.

Where an edge cuts an interval, and how far off the count there may be, is the matter of `cut`.

Bounds: the readings' own steps count once at each end of an unbroken run, not at every poll between. What the ledger
did not post, or posted as a question, adds its own bounds.

Intervals are taken one at a time, in order, and let go: a year of polls costs no more memory than a month. What is kept
is what the sum lists (gaps, rollovers, intervals that are not plain) and the few intervals that reach its two ends.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from tallywell.ledger.cut import Edge, EdgeSought, bounds_at, closed, counts_before, opened
from tallywell.ledger.intervals import NOTES, SURE, Flag, Interval, Kind
from tallywell.readings.quantities import Cause, Scale


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
    not_plain: tuple[Interval, ...]
    unread: tuple[tuple[int, int], ...] = ()


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

    __slots__ = ("_begin", "_end", "_gaps", "_not_plain", "_parts", "_read", "_rollovers", "_whole")

    def __init__(self, edges_ms: Sequence[int]) -> None:
        begin, end = edges_ms[0], edges_ms[-1]
        self._parts, self._whole = Parts(edges_ms), _Stretch(begin, end)
        self._begin, self._end = EdgeSought(begin, late=True), EdgeSought(end, late=False)
        self._gaps: list[Gap] = []
        self._rollovers: list[Rollover] = []
        self._not_plain: list[Interval] = []
        self._read = ReadSpan(begin, end)

    def take(self, one: Interval) -> None:
        self._begin.take(one)
        self._end.take(one)
        if touches(one, self._whole.begin, self._whole.end):
            self._whole.take(one)
            self._parts.take(one)
            self._list(one)

    def close(self) -> Sum:
        parts = self._parts.close()
        return Sum(
            whole=self._whole.close(sum((part.known_day_m3 for part in parts), Fraction(0))),
            parts=parts,
            begin=self._begin.close(),
            end=self._end.close(),
            gaps=tuple(self._gaps),
            rollovers=tuple(self._rollovers),
            not_plain=tuple(self._not_plain),
            unread=self._read.unread(),
        )

    def _list(self, one: Interval) -> None:
        if not one.plain:
            self._not_plain.append(one)
        self._read.take(one)
        if one.gap:
            self._gaps.append(Gap(one.begin_ms, one.end_ms, one.volume_m3, one.missed, one.cause, one))
        if one.rollovers and self._whole.begin < one.end_ms <= self._whole.end:
            self._rollovers.append(Rollover(one.end_ms, one.rollovers, one.scale.capacity, one))


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


class Parts:
    """The stretches between consecutive edges, being added up; nothing of the whole."""

    __slots__ = ("_edges", "_parts")

    def __init__(self, edges_ms: Sequence[int]) -> None:
        self._edges = tuple(edges_ms)
        self._parts = [_Stretch(*pair) for pair in pairwise(edges_ms)]

    def take(self, one: Interval) -> None:
        """An interval that touches the edges' span, or (then without effect) one that does not."""
        for part in self._parts[_part_of(one, self._edges)]:
            part.take(one)

    def close(self) -> tuple[Part, ...]:
        return tuple(part.close() for part in self._parts)


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
        self.flags.update(one.flags)
        if one.kind in NOTES:
            return
        begin, end = one.begin_ms, one.end_ms
        inside = end <= self.end and (begin >= self.begin or end <= begin)
        posted = one.posted if inside else counts_before(one, self.end) - counts_before(one, self.begin)
        sums = self.sums.get(one.segment.id)
        if sums is None:
            sums = self.sums[one.segment.id] = _Sums(one.scale)
        sums.posted += posted
        sums.known += posted if inside or not one.gap else 0
        self.estimated |= not inside and one.gap and one.high > 0
        self.rollovers += one.rollovers if self.begin < end <= self.end else 0
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
            count, low, high = opened(one) if one.begin_ms >= self.begin else bounds_at(one, self.begin)
            sums.down += max(0, high - count)
            sums.up += max(0, count - low)
        self.run = one

    def _end_run(self) -> None:
        if self.run is not None:
            sums = self.sums[self.run.segment.id]
            count, low, high = closed(self.run) if self.run.end_ms <= self.end else bounds_at(self.run, self.end)
            sums.down += max(0, count - low)
            sums.up += max(0, high - count)
        self.run = None

    def _doubt(self, one: Interval, posted: int, sums: _Sums, inside: bool) -> None:
        self._end_run()
        sums.down += max(0, posted - one.low) if inside else posted
        sums.up += max(0, one.high - posted)


def _volume(sums: dict[str, _Sums], what: str) -> Fraction:
    return sum((getattr(one, what) * one.scale.one_count_m3 for one in sums.values()), Fraction(0))

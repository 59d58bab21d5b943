"""From a point's intervals to its part of the report: all that is cut, added up and compared; nothing rounded.

The intervals pass by once, in order (`PointTally`), and are not kept: what a report holds bounds what it costs.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.cut import Edge, bounds_at
from tallywell.ledger.intervals import OF_SEGMENT, POSTS, Flag, Interval, Kind, utc_ms
from tallywell.ledger.periods import Period, days, edges_ms, midnight_ms
from tallywell.ledger.rates import HoursPumped, MaximumRate, PeakFlow
from tallywell.ledger.sums import Adding, Gap, Part, Parts, ReadSpan, Sum, touches
from tallywell.readings.quantities import HandReading, Reading, Scale
from tallywell.readings.units import Measure
from tallywell.reports.face import Face, face_capacity_in_books, shown
from tallywell.reports.model import (
    EdgeCount,
    GapLine,
    How,
    MeterLine,
    Place,
    PointReport,
    Register,
    Remark,
    RolloverLine,
    Seen,
    SegmentLine,
    Slice,
    VisitLine,
    Volume,
)

# What is said elsewhere in the report already, or is no more than the absence of an entry, makes no remark of its own.
_SAID_ELSEWHERE = OF_SEGMENT | {Flag.GAP, Flag.GLITCH_INSIDE}


@dataclass(frozen=True, slots=True)
class Visit:
    """A hand reading as entered; `reading` None: it could not be taken, `fault` says why."""

    utc_ms: int
    shows: str
    author: str
    note: str
    reading: HandReading | None
    fault: str = ""


@dataclass(frozen=True, slots=True)
class PointFacts:
    """What is known of one point beside its intervals.

    `unread`: stretches before the first and after the last good reading, cut to the period, with their causes.
    """

    place: Place
    register: Register
    face: Face
    face_stated: bool
    rate_unit: str | None
    running_above: Measure | None
    meters: tuple[MeterLine, ...]
    visits: tuple[Visit, ...]
    unread: tuple[GapLine, ...]
    no_readings: str = ""


class PointTally:
    """A point's report for a period of whole local days while its intervals pass by, one at a time, in order.

    `moments_ms`: the instants of the visits, at which the register's count will be asked for.
    """

    __slots__ = (
        "_around",
        "_days",
        "_edges",
        "_groups",
        "_hours",
        "_labels",
        "_maximum",
        "_months",
        "_peak",
        "_sum",
        "_waiting",
    )

    def __init__(self, period: Period, zone: ZoneInfo, moments_ms: Iterable[int]) -> None:
        edges = self._edges = edges_ms(period, zone)
        begin_ms, end_ms = edges[0], edges[-1]
        self._labels = [day.isoformat() for day in days(period)]
        self._sum = Adding(edges)
        self._days = _Reached(edges)
        self._months = _Months(period, zone)
        self._maximum = MaximumRate(begin_ms, end_ms, zone)
        self._peak = PeakFlow(begin_ms, end_ms)
        self._hours = HoursPumped(begin_ms, end_ms)
        self._groups: list[tuple[Interval, Interval]] = []  # what meters inside: first and last, segment by segment
        self._waiting = sorted(moments_ms)
        self._around: dict[int, Interval] = {}

    def take(self, one: Interval) -> None:
        self._sum.take(one)
        self._months.parts.take(one)
        self._maximum.take(one)
        self._peak.take(one)
        self._hours.take(one)
        if self._waiting and one.kind in POSTS:
            self._visited(one)
        if touches(one, self._edges[0], self._edges[-1]):
            self._inside(one)

    def report(self, facts: PointFacts) -> PointReport:
        """The point's part of the report, once the last interval has passed."""
        begin_ms, end_ms = self._edges[0], self._edges[-1]
        added, metered = self._sum.close(), bool(self._groups)
        return PointReport(
            place=facts.place,
            register=facts.register,
            face=facts.face,
            face_stated=facts.face_stated,
            rate_unit=facts.rate_unit,
            meters=_meters_in(facts.meters, begin_ms, end_ms),
            begin=_edge(added.begin, self._groups, facts.face, begins=True),
            end=_edge(added.end, self._groups, facts.face, begins=False),
            volume=_volume(added.whole, added.unread) if metered else None,
            segments=tuple(_segment_line(*group, added, facts.face) for group in self._groups),
            days=_slices(self._labels, added.parts, self._days.ms, added.unread),
            months=self._months.close(added.unread),
            maximum=self._maximum.best,
            peak=self._peak.best,
            hours=self._hours.close() if metered else None,
            running_above=facts.running_above,
            covered_ms=added.whole.covered_ms,
            expected_ms=end_ms - begin_ms,
            known_day_m3=added.whole.known_day_m3,
            gaps=tuple(sorted([*map(_gap, added.gaps), *facts.unread], key=lambda gap: gap.begin_ms)),
            rollovers=tuple(RolloverLine(each.utc_ms, each.times, each.capacity) for each in added.rollovers),
            remarks=tuple(_remark(each, facts.face) for each in added.not_plain if _needs_words(each)),
            visits=tuple(self._visit(each, facts) for each in facts.visits if begin_ms <= each.utc_ms < end_ms),
            no_readings=facts.no_readings,
        )

    def _visited(self, one: Interval) -> None:
        for moment in [each for each in self._waiting if _holds(one, each)]:
            self._around[moment] = one
            self._waiting.remove(moment)

    def _inside(self, one: Interval) -> None:
        if _overlap_ms(one, self._edges[0], self._edges[-1]):
            self._days.take(one)
            self._months.reached.take(one)
        if one.kind in POSTS:
            goes_on = self._groups and self._groups[-1][1].segment.id == one.segment.id
            first = self._groups.pop()[0] if goes_on else one
            self._groups.append((first, one))

    def _visit(self, visit: Visit, facts: PointFacts) -> VisitLine:
        around = self._around.get(visit.utc_ms)
        register = None if around is None else _register_at(around, visit.utc_ms, facts.face)
        more = None
        if visit.reading is not None and around is not None and register is not None:
            more = _more(visit.reading, register, facts.face, around.scale)
        return VisitLine(visit.utc_ms, visit.shows, visit.author, register, more, visit.note, visit.fault)


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
            self._metered = self._metered or one.kind in POSTS

    def close(self) -> Volume | None:
        (part,) = self._part.close()
        return _volume(part, self._read.unread()) if self._metered else None


class _Reached:
    """How much of each slice between edges lies between readings that meter, from the intervals of the period.

    A slice takes no more from the first interval on that begins behind it: the dates of two boots may overlap.
    """

    __slots__ = ("_begun", "_edges", "ms")

    def __init__(self, edges: Sequence[int]) -> None:
        self._edges, self._begun = edges, edges[0]
        self.ms = [0] * (len(edges) - 1)

    def take(self, one: Interval) -> None:
        begin, end = one.begin_ms, one.end_ms
        self._begun = max(self._begun, begin)
        if one.kind not in POSTS:
            return
        first, past = bisect_right(self._edges, begin) - 1, bisect_left(self._edges, end)
        for at in range(max(0, first), min(past, len(self.ms))):
            start, stop = self._edges[at : at + 2]
            self.ms[at] += min(end, stop) - max(begin, start) if stop > self._begun else 0


class _Months:
    """The parts of months inside the period, cut anew: adding up days would widen the bounds at every midnight."""

    __slots__ = ("_starts", "parts", "reached")

    def __init__(self, period: Period, zone: ZoneInfo) -> None:
        self._starts = [day for day in days(period) if day == period.first or day.day == 1]
        edges = [midnight_ms(day, zone) for day in [*self._starts, period.end]]
        self.parts, self.reached = Parts(edges), _Reached(edges)

    def close(self, unread: Sequence[tuple[int, int]]) -> tuple[Slice, ...]:
        return _slices([f"{day:%Y-%m}" for day in self._starts], self.parts.close(), self.reached.ms, unread)


def _slices(
    labels: Iterable[str], parts: Iterable[Part], reached_ms: Iterable[int], unread: Sequence[tuple[int, int]]
) -> tuple[Slice, ...]:
    each = zip(labels, parts, reached_ms, strict=True)
    return tuple(_slice(label, part, ms, _volume(part, unread) if ms else None) for label, part, ms in each)


def _slice(label: str, part: Part, reached_ms: int, volume: Volume | None) -> Slice:
    return Slice(
        label=label,
        begin_ms=part.begin_ms,
        end_ms=part.end_ms,
        volume=volume,
        reached_ms=reached_ms,
        covered_ms=part.covered_ms,
        rollovers=part.rollovers,
        kinds=part.kinds,
        estimated=part.estimated,
    )


def _volume(part: Part, unread: Iterable[tuple[int, int]]) -> Volume:
    unread_ms = sum(max(0, min(stop, part.end_ms) - max(start, part.begin_ms)) for start, stop in unread)
    return Volume(part.volume_m3, part.low_m3, part.high_m3, unread_ms)


def _edge(edge: Edge, metered: Sequence[tuple[Interval, Interval]], face: Face, *, begins: bool) -> EdgeCount | None:
    """The count at the edge; where no interval reaches it, the period's own first or last reading with its own time."""
    if edge.count is not None and edge.low is not None and edge.high is not None:
        return _at_edge(edge, edge.count, edge.low, edge.high, face)
    if not metered:
        return None
    outer = metered[0][0] if begins else metered[-1][1]
    reading, count = (outer.first, outer.opening) if begins else (outer.last, outer.closing)
    how = How.ENTERED if reading.seq == 0 else How.FIRST if begins else How.LAST
    low, high = reading.total.low, reading.total.high
    return EdgeCount(_seen_at(reading, count, face), min(low, count), max(high, count), how)


def _at_edge(edge: Edge, count: int, low: int, high: int, face: Face) -> EdgeCount:
    enclosing = edge.at or edge.before or edge.after
    assert enclosing is not None, "an edge with a count has a reading beside it"
    # Inside an interval with a rollover the edge's counts run on past the capacity.
    capacity = enclosing.scale.capacity if edge.at else _capacity(edge.before or enclosing, edge.after or enclosing)
    low, high = (low % capacity, high % capacity) if high - low < capacity else (0, capacity - 1)
    count %= capacity
    within_ms = edge.at.when.within_ms if edge.at else 0
    seen = Seen(edge.utc_ms, count, shown(face, count, enclosing.scale), within_ms)
    how = How.READ if edge.at else How.ESTIMATED if edge.estimated else How.BETWEEN
    if edge.at:
        how = How.READ if edge.at.seq else How.ENTERED
        return EdgeCount(seen, low, high, how)
    before = None if edge.before is None else _seen(edge.before, face)
    after = None if edge.after is None else _seen(edge.after, face)
    return EdgeCount(seen, low, high, how, before, after)


def _segment_line(first: Interval, last: Interval, added: Sum, face: Face) -> SegmentLine:
    segment, counts = first.segment, dict(added.whole.counts).get(first.segment.id, 0)
    begin = _cut(added.begin, first, face) or _seen_at(first.first, first.opening, face)
    end = _cut(added.end, last, face) or _seen_at(last.last, last.closing, face)
    # A rollover may lie on the other side of an edge that cuts its interval, so it is taken from the counts themselves.
    past = counts - (end.count - begin.count)
    # Where a register's exponent rose on the way, it goes round at the capacity that it has since, or did so before.
    capacities = _capacity(last.first, last.last), first.scale.capacity
    capacity = next((each for each in capacities if past % each == 0), capacities[0])
    rounds = past // capacity
    return SegmentLine(
        segment.id, segment.serial, segment.confirmed, begin, end, rounds, capacity, counts, first.scale.one_count_m3
    )


def _cut(edge: Edge, interval: Interval, face: Face) -> Seen | None:
    """What stands at the period's edge, where it cuts this interval."""
    cuts = interval.begin_ms <= edge.utc_ms <= interval.end_ms
    if edge.count is None or edge.segment != interval.segment or not cuts:
        return None
    count = edge.count % _capacity(interval.first, interval.last)
    return Seen(edge.utc_ms, count, shown(face, count, interval.scale))


def _capacity(first: Reading, last: Reading) -> int:
    """Where a register goes round between two readings: its exponent may have risen, so that it counts farther."""
    if first.scale.one_count_m3 != last.scale.one_count_m3:
        return first.scale.capacity
    return max(first.scale.capacity, last.scale.capacity)


def _gap(gap: Gap) -> GapLine:
    of = gap.interval
    one = of.scale.one_count_m3
    volume = Volume(gap.volume_m3, of.low * one, of.high * one) if of.kind in POSTS else None
    return GapLine(gap.begin_ms, gap.end_ms, volume, gap.missed, gap.cause)


def _needs_words(interval: Interval) -> bool:
    return interval.kind not in (Kind.METERED, Kind.ACROSS_GAP) or bool(interval.flags - _SAID_ELSEWHERE)


def _remark(interval: Interval, face: Face) -> Remark:
    one = interval.scale.one_count_m3
    return Remark(
        first=_seen(interval.first, face),
        last=_seen(interval.last, face),
        kind=interval.kind,
        flags=interval.flags,
        rollovers=interval.rollovers,
        volume=Volume(interval.volume_m3, interval.low * one, interval.high * one),
        counted=interval.kind in POSTS,
        segment=interval.segment.id,
    )


def _holds(interval: Interval, moment_ms: int) -> bool:
    return interval.begin_ms <= moment_ms <= interval.end_ms and interval.begin_ms < interval.end_ms


def _register_at(interval: Interval, moment_ms: int, face: Face) -> EdgeCount:
    """The register's count at a moment, as at an edge of a period: bounded by the readings on either side."""
    count, low, high = bounds_at(interval, moment_ms)
    how = How.ESTIMATED if interval.gap else How.BETWEEN
    turned = count % _capacity(interval.first, interval.last)
    seen = Seen(moment_ms, count, shown(face, turned, interval.scale))
    return EdgeCount(seen, low, high, how, _seen(interval.first, face), _seen(interval.last, face))


def _more(hand: HandReading, register: EdgeCount, face: Face, scale: Scale) -> int:
    """By how many counts the face lies outside the register's bounds; the face may have gone round in between."""
    total = hand.total if hand.scale is None else hand.total * (hand.scale.one_count_m3 / scale.one_count_m3)
    face_capacity = face_capacity_in_books(face, scale)
    rounds = round((register.seen.count - total.count) / face_capacity)
    shift = round(rounds * face_capacity)
    low, high = total.low + shift, total.high + shift
    if low > register.high:
        return low - register.high
    return high - register.low if high < register.low else 0


def _meters_in(meters: Iterable[MeterLine], begin_ms: int, end_ms: int) -> tuple[MeterLine, ...]:
    return tuple(m for m in meters if m.begin_ms < end_ms and (m.end_ms is None or m.end_ms > begin_ms))


def _seen(reading: Reading, face: Face) -> Seen:
    return _seen_at(reading, reading.total.count, face)


def _seen_at(reading: Reading, count: int, face: Face) -> Seen:
    return Seen(
        utc_ms(reading), count, shown(face, count % reading.scale.capacity, reading.scale), reading.when.within_ms
    )


def _overlap_ms(interval: Interval, begin_ms: int, end_ms: int) -> int:
    return max(0, min(interval.end_ms, end_ms) - max(interval.begin_ms, begin_ms))

"""The counts that readings show: at the edges of a period, at both ends of a segment."""

from collections.abc import Sequence

from tallywell.ledger.cut import Edge
from tallywell.ledger.intervals import Interval, utc_ms
from tallywell.ledger.sums import Sum
from tallywell.readings.quantities import Reading
from tallywell.reports.face import Face, shown
from tallywell.reports.model import EdgeCount, How, Seen, SegmentLine

Group = tuple[Interval, Interval]  # the first and the last interval of a segment in the period


def edge_count(edge: Edge, metered: Sequence[Group], face: Face, *, begins: bool) -> EdgeCount | None:
    """The count at the edge; where no interval reaches it, the period's own first or last reading with its own time."""
    if edge.count is not None and edge.low is not None and edge.high is not None:
        return _at_edge(edge, edge.count, edge.low, edge.high, face)
    if not metered:
        return None
    outer = metered[0][0] if begins else metered[-1][1]
    reading, count = (outer.first, outer.opening) if begins else (outer.last, outer.closing)
    how = How.ENTERED if reading.seq == 0 else How.FIRST if begins else How.LAST
    low, high = reading.total.low, reading.total.high
    return EdgeCount(seen_at(reading, count, face), min(low, count), max(high, count), how)


def _at_edge(edge: Edge, count: int, low: int, high: int, face: Face) -> EdgeCount:
    enclosing = edge.at or edge.before or edge.after
    assert enclosing is not None, "an edge with a count has a reading beside it"
    # Inside an interval with a rollover the edge's counts run on past the capacity.
    capacity = (
        enclosing.scale.capacity if edge.at else capacity_between(edge.before or enclosing, edge.after or enclosing)
    )
    low, high = (low % capacity, high % capacity) if high - low < capacity else (0, capacity - 1)
    count %= capacity
    within_ms = edge.at.when.within_ms if edge.at else 0
    seen = Seen(edge.utc_ms, count, shown(face, count, enclosing.scale), within_ms)
    if edge.at:
        return EdgeCount(seen, low, high, How.READ if edge.at.seq else How.ENTERED)
    how = How.UNALLOCATED if edge.unallocated else How.ESTIMATED if edge.estimated else How.BETWEEN
    before = None if edge.before is None else reading_seen(edge.before, face)
    after = None if edge.after is None else reading_seen(edge.after, face)
    return EdgeCount(seen, low, high, how, before, after)


def segment_line(first: Interval, last: Interval, added: Sum, face: Face) -> SegmentLine:
    segment, counts = first.segment, dict(added.whole.counts).get(first.segment.id, 0)
    begin = _cut(added.begin, first, face) or seen_at(first.first, first.opening, face)
    end = _cut(added.end, last, face) or seen_at(last.last, last.closing, face)
    # A rollover may lie on the other side of an edge that cuts its interval, so it is taken from the counts themselves.
    past = counts - (end.count - begin.count)
    # Where a register's exponent rose on the way, it goes round at the capacity that it has since, or did so before.
    capacities = capacity_between(last.first, last.last), first.scale.capacity
    capacity = next((each for each in capacities if past % each == 0), capacities[0])
    rounds = past // capacity
    one_count_m3 = first.scale.one_count_m3
    return SegmentLine(
        segment.id,
        segment.serial,
        segment.confirmed,
        begin,
        end,
        rounds,
        capacity,
        counts,
        one_count_m3,
        segment.withheld,
    )


def _cut(edge: Edge, interval: Interval, face: Face) -> Seen | None:
    """What stands at the period's edge, where it cuts this interval."""
    cuts = interval.begin_ms <= edge.utc_ms <= interval.end_ms
    if edge.count is None or edge.segment != interval.segment or not cuts:
        return None
    count = edge.count % capacity_between(interval.first, interval.last)
    return Seen(edge.utc_ms, count, shown(face, count, interval.scale))


def capacity_between(first: Reading, last: Reading) -> int:
    """Where a register goes round between two readings: its exponent may have risen, so that it counts farther."""
    if first.scale.one_count_m3 != last.scale.one_count_m3:
        return first.scale.capacity
    return max(first.scale.capacity, last.scale.capacity)


def reading_seen(reading: Reading, face: Face) -> Seen:
    return seen_at(reading, reading.total.count, face)


def seen_at(reading: Reading, count: int, face: Face) -> Seen:
    return Seen(
        utc_ms(reading), count, shown(face, count % reading.scale.capacity, reading.scale), reading.when.within_ms
    )

"""Sentences of an edge: how its count was divided, and from which reading each of its bounds comes, with the sum."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.cut import Edge, counts_before, off_at, room_at
from tallywell.ledger.intervals import POSTS, SURE, Flag, Interval
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading
from tallywell.reports.dates import MINUTE_MS, duration, with_offset


@dataclass(frozen=True, slots=True)
class Bound:
    """One bound of an edge by one reading: its count, and what passes at most in so many ms between the two.

    `off`: by how much it lies below, or above, the count at the edge.
    """

    at: Reading
    rules: Rules
    count: int
    ms: int
    passes: int
    off: int


def edge_sentences(name: str, edge: Edge, reach: Sequence[Interval], zone: ZoneInfo) -> Iterator[str]:
    """`reach`: the intervals that reach it. A sentence that begins with blanks belongs to the one above it."""
    at = f"{name}, {with_offset(edge.utc_ms, zone)}"
    if edge.count is None:
        yield f"{at}: no reading reaches it"
        return
    if edge.at is not None:
        yield f"{at}: {reading_named(edge.at)} stands there, {edge.count:,} counts{_between(edge)}"
    elif edge.unallocated:
        yield f"{at}: in a stretch that is not divided; the reading on this side has {edge.count:,} counts"
    elif edge.before is not None and edge.after is not None:
        yield f"{at}: {edge.count:,} counts{_between(edge)}"
        yield from _divided(edge.before, edge.after, edge, reach, zone)
    yield from _bounds(edge, reach)


def _divided(before: Reading, after: Reading, edge: Edge, reach: Sequence[Interval], zone: ZoneInfo) -> Iterator[str]:
    """Between which readings, and the sum by which the ledger cuts what it posted."""
    both = f"{reading_said(before, zone)} and {reading_said(after, zone)}"
    around = next((one for one in reach if one.first is before and one.last is after), None)
    if around is None:
        yield f"  between {both}"
    elif around.kind not in POSTS:
        yield f"  in a stretch that posts nothing ({around.kind.value}), between {both}"
    elif not around.posted:
        yield f"  the same before and after it: {both}"
    else:
        yield f"  divided by time between {both}"
        yield from _division(around, edge)


def _division(around: Interval, edge: Edge) -> Iterator[str]:
    """By the boot clock within a boot, else by the dates; past a rollover the count runs on. Nothing where the dates of
    two starts overlap, so that the parts of several intervals lie at the edge.
    """
    first, last = around.first.when, around.last.when
    same_boot = first.boot == last.boot and last.boot_ms > first.boot_ms
    length = last.boot_ms - first.boot_ms if same_boot else around.end_ms - around.begin_ms
    if around.opening + counts_before(around, edge.utc_ms) == edge.count:
        sign = "-" if around.posted < 0 else "+"
        share = f"{abs(around.posted):,} x {edge.utc_ms - around.begin_ms:,} ms / {length:,} ms"
        yield f"  {around.opening:,} {sign} {share}, rounded down to whole counts"


def _between(edge: Edge) -> str:
    return "" if edge.low == edge.high else f", between {edge.low:,} and {edge.high:,}"


# --- where its bounds come from


def _bounds(edge: Edge, reach: Sequence[Interval]) -> Iterator[str]:
    if edge.low == edge.high or edge.unallocated or edge.count is None or edge.low is None or edge.high is None:
        return
    low = _nearest(lows(edge, reach), edge.count - edge.low)
    high = _nearest(highs(edge, reach), edge.high - edge.count)
    if low is None and high is None:
        yield "  bounded by what lies around it alone"
        return
    if low is not None:
        yield f"  at least {edge.low:,}{_sum(low, edge, '-')}"
    if high is not None:
        yield f"  at most {edge.high:,}{_sum(high, edge, '+')}"


def lows(edge: Edge, reach: Iterable[Interval]) -> Iterator[Bound]:
    """What each reading of the intervals around an edge leaves open below its count."""
    for one, at, past in _readings(edge, reach):
        assert one.rules is not None
        room, count = room_at(one.rules, at, edge.utc_ms), at.total.low + past - _shift(one, at, edge)
        yield Bound(at, one.rules, count, room.less_ms, room.less, (edge.count or 0) - count + room.less)


def highs(edge: Edge, reach: Iterable[Interval]) -> Iterator[Bound]:
    """The same above it."""
    for one, at, past in _readings(edge, reach):
        assert one.rules is not None
        room, count = room_at(one.rules, at, edge.utc_ms), at.total.high + past - _shift(one, at, edge)
        yield Bound(at, one.rules, count, room.more_ms, room.more, count + room.more - (edge.count or 0))


def _readings(edge: Edge, reach: Iterable[Interval]) -> Iterator[tuple[Interval, Reading, int]]:
    """Those that bound it, with what lies past a rollover; of an interval in doubt the one that stands there alone."""
    for one in reach:
        own = edge.segment is not None and one.segment.id == edge.segment.id
        if not own or one.kind not in POSTS or one.rules is None or Flag.TIME_UNCERTAIN in one.flags:
            continue
        past = one.rollovers * one.scale.capacity
        if one.kind in SURE and one.divides:
            yield one, one.first, 0
            yield one, one.last, past
        elif edge.utc_ms in (one.begin_ms, one.end_ms):
            yield (one, one.first, 0) if edge.utc_ms == one.begin_ms else (one, one.last, 0)


def _shift(one: Interval, at: Reading, edge: Edge) -> int:
    """By how much the interval's counts run beyond those of the edge: a capacity, where that is told by the face."""
    stands = one.opening + counts_before(one, edge.utc_ms) if one.kind in SURE else at.total.count
    return stands - (edge.count or 0)


def _nearest(bounds: Iterable[Bound], off: int) -> Bound | None:
    """The one that gives the bound; none where something else does."""
    found = min(bounds, key=lambda bound: bound.off, default=None)
    return found if found is not None and max(0, found.off) == off else None


def _sum(bound: Bound, edge: Edge, sign: str) -> str:
    name, total = reading_named(bound.at), bound.at.total
    if not total.low <= bound.count <= total.high:
        name += f" (its {total.count:,}, run on past the capacity)"
    if bound.off < 0:
        return ", as it was divided"
    if bound.ms <= 0:
        return f", which {name} had {'before' if sign == '-' else 'after'} it"
    apart = (bound.at.when.utc_ms or 0) - edge.utc_ms
    parts = [f"{apart if sign == '-' else -apart:,} by the dates", f"{bound.at.when.within_ms:,} for the clock"]
    if bound.ms != (apart if sign == "-" else -apart) + bound.at.when.within_ms:
        parts.append(f"{bound.rules.readout_ms:,} for a register's age")
    most = f"the most that passes in {bound.ms:,} ms ({', '.join(parts)})"
    return f" = {bound.count:,} of {name} {sign} {bound.passes:,}, {most}"


def left_open(edge: Edge, reach: Iterable[Interval]) -> tuple[int, int]:
    """How many counts less and more than its own the edge may have had, as the sums of a volume take it."""
    own = (one for one in reach if one.kind in POSTS and edge.segment and one.segment.id == edge.segment.id)
    offs = [off_at(one, edge.utc_ms) for one in own]
    known = [off for off in offs if off is not None]
    if not known:
        return 0, 0
    return max(0, min(off[0] for off in known)), max(0, min(off[1] for off in known))


# --- readings by name


def reading_said(of: Reading, zone: ZoneInfo) -> str:
    """ "reading 20 (2026-03-01 00:00:00 -07:00, 99,844,031)"."""
    at = with_offset(of.when.utc_ms or 0, zone)
    within = f" within {duration(of.when.within_ms)}" if of.when.within_ms >= MINUTE_MS else ""
    return f"{reading_named(of)} ({at}{within}, {of.total.count:,})"


def reading_named(of: Reading) -> str:
    """A reading by its number, or what a person stated in its stead."""
    return f"reading {of.seq}" if of.seq else "the stated count"

"""A number of the report, followed back: from the volume to its intervals, to their readings, to the raw words and the
map. Reads only. The same ledger and the same sums as the report's, so its numbers are the report's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.cut import Edge, counts_before
from tallywell.ledger.intervals import NOTES, OF_SEGMENT, POSTS, Interval
from tallywell.ledger.sums import Adding, Sum, touches
from tallywell.readings.quantities import Reading
from tallywell.reports.dates import duration, with_offset
from tallywell.reports.shown_units import VolumeUnit
from tallywell.service.following import Followed, followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.site import Point
from tallywell.stated.content import in_force
from tallywell.store.query import Reader


@dataclass(frozen=True, slots=True)
class Piece:
    """One interval, or a run of `times` plain ones from `first` to `last`; `counts` of them lie in the stretch."""

    first: Interval
    last: Interval
    times: int
    counts: int

    @property
    def opens_plainly(self) -> bool:
        """Whether it may be part of a run."""
        return self.first.plain and not self.first.rollovers


@dataclass(frozen=True, slots=True)
class Explained:
    """A stretch of time: its sum, and its intervals run by run."""

    begin_ms: int
    end_ms: int
    sum: Sum
    pieces: tuple[Piece, ...]
    followed: Followed


def explained(reader: Reader, point: Point, begin_ms: int, end_ms: int) -> Explained:
    """All intervals that touch the stretch; those that are plain and of one segment as one run, with their counts."""
    standing = in_force(reader.entries())
    found = followed(reader, point, standing, reach_of(reader, begin_ms, end_ms))
    adding = Adding((begin_ms, end_ms))
    pieces: list[Piece] = []
    for one in found.intervals:
        adding.take(one)
        if touches(one, begin_ms, end_ms):
            _join(pieces, Piece(one, one, 1, _inside(one, begin_ms, end_ms)))
    return Explained(begin_ms, end_ms, adding.close(), tuple(pieces), found)


def _inside(one: Interval, begin_ms: int, end_ms: int) -> int:
    """The counts of an interval that the stretch has."""
    whole = begin_ms <= one.begin_ms and one.end_ms <= end_ms
    if whole or one.kind in NOTES:
        return one.posted
    return counts_before(one, end_ms) - counts_before(one, begin_ms) if one.divides else 0


def _join(pieces: list[Piece], one: Piece) -> None:
    """A run goes on while each begins where the last ended and nothing is to be said of either."""
    before = pieces[-1] if pieces else None
    if before is not None and before.opens_plainly and one.opens_plainly:
        follows = before.last.last is one.first.first and before.first.segment == one.first.segment
        if follows:
            pieces[-1] = Piece(before.first, one.last, before.times + 1, before.counts + one.counts)
            return
    pieces.append(one)


# --- in sentences


def sentences(of: Explained, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[str]:
    """From the volume down, each followed by what it is made of. A sentence that begins with blanks belongs to the one
    above it.
    """
    whole = of.sum.whole
    if not any(piece.first.kind in POSTS for piece in of.pieces):
        yield "nothing is metered in it: the record has no two good readings around any of it"
        return
    low, high = unit.number(whole.low_m3), unit.text(whole.high_m3)
    yield f"volume {unit.text(whole.volume_m3)}, at least {low}, at most {high}"
    scales = {piece.first.scale.one_count_m3 for piece in of.pieces}
    if len(scales) == 1 and not whole.withheld_m3:
        yield f"  = {sum(piece.counts for piece in of.pieces):,} counts x {unit.text(scales.pop())} a count"
    yield from _edge("begin", of.sum.begin, zone)
    for piece in of.pieces:
        yield from _note(piece, zone) if piece.first.kind in NOTES else _piece(piece, of, unit, zone)
    yield from _edge("end", of.sum.end, zone)
    yield from _entries(of.followed)


def _edge(name: str, edge: Edge, zone: ZoneInfo) -> Iterator[str]:
    at = with_offset(edge.utc_ms, zone)
    if edge.count is None:
        yield f"{name}, {at}: no reading reaches it"
    elif edge.at is not None:
        yield f"{name}, {at}: reading {edge.at.seq} stands there, {edge.count:,} counts{_bounds(edge)}"
    elif edge.unallocated:
        yield f"{name}, {at}: in a stretch that is not divided; the reading on this side has {edge.count:,} counts"
    elif edge.before is not None and edge.after is not None:
        yield f"{name}, {at}: {edge.count:,} counts{_bounds(edge)}"
        yield f"  divided by time between {_reading(edge.before, zone)} and {_reading(edge.after, zone)}"
        yield f"  {_division(edge.before, edge.after, edge)}"


def _division(before: Reading, after: Reading, edge: Edge) -> str:
    begin, end = before.when.utc_ms or 0, after.when.utc_ms or 0
    length = after.when.boot_ms - before.when.boot_ms if before.when.boot == after.when.boot else end - begin
    risen = after.total.count - before.total.count
    return (
        f"{before.total.count:,} + {risen:,} x {edge.utc_ms - begin:,} ms / {length:,} ms, rounded down to whole counts"
        if risen >= 0
        else f"{before.total.count:,}, then on past the capacity, divided by {edge.utc_ms - begin:,} of {length:,} ms"
    )


def _bounds(edge: Edge) -> str:
    return "" if edge.low == edge.high else f", between {edge.low:,} and {edge.high:,}"


def _note(piece: Piece, zone: ZoneInfo) -> Iterator[str]:
    yield f"{_reading(piece.first.first, zone)}: {piece.first.kind.value}; it posts nothing"


def _piece(piece: Piece, stretch: Explained, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[str]:
    of = piece.first
    yield f"from {_reading(of.first, zone)} to {_reading(piece.last.last, zone)}"
    how = f"{piece.times:,} polls metered" if piece.times > 1 else of.kind.value
    if of.kind not in POSTS:
        yield f"  {how}: nothing is posted"
    else:
        yield f"  {how}: {_equation(piece)}"
        yield from _share(piece, stretch)
    if not of.plain:
        low, high = of.low * of.scale.one_count_m3, of.high * of.scale.one_count_m3
        yield f"  between {unit.number(low)} and {unit.text(high)} may have flowed"
    if said := sorted(flag.value for flag in of.flags - OF_SEGMENT if flag.value != of.kind.value):
        yield f"  {'; '.join(said)}"
    if of.missed:
        yield "  missed inside: " + ", ".join(f"{fault} ({times:,})" for fault, times in of.missed)


def _equation(piece: Piece) -> str:
    of, closing = piece.first, piece.last.closing
    rounds = f" + {of.rollovers} x {of.scale.capacity:,}" if of.rollovers else ""
    return f"{closing:,} - {of.opening:,}{rounds} = {closing - of.opening + of.rollovers * of.scale.capacity:,} counts"


def _share(piece: Piece, stretch: Explained) -> Iterator[str]:
    """What of it lies in the stretch, where not all does."""
    if stretch.begin_ms <= piece.first.begin_ms and piece.last.end_ms <= stretch.end_ms:
        return
    if piece.first.divides:
        yield f"  of these {piece.counts:,} lie in it"
    else:
        yield "  when is not known, so none of it is divided: it is unallocated"


def _reading(of: Reading, zone: ZoneInfo) -> str:
    """A reading, or what a person stated in its stead."""
    at = with_offset(of.when.utc_ms or 0, zone)
    within = f" within {duration(of.when.within_ms)}" if of.when.within_ms >= 60_000 else ""
    name = f"reading {of.seq}" if of.seq else "a stated count"
    return f"{name} ({at}{within}, {of.total.count:,})"


def _entries(of: Followed) -> Iterator[str]:
    named = [f"{one.change.value} {one.uuid[:8]} ({one.serial})" for one in of.changes if one.serial]
    if named:
        yield f"the meters by entry: {', '.join(named)}"


def around(reader: Reader, point: Point, utc_ms: int) -> tuple[Followed, Interval | None]:
    """The interval that holds an instant."""
    standing = in_force(reader.entries())
    found = followed(reader, point, standing, reach_of(reader, utc_ms, utc_ms + 1))
    held: Interval | None = None
    for one in found.intervals:
        if held is None and one.kind not in NOTES and one.begin_ms <= utc_ms <= one.end_ms:
            held = one
    return found, held


def judged(of: Interval) -> Sequence[str]:
    """The rules that judged an interval, with its numbers."""
    if of.rules is None:
        return ()
    ms = of.end_ms - of.begin_ms
    room = of.rules.most(of.scale, ms)
    age = duration(of.rules.readout_ms)
    passed = f"at most {room:,} counts can pass in {duration(ms)} at the possible rate"
    return (
        f"{passed}, a register's age of {age} and one count's rounding included",
        f"the totalizer goes round at {of.scale.capacity:,} counts",
    )

"""A number of the report, followed back: from the volume to its intervals, to their readings, to the raw words and the
map. Reads only. The same ledger and the same sums as the report's, so its numbers are the report's.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from tallywell.ledger.cut import counts_before
from tallywell.ledger.intervals import NOTES, POSTS, Interval, Kind
from tallywell.ledger.sums import Adding, Sum, touches
from tallywell.readings.facts import Entry
from tallywell.reports.dates import DAY_MS
from tallywell.reports.hand_readings import HandReadings
from tallywell.service.bearing import ANSWERED, Stretch
from tallywell.service.following import Followed, face_of, followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.said import visits_of
from tallywell.service.site import Point
from tallywell.stated.content import in_force
from tallywell.store.query import Reader

# Told by the run, since each of them says the same: a pipe may stand empty for weeks.
_BY_THE_RUN = frozenset({Kind.METERED, Kind.NOT_COUNTING, Kind.SUSPECT, Kind.FLOW_UNCOUNTED, Kind.COUNTED_WITHOUT_FLOW})
FAR_MS = 40 * DAY_MS  # so far around the stretch hand readings are compared


@dataclass(frozen=True, slots=True)
class Piece:
    """One interval, or a run of `times` of one kind from `first` to `last`; `counts` of them lie in the stretch.

    `low` and `high`: what may have flowed in all of it; `conditions`: what the meter said of itself at its readings.
    """

    first: Interval
    last: Interval
    times: int
    counts: int
    low: int
    high: int
    conditions: frozenset[str] = frozenset()

    def goes_on(self, then: "Piece") -> bool:
        """Whether `then` says no more than that it went on."""
        mine, other = self.first, then.first
        same = (mine.kind, mine.flags, mine.segment) == (other.kind, other.flags, other.segment)
        chained = self.last.last is other.first and self.conditions == then.conditions
        rounds = mine.rollovers or other.rollovers
        return same and chained and not rounds and mine.kind in _BY_THE_RUN and mine.divides

    def then(self, later: "Piece") -> "Piece":
        times, counts = self.times + later.times, self.counts + later.counts
        bounds = self.low + later.low, self.high + later.high
        return replace(self, last=later.last, times=times, counts=counts, low=bounds[0], high=bounds[1])


@dataclass(frozen=True, slots=True)
class Explained:
    """A stretch of time: its sum, and its intervals run by run. `begin`, `end`: the intervals that reach its edges.

    `entries`: all that are in force in the record, to be held against `stretch`; `known_ms`: the first and the last
    date on record.
    """

    begin_ms: int
    end_ms: int
    sum: Sum
    pieces: tuple[Piece, ...]
    begin: tuple[Interval, ...]
    end: tuple[Interval, ...]
    followed: Followed
    entries: tuple[Entry, ...]
    stretch: Stretch
    known_ms: tuple[int, int] | None

    @property
    def posted(self) -> bool:
        """Whether anything is metered in it, be it nothing."""
        return any(piece.first.kind in POSTS for piece in self.pieces)


def explained(reader: Reader, point: Point, begin_ms: int, end_ms: int) -> Explained:
    """All intervals that touch the stretch; those that say the same one after another as one run, with their counts."""
    standing = in_force(reader.entries())
    found = followed(reader, point, standing, reach_of(reader, begin_ms, end_ms))
    adding, hands = Adding((begin_ms, end_ms)), _hands(found, point, begin_ms, end_ms)
    seen = _Seen(begin_ms, end_ms)
    for one in found.intervals:
        adding.take(one)
        hands.take(one)
        seen.take(one)
    stretch = Stretch(
        point=point.name,
        point_id=reader.point_id(point.name),
        reach_ms=seen.reach_ms(),
        seqs=seen.seqs(),
        boots=frozenset(reader.run(boot).boot_id for boot in seen.boots),
        seasons=found.said.seasons,
        visits=hands.close(),
        answered=tuple(seen.answered),
    )
    edges = tuple(seen.edges[0]), tuple(seen.edges[1])
    whole, known = adding.close(), known_ms(reader)
    return Explained(begin_ms, end_ms, whole, tuple(seen.pieces), *edges, found, standing, stretch, known)


def _hands(found: Followed, point: Point, begin_ms: int, end_ms: int) -> HandReadings:
    """Also those of a long gap that reaches into the stretch."""
    return HandReadings(visits_of(found.said), face_of(point)[0], begin_ms - FAR_MS, end_ms + FAR_MS)


class _Seen:
    """What is kept of the intervals as they pass by."""

    def __init__(self, begin_ms: int, end_ms: int) -> None:
        self._span = begin_ms, end_ms
        self.pieces: list[Piece] = []
        self.edges: tuple[list[Interval], list[Interval]] = [], []
        self.boots: set[int] = set()
        self.answered: list[Interval] = []

    def take(self, one: Interval) -> None:
        begin_ms, end_ms = self._span
        for edge, reaching in zip(self._span, self.edges, strict=True):
            if one.kind not in NOTES and one.begin_ms <= edge <= one.end_ms:
                reaching.append(one)
        if touches(one, begin_ms, end_ms):
            _join(self.pieces, piece_of(one, begin_ms, end_ms))
            self.boots |= {at.when.boot for at in (one.first, one.last) if at.seq}
            self.answered += [one] if one.flags & ANSWERED else []

    def reach_ms(self) -> tuple[int, int]:
        """The stretch itself, and as far as the intervals reach that touch it."""
        begin_ms, end_ms = self._span
        return (
            min([begin_ms, *(piece.first.begin_ms for piece in self.pieces)]),
            max([end_ms, *(piece.last.end_ms for piece in self.pieces)]),
        )

    def seqs(self) -> tuple[int, int]:
        """Of the readings; beyond all numbers where there are none."""
        found = [seq for piece in self.pieces for seq in (piece.first.first.seq, piece.last.last.seq) if seq]
        return (min(found), max(found)) if found else (0, -1)


def known_ms(reader: Reader) -> tuple[int, int] | None:
    """The first and the last date on record; None where nothing has one."""
    dates = [found[1].utc_ms for found in (reader.first_dated(), reader.last_dated()) if found is not None]
    known = [date for date in dates if date is not None]
    return (known[0], known[-1]) if known else None


def piece_of(one: Interval, begin_ms: int, end_ms: int) -> Piece:
    said = [reading.not_counting | reading.suspect for reading in (one.first, one.last)]
    return Piece(one, one, 1, _inside(one, begin_ms, end_ms), one.low, one.high, said[0] | said[1])


def _inside(one: Interval, begin_ms: int, end_ms: int) -> int:
    """The counts of an interval that the stretch has."""
    whole = begin_ms <= one.begin_ms and one.end_ms <= end_ms
    if whole or one.kind in NOTES:
        return one.posted
    return counts_before(one, end_ms) - counts_before(one, begin_ms) if one.divides else 0


def _join(pieces: list[Piece], one: Piece) -> None:
    if pieces and pieces[-1].goes_on(one):
        pieces[-1] = pieces[-1].then(one)
    else:
        pieces.append(one)


@dataclass(frozen=True, slots=True)
class Moment:
    """The interval that holds an instant, and all that its stretch has; None: no two good readings lie around it."""

    interval: Interval | None
    explained: Explained


def around(reader: Reader, point: Point, utc_ms: int) -> Moment:
    """The first interval that holds an instant."""
    standing = in_force(reader.entries())
    one = _holding(followed(reader, point, standing, reach_of(reader, utc_ms, utc_ms + 1)).intervals, utc_ms)
    stretch = (utc_ms, utc_ms + 1) if one is None else (one.begin_ms, max(one.end_ms, one.begin_ms + 1))
    return Moment(one, explained(reader, point, *stretch))


def _holding(intervals: Iterable[Interval], utc_ms: int) -> Interval | None:
    return next((one for one in intervals if one.kind not in NOTES and one.begin_ms <= utc_ms <= one.end_ms), None)

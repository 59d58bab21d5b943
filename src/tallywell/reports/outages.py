"""Dates on which the meter did not work, or may not have: one list, whatever told of it."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from tallywell.ledger.intervals import NOTES, Flag, Interval, Kind
from tallywell.ledger.suspect import FROZEN
from tallywell.readings.faults import Fault
from tallywell.reports.counts import reading_seen
from tallywell.reports.face import Face
from tallywell.reports.model import GapLine, Outage, Seen

_KINDS = frozenset({Kind.LOWER_BOUND, Kind.NOT_COUNTING, Kind.SUSPECT, Kind.FLOW_UNCOUNTED})
_FAULTS = frozenset({str(Fault.NO_ANSWER), FROZEN})


class Outages:
    """Between two instants, while the intervals pass by, each telling what was wrong in it; neighbours are one."""

    __slots__ = ("_begin", "_done", "_end", "_face", "_open")

    def __init__(self, begin_ms: int, end_ms: int, face: Face) -> None:
        self._begin, self._end, self._face = begin_ms, end_ms, face
        self._done: list[Outage] = []
        self._open: _Open | None = None

    def take(self, one: Interval) -> None:
        """An interval that touches the period."""
        if one.kind in NOTES:
            return
        why = reasons(one)
        if self._open is not None and (not why or self._open.seq != one.first.seq):
            self._finish()
        if why:
            self._open = self._open or _Open(reading_seen(one.first, self._face))
            self._open.why |= dict.fromkeys(why)
            self._open.after, self._open.seq = reading_seen(one.last, self._face), one.last.seq

    def close(self, unread: Iterable[GapLine]) -> tuple[Outage, ...]:
        """`unread`: stretches that no interval reaches."""
        self._finish()
        for gap in unread:
            why = tuple(fault for fault, _ in gap.missed if fault in _FAULTS)
            if why:
                self._done.append(Outage(gap.begin_ms, gap.end_ms, why))
        return tuple(sorted(self._done, key=lambda outage: outage.begin_ms))

    def _finish(self) -> None:
        found = self._open
        if found is not None and found.after is not None:
            span = max(found.before.utc_ms, self._begin), min(found.after.utc_ms, self._end)
            self._done.append(Outage(*span, tuple(found.why), found.before, found.after))
        self._open = None


@dataclass(slots=True)
class _Open:
    before: Seen
    after: Seen | None = None
    seq: int = -1
    why: dict[str, None] = field(default_factory=dict)


def reasons(one: Interval) -> tuple[str, ...]:
    """What was wrong in an interval; empty where the meter worked."""
    found = [one.kind.value] if one.kind in _KINDS else []
    if one.gap and one.kind is not Kind.SHUT_DOWN:
        found += [fault for fault, _ in one.missed if fault in _FAULTS]
    if Flag.FROZEN in one.flags and FROZEN not in found:
        found.append(FROZEN)
    return tuple(found)

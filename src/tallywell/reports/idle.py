"""Stretches in which nothing was to be pumped, by the word of a person, and what was metered in them all the same."""

from collections.abc import Sequence

from tallywell.ledger.intervals import Interval, Kind
from tallywell.reports.slices import VolumeBetween
from tallywell.reports.stated_lines import Idle, Stated
from tallywell.reports.volume import NO_VOLUME, Volume


class IdleStretches:
    """Seasons that were shut down, and times out of use, of one period, while the intervals pass by."""

    __slots__ = ("_all",)

    def __init__(self, stated: Stated, begin_ms: int, end_ms: int) -> None:
        spans = [(one.begin_ms, one.end_ms, "", "") for one in stated.seasons]
        spans += [(one.begin_ms, one.end_ms, one.reason, one.author) for one in stated.out_of_use]
        within = begin_ms, end_ms
        inside = [one for one in spans if one[0] < end_ms and (one[1] is None or one[1] > begin_ms)]
        self._all = [_Stretch(*one, within) for one in sorted(inside, key=lambda one: (one[0], one[2]))]

    def take(self, one: Interval) -> None:
        for stretch in self._all:
            stretch.take(one)

    def close(self) -> tuple[Idle, ...]:
        return tuple(stretch.close() for stretch in self._all)


class _Stretch:
    """One of them. What came across a season is not divided: all of it belongs here, or, where it reaches over the
    period's edge, nobody knows how much.
    """

    __slots__ = ("_across", "_begin", "_between", "_end", "_over", "_said", "_within")

    def __init__(self, begin_ms: int, end_ms: int | None, reason: str, author: str, within: Sequence[int]) -> None:
        self._begin, self._said = begin_ms, (begin_ms, end_ms, reason, author)
        self._end = within[1] if end_ms is None else end_ms
        self._between = VolumeBetween(max(begin_ms, within[0]), min(self._end, within[1]))
        self._across: Volume | None = None
        self._over: Volume | None = None
        self._within = within

    def take(self, one: Interval) -> None:
        if one.kind is not Kind.SHUT_DOWN:
            self._between.take(one)
        elif one.begin_ms < self._end and one.end_ms > self._begin:
            self._take_whole(one)

    def _take_whole(self, one: Interval) -> None:
        per_count = one.scale.one_count_m3
        found = Volume(one.volume_m3, one.low * per_count, one.high * per_count)
        begin, end = self._within
        if not one.posted or (begin <= one.begin_ms and one.end_ms <= end):
            self._across = found if self._across is None else self._across + found
        elif one.begin_ms < end and one.end_ms > begin:
            self._over = found if self._over is None else self._over + found

    def close(self) -> Idle:
        known = [found for found in (self._across, self._between.close()) if found is not None]
        return Idle(*self._said, sum(known, NO_VOLUME) if known else None, self._over)

"""Remarks: what is not plainly metered, one for all intervals of one kind that follow one another.

A pipe that stands empty for three days, polled every minute, is one remark with its beginning, its end, the sums of
its volumes and bounds and the number of polls. It is built while the intervals pass, so a long one costs no more.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from tallywell.ledger.intervals import NOTES, OF_SEGMENT, POSTS, Flag, Interval, Kind, joined
from tallywell.readings.quantities import Answer, Cause
from tallywell.reports.counts import reading_seen
from tallywell.reports.face import Face
from tallywell.reports.model import Remark, Seen
from tallywell.reports.volume import NO_VOLUME, Volume

# What is said elsewhere in the report already, or is no more than the absence of an entry, makes no remark of its own.
SAID_ELSEWHERE = OF_SEGMENT | {Flag.GAP, Flag.GLITCH_INSIDE}
_PLAIN = frozenset({Kind.METERED, Kind.ACROSS_GAP, Kind.TO_FINAL_COUNT})


class RemarkRuns:
    """`answers`: those of people, to say by what a question was settled."""

    __slots__ = ("_answers", "_done", "_face", "_notes", "_open")

    def __init__(self, face: Face, answers: Iterable[Answer]) -> None:
        self._face, self._answers = face, tuple(answers)
        self._done: list[Remark] = []
        self._open: _Run | None = None
        self._notes: _Run | None = None

    def take(self, one: Interval) -> None:
        """An interval that touches the period."""
        if one.kind in NOTES:
            self._note(one)
            return
        if self._notes is not None and one.last.seq > self._notes.seq:  # one before them may come later than they
            self._end_notes()
        if self._open is not None and self._open.goes_on(one):
            self._open.take(one)
            return
        self._end()
        self._open = _Run(one, self._face) if needs_words(one) else None

    def close(self) -> tuple[Remark, ...]:
        """In order of their beginnings."""
        self._end()
        self._end_notes()
        return tuple(sorted(self._done, key=lambda remark: remark.first.utc_ms))

    def _note(self, one: Interval) -> None:
        """Readings set aside one after another are one remark; they do not part the stretch around them."""
        if self._notes is not None and self._notes.begun.kind is one.kind:
            self._notes.take(one)
            return
        self._end_notes()
        self._notes = _Run(one, self._face)

    def _end_notes(self) -> None:
        if self._notes is not None:
            self._done.append(self._notes.close(""))
        self._notes = None

    def _end(self) -> None:
        if self._open is not None:
            self._done.append(self._open.close(self._by_what(self._open)))
        self._open = None

    def _by_what(self, run: "_Run") -> str | Answer:
        """A person's answer comes before a hand reading, and that before the flow rate."""
        reset = run.begun.kind is Kind.RESET
        if Flag.SETTLED not in run.flags and not reset:
            return ""
        for one in self._answers:
            said = one.rollovers is None if reset else one.rollovers == run.rollovers
            if said and run.first.utc_ms < one.about_ms <= run.last.utc_ms:
                return one
        if reset:
            return ""
        return "by a hand reading or the flow rate" if run.hand else "by the flow rate"


def needs_words(one: Interval) -> bool:
    """A season in which the total did not move is told with the season."""
    plain = one.kind in _PLAIN or (one.kind is Kind.SHUT_DOWN and not one.posted)
    return not plain or bool(one.flags - SAID_ELSEWHERE)


@dataclass(slots=True)
class _Run:
    """What adds up of one interval after another."""

    begun: Interval
    face: Face
    first: Seen = field(init=False)
    last: Seen = field(init=False)
    seq: int = field(init=False)
    flags: frozenset[Flag] = frozenset()
    volume: Volume = NO_VOLUME
    rollovers: int = 0
    intervals: int = 0
    hand: bool = False
    conditions: set[str] = field(default_factory=set)
    missed: Counter[str] = field(default_factory=Counter)
    causes: tuple[Cause, ...] = ()

    def __post_init__(self) -> None:
        self.first = reading_seen(self.begun.first, self.face)
        self.take(self.begun)

    def goes_on(self, one: Interval) -> bool:
        begun = self.begun
        same = one.kind is begun.kind and one.segment.id == begun.segment.id
        words = one.flags - SAID_ELSEWHERE == begun.flags - SAID_ELSEWHERE
        return same and words and one.first.seq == self.seq and one.kind in POSTS

    def take(self, one: Interval) -> None:
        per_count = one.scale.one_count_m3
        self.last, self.seq = reading_seen(one.last, self.face), one.last.seq
        self.flags |= one.flags
        self.volume += Volume(one.volume_m3, one.low * per_count, one.high * per_count)
        self.rollovers += one.rollovers
        self.intervals += 1
        self.hand = self.hand or bool(one.hand)
        for reading in (one.first, one.last):
            self.conditions |= reading.not_counting | reading.suspect
        self.missed.update(dict(one.missed))
        self.causes = joined(self.causes, one.cause)

    def close(self, settled_by: str | Answer) -> Remark:
        return Remark(
            first=self.first,
            last=self.last,
            kind=self.begun.kind,
            flags=self.flags,
            rollovers=self.rollovers,
            volume=self.volume,
            counted=self.begun.kind in POSTS,
            segment=self.begun.segment.id,
            intervals=self.intervals,
            conditions=tuple(sorted(self.conditions)),
            missed=tuple(sorted(self.missed.items())),
            causes=self.causes,
            settled_by=settled_by,
        )

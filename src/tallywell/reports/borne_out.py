"""Which entries the readings bear out. An answer where no question is open, and a meter whose count leads nowhere,
change nothing in the books; a report says so, and whose they are.
"""

from collections.abc import Iterable

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import NOTES, POSTS, Flag, Interval
from tallywell.readings.quantities import Answer
from tallywell.reports.stated_lines import NotTaken

IDLE_ANSWER = "it settles nothing: no question was open there, so it is not used; withdraw it"


class BorneOut:
    """The answers of a period, and all entries that began a segment, while the intervals pass by."""

    __slots__ = ("_answers", "_covered", "_refused", "_settled", "segments")

    def __init__(self, answers: Iterable[Answer], begin_ms: int, end_ms: int) -> None:
        self._answers = [one for one in answers if begin_ms <= one.about_ms < end_ms]
        self._covered: set[str] = set()
        self._settled: set[str] = set()
        self._refused: list[tuple[int, int]] = []  # where the readings run on past an entry
        self.segments: set[str] = set()

    def take(self, one: Interval) -> None:
        if one.kind in NOTES:
            return
        self.segments.add(one.segment.id)
        if Flag.ENTRY_UNFIT in one.flags:
            self._refused.append((one.begin_ms, one.end_ms))
        for answer in self._answers:
            if one.begin_ms < answer.about_ms <= one.end_ms:
                self._covered.add(answer.uuid)
                if answer.rollovers == one.rollovers and Flag.SETTLED in one.flags and one.kind in POSTS:
                    self._settled.add(answer.uuid)

    def refused(self, uuid: str, about_ms: int) -> bool:
        """Whether the readings run on as before past an entry that says that another count began then."""
        near = any(begin - BY_HAND_MS <= about_ms <= end + BY_HAND_MS for begin, end in self._refused)
        return near and uuid not in self.segments

    def used(self) -> tuple[Answer, ...]:
        return tuple(one for one in self._answers if one.uuid in self._settled | self.segments)

    def idle(self) -> tuple[NotTaken, ...]:
        """Answers around which readings stand, and that none of these needed."""
        idle = self._covered - self._settled - self.segments
        return tuple(
            NotTaken(one.about_ms, "settle", one.author, f"{IDLE_ANSWER} (entry {one.uuid[:8]})")
            for one in self._answers
            if one.uuid in idle
        )

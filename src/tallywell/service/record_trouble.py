"""While the record cannot be written: what waits in memory, what is given up, and the two events that tell of it.

The oldest facts are given up first, but for what a meter's settings are, which is noted when it changes and never
again, and for the event that says since when nothing could be written: it lies in the gap that it explains.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tallywell.readings.facts import Event, Fact, Poll
from tallywell.service.settings import EVENTS

KEPT_FACTS = 10_000  # what is held in memory while the record cannot be written
REFUSED, BACK = "record_refused", "record_back"
_KEPT = frozenset({*EVENTS, REFUSED})


@dataclass(slots=True)
class RecordTrouble:
    """Since when, and what was given up: polls by point, and other facts."""

    since_boot_ms: int
    polls: Counter[int] = field(default_factory=Counter)
    others: int = 0

    @property
    def lost(self) -> int:
        return self.polls.total() + self.others

    def give_up(self, facts: Sequence[Fact]) -> tuple[list[Fact], list[Fact]]:
        """The facts that are given up, and the rest in their order."""
        gone = [fact for fact in facts if not _stays(fact)][: max(0, len(facts) - KEPT_FACTS)]
        numbers = {fact.seq for fact in gone}
        self.polls.update(fact.point for fact in gone if isinstance(fact, Poll))
        self.others += sum(not isinstance(fact, Poll) for fact in gone)
        return gone, [fact for fact in facts if fact.seq not in numbers]

    def content(self, boot_ms: int, points: Mapping[int, str]) -> dict[str, object]:
        """Of the event that it is over."""
        polls = {points.get(point, str(point)): times for point, times in self.polls.items()}
        return {"away_ms": boot_ms - self.since_boot_ms, "lost_polls": polls, "lost_others": self.others}


def _stays(fact: Fact) -> bool:
    return isinstance(fact, Event) and fact.name in _KEPT

"""One plan's place in the order of a line. Pure values."""

from dataclasses import dataclass

from tallywell.readings.exchange import Ask, Outcome
from tallywell.schedule.plan import Plan

GIVE_WAY_NS = 60_000_000_000


@dataclass(frozen=True, slots=True)
class Look:
    """A pass beside the marks, from `since_ns` on. `hurried`: a person waits for the point; `asked`: by this uuid."""

    asked: str | None
    since_ns: int
    hurried: bool = False


@dataclass(frozen=True, slots=True)
class Begun:
    """A pass under way, with what came so far. `look`: the one it takes, if any.

    `lost`: how many marks had passed for want of time before it began; None where it was not for a mark.
    """

    due_ns: int
    look: Look | None
    outcomes: tuple[Outcome, ...] = ()
    lost: int | None = None

    @property
    def asked(self) -> str | None:
        return self.look.asked if self.look else None


@dataclass(frozen=True, slots=True)
class Turn:
    """`last_ns`: when its last poll began; `well`: whether that came well. `begun`: its pass under way.

    `extras`: passes beside the marks that were granted since its last mark. `refused`: in a row; `held_ns`: until then
    its marks are passed over.
    """

    plan: Plan
    mark_ns: int
    last_ns: int | None = None
    looks: tuple[Look, ...] = ()
    well: bool = False
    begun: Begun | None = None
    extras: int = 0
    refused: int = 0
    held_ns: int = 0

    @property
    def due_ns(self) -> int:
        if self.begun is not None:
            return self.begun.due_ns
        return self.mark_ns if not self.looks else min(self.mark_ns, *(look.since_ns for look in self.looks))

    @property
    def hurried_ns(self) -> int | None:
        """Since when a person has waited for it; None where nobody does."""
        if self.begun is not None:
            return self.begun.due_ns if self.begun.look and self.begun.look.hurried else None
        if not self.looks:
            return None
        return min((look.since_ns for look in self.looks if look.hurried), default=None)

    @property
    def gives_way(self) -> bool:
        """A set beside the books' total that nobody waits for."""
        return not self.plan.main and self.hurried_ns is None

    @property
    def rank_ns(self) -> int:
        """Since when its place in the order counts."""
        return self.due_ns + GIVE_WAY_NS if self.gives_way else self.due_ns

    @property
    def next_ask(self) -> Ask:
        """Its next request, where the unit is awake."""
        return self.plan.ask(len(self.begun.outcomes) if self.begun else 0)

    def free_ns(self, resting_ns: int) -> int:
        """When it may be taken if its unit rests until `resting_ns`: it is due, and nothing holds it back.

        A main plan that came well last is tried once: each point has a row of its own where its readings cease. A
        person's look is held back by nothing.
        """
        if self.plan.main and (self.well or self.last_ns is None):
            resting_ns = 0
        held_ns = max(self.due_ns, self.held_ns, resting_ns)
        return held_ns if self.hurried_ns is None else min(held_ns, self.hurried_ns)

    def look_taken(self, at_ns: int) -> Look | None:
        """Which look a pass that begins now is for: one of a person goes before."""
        due = sorted((look for look in self.looks if look.since_ns <= at_ns), key=lambda look: look.asked is None)
        return due[0] if due else None

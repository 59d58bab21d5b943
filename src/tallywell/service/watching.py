"""The ledger of each point, followed as the readings come: what does not fit is looked at again, and said.

It decides nothing: a report folds the record by itself. It begins anew with each start of the daemon, from the first
reading on.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tallywell.ledger.fold import State, begin, step
from tallywell.ledger.intervals import Interval, Kind
from tallywell.readings.clocks import When
from tallywell.readings.facts import Poll
from tallywell.readings.quantities import Reading
from tallywell.service.ledger_facts import Decoder, PlanInForce, plan_in_force, rules_of
from tallywell.service.rows import PointKeys
from tallywell.service.site import Point

_DECIDED: Mapping[Kind, str] = {
    Kind.GLITCH: "a reading of {first:,} counts fits none of its neighbours: it is set aside",
    Kind.TORN: "a reading of {first:,} counts was torn inside the meter, words of two instants: it is set aside",
    Kind.UNEXPLAINED_DECREASE: "the total fell from {first:,} to {last:,} counts and goes on from there, which is no "
    "rollover; if the meter was changed or reset, enter `tallywell installation`",
    Kind.IMPOSSIBLE_STEP: "the total went from {first:,} to {last:,} counts, more than the pipe can pass, and goes on "
    "from there; if the meter was changed, enter `tallywell installation`",
}
FROZE = (
    "the meter sends the same words to the last bit, a flow rate among them, and its total stands: it seems frozen, "
    "and its readings count as missed until it moves; look at its face"
)
THAWED = "the meter moves again; what its total rose by meanwhile is in the books"


@dataclass(frozen=True, slots=True)
class Watched:
    """What one more poll shows. `look_again`: a reading waits for others to decide about it. `said`: for the log."""

    look_again: bool = False
    said: tuple[str, ...] = ()


@dataclass(slots=True)
class Watching:
    """One point. `after` takes each poll as it is stored, in order."""

    point: Point
    _state: State = field(init=False)
    _decoder: Decoder = field(init=False)
    _plans: dict[int, PlanInForce] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._state = begin(rules_of(self.point))
        self._decoder = Decoder(self._plans.__getitem__, self.point)

    def after(self, poll: Poll, keys: PointKeys) -> Watched:
        if poll.plan not in self._plans:
            self._plans[poll.plan] = plan_in_force(keys.map, "", keys.reads)
        # Dates are for reports: within a run the boot clock alone tells how far two readings are apart.
        fact = self._decoder.fact(poll, When(0, poll.boot_ms, poll.shown_ms, 0))
        if fact is None:
            return Watched()
        before = self._state
        self._state, intervals = step(before, fact)
        waits = isinstance(fact, Reading) and len(self._state.waiting) > len(before.waiting)
        return Watched(waits, (*self._waits(before), *self._decided(intervals), *self._standing(before)))

    def _waits(self, before: State) -> tuple[str, ...]:
        """Said when a first one does; that another does, which fits it, is no news."""
        state = self._state
        if before.waiting or not state.waiting or state.good is None:
            return ()
        odd = state.waiting[0].reading.total.count
        what = f"the total went from {state.book.count:,} to {odd:,} counts, which it cannot have by then"
        return (f"{what}; it is looked at again, and the next readings decide",)

    def _decided(self, intervals: tuple[Interval, ...]) -> tuple[str, ...]:
        return tuple(
            _DECIDED[one.kind].format(first=one.first.total.count, last=one.last.total.count)
            for one in intervals
            if one.kind in _DECIDED
        )

    def _standing(self, before: State) -> tuple[str, ...]:
        was, now = _frozen(before), _frozen(self._state)
        return () if was == now else (FROZE if now else THAWED,)


def _frozen(state: State) -> bool:
    return state.standing is not None and state.standing.frozen

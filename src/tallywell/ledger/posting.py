"""A reading that fits is posted; one that stands is held back until the meter moves or has frozen.

Readings that stand (the same words to the last bit while they say that water flows) are held back until one of them
moves. Where the meter turns out to be frozen they are as good as missed: the interval goes on from the first of them to
the first that moves. What was counted meanwhile is then in the books, and when is not known. Where that is less than
half of what the flow rate said, the meter may not have counted: the interval is a question. While it is frozen,
nothing is known from the first of them on.
"""

from dataclasses import replace

from tallywell.ledger.doubt import Asked, doubted, is_plain
from tallywell.ledger.inside import AS_MISSED, NOTHING, of_interval
from tallywell.ledger.intervals import Interval, Kind
from tallywell.ledger.judge import Explained, allowed
from tallywell.ledger.state import Held, Standing, State, Stepped, held, interval_to, note
from tallywell.ledger.suspect import is_frozen, may_have_missed, stands
from tallywell.readings.quantities import Reading


def post(state: State, new: Reading, found: Explained) -> Stepped:
    assert state.good is not None
    still = stands(state.rules, state.good, new)
    if state.frozen:
        if still:
            return replace(state, inside=state.inside + AS_MISSED), ()
        found = _thawed(state, new, found)
    if not is_plain(state.good, new, found):
        found = doubted(Asked(state.rules, state.good, state.book, new, state.inside, state.told.settled), found)
    last = Held(interval_to(state, new, found.kind, found.flags, found), state.book)
    posted = State(state.rules, state.told, state.segment, new, found.book, last)
    if not still:
        return posted, held(state)
    before = state.standing or Standing(state.good, state.book, state.held)
    kept = (*before.kept, *((state.held,) if state.standing and state.held else ()))
    return _stand(posted, replace(before, polls=before.polls + 1, kept=kept), new)


def _stand(state: State, standing: Standing, new: Reading) -> Stepped:
    """One more reading that stands is held back; the last of FROZEN_POLLS makes all of them as good as missed."""
    if not is_frozen(state.rules, standing.first, new, standing.polls):
        return replace(state, standing=standing), ()
    assert state.held is not None
    dropped = [one.interval for one in (*standing.kept, state.held)]
    inside = sum((of_interval(one) + AS_MISSED for one in dropped), NOTHING)
    frozen = Standing(standing.first, standing.book, standing.held, frozen=True)
    return replace(
        state, good=standing.first, book=standing.book, held=standing.held, inside=inside, standing=frozen
    ), ()


def _thawed(state: State, new: Reading, found: Explained) -> Explained:
    """The first reading that moves. What was counted since the meter froze is metered, if it goes with the flow."""
    assert state.good is not None
    if not may_have_missed(state.good, new, found.high):
        return found
    return replace(found, kind=Kind.QUESTION, high=max(found.high, allowed(state.rules, state.good, new)))


def still_frozen(state: State) -> tuple[Interval, ...]:
    """A note at the last reading before the meter froze: `missed` has the polls since."""
    if not state.frozen or state.segment is None or state.good is None:
        return ()
    frozen = note(state.segment, state.good, state.book.count, Kind.FROZEN)
    return (replace(frozen, missed=state.inside.missed, cause=state.inside.cause),)

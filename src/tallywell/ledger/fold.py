"""From facts to intervals: one totalizer followed through its readings.

A reading that fits the last good one (see `judge`) closes an interval. One that does not is kept waiting and posts
nothing until the readings after it decide:
- the next contradicts it and fits the last good one: it was a glitch, set aside and noted. (A reading that stands above
  the last good one again contradicts a decrease, for a total that fell does not catch up between two polls. Where a gap
  lies between, it might have: then the interval is a question.)
- three in a row fit one another. If they fell below the last good reading (or rose, where that one was a rollover), but
  run on from the one before it, the last good one was the glitch. Otherwise the totalizer was reset or replaced, or
  jumped: the step to the first of them posts 0 as an unexplained decrease or an impossible step, and a new segment that
  no entry confirms begins there.
- it fits neither the last good one nor its successor: a glitch too; the successor waits in its place.
A count beyond the totalizer's capacity is a glitch at once. A reading that goes round elsewhere, of a register whose
exponent changed, is judged as any other: where the count runs plainly on, so does the segment.
So an interval is held back until the reading after it has spoken, too. A reading set aside that is wrong by what its
lower words count is called torn, not a glitch (see `suspect`).

What stands or has frozen is the matter of `posting`; what a person's word begins or ends, of `changes` and `season`;
what more than the two readings is known of an interval, of `doubt`.
A reading without a date is no posting point: the interval around it stays exact in sum, and says so.

Locality: a fold that begins at three readings that fit one another (`fit_together`) before a period, and goes on to
three such after it, gives the same intervals inside the period as one over the whole record. (The segment at its
beginning is named by its first reading unless an installation or the caller names it. A total that swings up and down
within its own step may shift counts by less than that step. Neither the first two of the three before the period nor
the last two behind it may stand, or the rest of a frozen stretch would be missing.)
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from tallywell.ledger.changes import change, change_due, end
from tallywell.ledger.inside import NOTHING, SET_ASIDE, UNDATED, of_fact, of_interval
from tallywell.ledger.intervals import Flag, Interval, Kind, Segment
from tallywell.ledger.judge import FIRST_COUNT_BOOT, NO_FLAGS, Explained, allowed, explain, fit_together, is_gap
from tallywell.ledger.posting import post, still_frozen
from tallywell.ledger.rules import Rules
from tallywell.ledger.season import explained_over, over_season
from tallywell.ledger.state import (
    State,
    Stepped,
    Told,
    Waiting,
    all_inside,
    held,
    note,
    notes,
    odd_kind,
    opened_by,
    set_aside,
    stood,
    unconfirmed,
    unentered,
)
from tallywell.readings.quantities import HandReading, Happened, Installed, Missed, Reading, Season, Settled

__all__ = ["Fact", "State", "begin", "fit_together", "fold", "step"]

Fact = Reading | Missed | Happened | HandReading

DECIDES = 3  # so many consecutive readings that fit one another settle what those before them were
NEAR_ZERO = 10  # a total that fell below a tenth of where it stood may have begun anew


def begin(
    rules: Rules,
    installed: tuple[Installed, ...] = (),
    segment: Segment | None = None,
    *,
    seasons: tuple[Season, ...] = (),
    settled: tuple[Settled, ...] = (),
) -> State:
    """The state before the first fact. `installed`, `seasons`, `settled`: all that is in force, of any date and order
    (see `segments.changes_of` for what the meter's own serial number adds to the installations).

    `segment`: the segment that stands at the first fact, where that is known and no installation in force says it.
    """
    told = Told(
        tuple(sorted(installed, key=lambda entry: (entry.about_ms, entry.uuid))),
        tuple(sorted(seasons, key=lambda season: (season.begin_ms, season.uuid))),
        tuple(sorted(settled, key=lambda answer: (answer.about_ms, answer.uuid))),
    )
    return State(rules, told, segment)


def step(state: State, fact: Fact) -> Stepped:
    """One fact further. Facts come by seq; hand readings before the first reading dated at or after them."""
    if not isinstance(fact, Reading):
        return replace(state, inside=state.inside + of_fact(fact)), ()
    if fact.when.utc_ms is None:
        return replace(state, inside=state.inside + UNDATED), ()
    if abs(fact.total.count) > fact.scale.capacity:
        return _beyond(state, fact)
    if change_due(state, fact):
        return _then(change(state, fact), fact)
    return _read(state, fact)


def fold(facts: Iterable[Fact], state: State) -> Iterator[Interval]:
    """All intervals of the facts in order; readings still waiting at the end come last, as `Kind.UNDECIDED`."""
    for fact in facts:
        state, intervals = step(state, fact)
        yield from intervals
    yield from held(state) + still_frozen(state) + notes(state, Kind.UNDECIDED)


def _then(stepped: Stepped, reading: Reading) -> Stepped:
    state, before = stepped
    state, after = _read(state, reading)
    return state, before + after


def _read(state: State, new: Reading) -> Stepped:
    if state.good is None:
        return opened_by(state, new), ()
    if new.scale.one_count_m3 != state.good.scale.one_count_m3:
        return _rescaled(state, new)
    if state.waiting:
        return _decide(state, new)
    found = over_season(state, new)
    if found is not None:
        return found
    plain = explain(state.rules, state.good, state.book, new)
    if plain is None:
        return replace(state, waiting=(Waiting(new, state.inside),), inside=NOTHING), ()
    return post(state, new, plain)


def _beyond(state: State, new: Reading) -> Stepped:
    """A count that the totalizer cannot show: the words or the stated digits are wrong, and no later reading helps."""
    odd = note(state.segment or unentered(new), new, state.book.count, Kind.GLITCH)
    odd = replace(odd, flags=odd.flags | {Flag.BEYOND_CAPACITY})
    return replace(state, inside=state.inside + SET_ASIDE), (odd,)


def _decide(state: State, new: Reading) -> Stepped:
    """A reading after one or two that did not fit the last good one."""
    last = state.waiting[-1].reading
    assert state.good is not None
    again = explained_over(state, new)
    follows = explain(state.rules, last, last.total, new)
    if again and _likelier(state, again, follows):
        near = again.kind is Kind.SHUT_DOWN or not is_gap(state.rules, last, new)
        return _return(state, new, again, reset_fits=follows is not None and not near)
    waiting = Waiting(new, state.inside)
    if not follows:
        kept = Waiting(new, all_inside(state) + SET_ASIDE)
        return replace(state, waiting=(kept,), inside=NOTHING), set_aside(state)
    if len(state.waiting) + 1 < DECIDES:
        return replace(state, waiting=(*state.waiting, waiting), inside=NOTHING), ()
    state = replace(state, waiting=(*state.waiting, waiting), inside=NOTHING)
    return _odd_one(state) or _break(state)


def _decreased(state: State) -> bool:
    """A net total may fall; that tells nothing of it."""
    return not state.rules.net and state.waiting[0].reading.total.count < state.book.count


def _likelier(state: State, again: Explained, follows: Explained | None) -> bool:
    """Whether a reading that runs on from the last good one speaks against what waits, even if it could follow that.

    A rollover in one explanation and not in the other speaks for the other. Else a total that fell and the next time
    stands above the last good one did not fall; but if two fell, three readings speak against one. A step up stays one.
    """
    if follows is None or again.rollovers != follows.rollovers:
        return follows is None or again.rollovers < follows.rollovers
    return _decreased(state) and len(state.waiting) == 1


def _return(state: State, new: Reading, found: Explained, *, reset_fits: bool) -> Stepped:
    """The waiting readings were glitches: the interval runs from the last good one across them."""
    odd = set_aside(state, new)
    if reset_fits:
        assert state.good is not None
        high = max(found.high, allowed(state.rules, state.good, new))
        found = replace(found, kind=Kind.QUESTION, high=high, flags=found.flags | {Flag.RESET_FITS})
    state, before = post(replace(state, waiting=(), inside=all_inside(state) + SET_ASIDE), new, found)
    return state, before + odd


def _odd_one(state: State) -> Stepped | None:
    """Where the waiting readings run on from the reading before the last good one, the last good one was a glitch."""
    if state.held is None or not (_decreased(state) or state.held.interval.rollovers):
        return None
    interval, first = state.held.interval, state.waiting[0]
    found = explain(state.rules, interval.first, state.held.book, first.reading)
    if found is None or found.rollovers or found.kind is Kind.QUESTION:
        return None
    kind = odd_kind(state.rules, interval.first, state.held.book, interval.last, first.reading)
    odd = note(interval.segment, interval.last, interval.opening, kind)
    inside = of_interval(interval) + first.inside + SET_ASIDE
    before = (*stood(state), odd)
    state = replace(state, good=interval.first, book=state.held.book, held=None, standing=None)
    return _reread(state, (Waiting(first.reading, inside), *state.waiting[1:]), before)


def _reread(state: State, waited: tuple[Waiting, ...], before: tuple[Interval, ...]) -> Stepped:
    """Readings that waited and now fit, one after another."""
    for one in waited:
        state, more = _read(replace(state, inside=one.inside, waiting=()), one.reading)
        before += more
    return state, before


def _break(state: State) -> Stepped:
    """The waiting readings fit one another: a new segment begins at the first of them."""
    kind, (first, *rest) = _broken(state), state.waiting
    segment, flags = unconfirmed(first.reading, state.segment), NO_FLAGS
    if _from_first_count(state):
        segment = replace(segment, confirmed=True, serial=state.segment.serial if state.segment else None)
        flags = frozenset({Flag.FIRST_UNFIT})
    state, ended = end(replace(state, waiting=(), inside=first.inside), first.reading, kind, flags)
    return _reread(opened_by(state, first.reading, segment), tuple(rest), ended)


def _from_first_count(state: State) -> bool:
    """No reading has followed from the count that an entry states: the meter is the entry's all the same."""
    return state.good is not None and state.good.when.boot == FIRST_COUNT_BOOT


def _broken(state: State) -> Kind:
    """A total that stands where one could that began at zero since the last good reading, far below it, was reset."""
    assert state.good is not None
    first, book = state.waiting[0].reading, abs(state.book.count)
    fell = _decreased(state) or state.rules.net
    from_zero = 0 <= first.total.low <= allowed(state.rules, state.good, first)
    if fell and from_zero and first.total.count * NEAR_ZERO <= book:
        return Kind.RESET
    return Kind.UNEXPLAINED_DECREASE if _decreased(state) else Kind.IMPOSSIBLE_STEP


def _rescaled(state: State, new: Reading) -> Stepped:
    """A count of another volume is another map's: it ends the segment at once."""
    segment = unconfirmed(new, state.segment)
    state, intervals = end(state, new, Kind.SCALE_CHANGED, frozenset({Flag.SCALE_CHANGED}))
    return opened_by(state, new, segment), intervals

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

Readings that stand (the same words to the last bit while they say that water flows) are held back until one of them
moves. Where the meter turns out to be frozen they are as good as missed: the interval goes on from the first of them to
the first that moves. What was counted meanwhile is then in the books, and when is not known. Where that is less than
half of what the flow rate said, the meter may not have counted: the interval is a question. While it is frozen,
nothing is known from the first of them on.

An installation's entry ends the segment before it at its last good reading and opens one at its first count.
A reading without a date is no posting point: the interval around it stays exact in sum, and says so.

Locality: a fold that begins at three readings that fit one another (`fit_together`) before a period, and goes on to
three such after it, gives the same intervals inside the period as one over the whole record. (The segment at its
beginning is named by its first reading unless an installation or the caller names it. A total that swings up and down
within its own step may shift counts by less than that step. Neither the first two of the three before the period nor
the last two behind it may stand, or the rest of a frozen stretch would be missing.)
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from tallywell.ledger.intervals import Flag, Interval, Kind, Segment, joined, utc_ms
from tallywell.ledger.judge import NO_FLAGS, ONLY_GAP, Explained, allowed, explain, fit_together, is_gap
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import FROZEN, is_frozen, is_torn, may_have_missed, stands
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Cause, HandReading, Happened, Installed, Missed, Reading, Scale
from tallywell.readings.total import Total

__all__ = ["Fact", "State", "begin", "fit_together", "fold", "step"]

Fact = Reading | Missed | Happened | HandReading

DECIDES = 3  # so many consecutive readings that fit one another settle what those before them were
BY_HAND_MS = 15 * 60_000  # how far the time a person notes for an installation may be off


@dataclass(frozen=True, slots=True)
class Inside:
    """What lay since the last reading that is kept. Counted by name, so that an outage of a year stays small."""

    missed: tuple[tuple[str, int], ...] = ()
    cause: tuple[Cause, ...] = ()
    flags: frozenset[Flag] = frozenset()
    hand: tuple[HandReading, ...] = ()

    def __add__(self, other: "Inside") -> "Inside":
        missed = dict(self.missed)
        for fault, times in other.missed:
            missed[fault] = missed.get(fault, 0) + times
        cause = joined(self.cause, other.cause)
        return Inside(tuple(sorted(missed.items())), cause, self.flags | other.flags, self.hand + other.hand)


NO_COUNT = Total.exact(0)
NOTHING = Inside()
SET_ASIDE = Inside(flags=frozenset({Flag.GLITCH_INSIDE}))
AS_MISSED = Inside(missed=((FROZEN, 1),), flags=frozenset({Flag.FROZEN}))


@dataclass(frozen=True, slots=True)
class Waiting:
    """A reading that did not fit, and what lay between it and the reading before it."""

    reading: Reading
    inside: Inside


@dataclass(frozen=True, slots=True)
class Held:
    """The interval that ends at the last good reading, and the books' total before it."""

    interval: Interval
    book: Total


@dataclass(frozen=True, slots=True)
class Standing:
    """Readings that stand. `first`: the one before them, `book` and `held` as they were there; `polls` since, and what
    is to be posted if the meter has not frozen. A frozen one keeps no more of them.
    """

    first: Reading
    book: Total
    held: Held | None
    polls: int = 0
    kept: tuple[Held, ...] = ()
    frozen: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """What the next decision needs, and no more. Made by `begin`; who follows a meter live may look into it.

    `book` is the total up to which the segment is posted: that of `good`, or an earlier, higher one within its step.
    `waiting` holds at most two readings, which fit one another.
    `standing`: the readings up to `good` that stand, if they do; where the meter has frozen, `good` is the first.
    """

    rules: Rules
    installed: tuple[Installed, ...] = ()
    segment: Segment | None = None
    good: Reading | None = None
    book: Total = NO_COUNT
    held: Held | None = None
    inside: Inside = NOTHING
    waiting: tuple[Waiting, ...] = ()
    standing: Standing | None = None

    @property
    def frozen(self) -> bool:
        return self.standing is not None and self.standing.frozen


Stepped = tuple[State, tuple[Interval, ...]]


def begin(rules: Rules, installed: tuple[Installed, ...] = (), segment: Segment | None = None) -> State:
    """The state before the first fact. `installed`: all installation entries in force, of any date, in any order.

    `segment`: the segment that stands at the first fact, where that is known and no installation in force says it.
    """
    return State(rules, tuple(sorted(installed, key=lambda entry: (entry.about_ms, entry.uuid))), segment)


def step(state: State, fact: Fact) -> Stepped:
    """One fact further. Facts come by seq; hand readings before the first reading dated at or after them."""
    if not isinstance(fact, Reading):
        return replace(state, inside=state.inside + _inside(fact)), ()
    if fact.when.utc_ms is None:
        return replace(state, inside=state.inside + Inside(flags=frozenset({Flag.UNDATED_INSIDE}))), ()
    if fact.total.count > fact.scale.capacity:
        return _beyond(state, fact)
    if state.installed and state.installed[0].about_ms <= fact.when.utc_ms:
        return _then(_install(state, fact), fact)
    return _read(state, fact)


def fold(facts: Iterable[Fact], state: State) -> Iterator[Interval]:
    """All intervals of the facts in order; readings still waiting at the end come last, as `Kind.UNDECIDED`."""
    for fact in facts:
        state, intervals = step(state, fact)
        yield from intervals
    yield from _held(state) + _still_frozen(state) + _notes(state, Kind.UNDECIDED)


def _inside(fact: Missed | Happened | HandReading) -> Inside:
    if isinstance(fact, Missed):
        return Inside(missed=((fact.fault, 1),))
    return Inside(cause=(fact.cause,)) if isinstance(fact, Happened) else Inside(hand=(fact,))


def _then(stepped: Stepped, reading: Reading) -> Stepped:
    state, before = stepped
    state, after = _read(state, reading)
    return state, before + after


def _read(state: State, new: Reading) -> Stepped:
    if state.good is None:
        return _first(state, new), ()
    if new.scale.one_count_m3 != state.good.scale.one_count_m3:
        return _rescaled(state, new)
    if state.waiting:
        return _decide(state, new)
    found = explain(state.rules, state.good, state.book, new)
    if found is None:
        return replace(state, waiting=(Waiting(new, state.inside),), inside=NOTHING), ()
    return _post(state, new, found)


def _beyond(state: State, new: Reading) -> Stepped:
    """A count that the totalizer cannot show: the words or the stated digits are wrong, and no later reading helps."""
    segment = state.segment or _unentered(new)
    note = _note(segment, new, state.book.count, Kind.GLITCH)
    note = replace(note, flags=note.flags | {Flag.BEYOND_CAPACITY})
    return replace(state, inside=state.inside + SET_ASIDE), (note,)


def _unentered(new: Reading) -> Segment:
    return Segment(f"seq {new.seq}", confirmed=False, entered=False)


def _first(state: State, new: Reading) -> State:
    """The first reading of a segment whose opening count no entry gives."""
    segment = state.segment or _unentered(new)
    return State(state.rules, state.installed, segment, new, new.total)


def _post(state: State, new: Reading, found: Explained) -> Stepped:
    assert state.good is not None
    still = stands(state.rules, state.good, new)
    if state.frozen:
        if still:
            return replace(state, inside=state.inside + AS_MISSED), ()
        found = _thawed(state, new, found)
    held = Held(_interval(state, new, found.kind, found.flags, found), state.book)
    posted = State(state.rules, state.installed, state.segment, new, found.book, held)
    if not still:
        return posted, _held(state)
    before = state.standing or Standing(state.good, state.book, state.held)
    kept = (*before.kept, *((state.held,) if state.standing and state.held else ()))
    return _stand(posted, replace(before, polls=before.polls + 1, kept=kept), new)


def _stand(state: State, standing: Standing, new: Reading) -> Stepped:
    """One more reading that stands is held back; the last of FROZEN_POLLS makes all of them as good as missed."""
    if not is_frozen(state.rules, standing.first, new, standing.polls):
        return replace(state, standing=standing), ()
    assert state.held is not None
    dropped = [one.interval for one in (*standing.kept, state.held)]
    inside = sum((_of_interval(one) + AS_MISSED for one in dropped), NOTHING)
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


def _still_frozen(state: State) -> tuple[Interval, ...]:
    """A note at the last reading before the meter froze: `missed` has the polls since."""
    if not state.frozen or state.segment is None or state.good is None:
        return ()
    note = _note(state.segment, state.good, state.book.count, Kind.FROZEN)
    return (replace(note, missed=state.inside.missed, cause=state.inside.cause),)


def _of_interval(one: Interval) -> Inside:
    """What lay in an interval that is taken back."""
    return Inside(one.missed, one.cause, one.flags & {Flag.UNDATED_INSIDE, Flag.GLITCH_INSIDE, Flag.FROZEN}, one.hand)


def _held(state: State) -> tuple[Interval, ...]:
    """What is held back, where the reading after it has spoken."""
    return _stood(state) + ((state.held.interval,) if state.held else ())


def _stood(state: State) -> tuple[Interval, ...]:
    """What is held back of readings that stand, but for the last: their meter has not frozen."""
    standing = state.standing
    if standing is None or standing.frozen:
        return ()
    return tuple(one.interval for one in (standing.held, *standing.kept) if one)


def _interval(state: State, new: Reading, kind: Kind, flags: frozenset[Flag], found: Explained | None) -> Interval:
    """From the last good reading to `new`. Without an explanation nothing is posted, and what is possible bounds it."""
    segment, good, inside = state.segment, state.good, state.inside
    assert segment is not None
    assert good is not None
    if utc_ms(new) <= utc_ms(good):
        flags = flags | {Flag.TIME_UNCERTAIN}
    flags = flags | segment.flags | inside.flags
    opening, notes = state.book.count, (flags, inside.missed, inside.cause, inside.hand, state.rules)
    if found is None:
        return Interval(segment, good, new, kind, opening, opening, 0, 0, allowed(state.rules, good, new), 0, *notes)
    counts = (opening, found.book.count, found.posted, found.low, found.high, found.rollovers)
    return Interval(segment, good, new, kind, *counts, *notes)


def _decide(state: State, new: Reading) -> Stepped:
    """A reading after one or two that did not fit the last good one."""
    last = state.waiting[-1].reading
    assert state.good is not None
    again = explain(state.rules, state.good, state.book, new)
    follows = explain(state.rules, last, last.total, new)
    if again and _likelier(state, again, follows):
        return _return(state, new, again, reset_fits=follows is not None and is_gap(state.rules, last, new))
    waiting = Waiting(new, state.inside)
    if not follows:
        kept = Waiting(new, _all_inside(state) + SET_ASIDE)
        return replace(state, waiting=(kept,), inside=NOTHING), _set_aside(state)
    if len(state.waiting) + 1 < DECIDES:
        return replace(state, waiting=(*state.waiting, waiting), inside=NOTHING), ()
    state = replace(state, waiting=(*state.waiting, waiting), inside=NOTHING)
    return _odd_one(state) or _break(state)


def _decreased(state: State) -> bool:
    return state.waiting[0].reading.total.count < state.book.count


def _likelier(state: State, again: Explained, follows: Explained | None) -> bool:
    """Whether a reading that runs on from the last good one speaks against what waits, even if it could follow that.

    A rollover in one explanation and not in the other speaks for the other. Else a total that fell and the next time
    stands above the last good one did not fall; but if two fell, three readings speak against one. A step up stays one.
    """
    if follows is None or again.rollovers != follows.rollovers:
        return follows is None or again.rollovers < follows.rollovers
    return _decreased(state) and len(state.waiting) == 1


def _all_inside(state: State) -> Inside:
    return sum((one.inside for one in state.waiting), NOTHING) + state.inside


def _return(state: State, new: Reading, found: Explained, *, reset_fits: bool) -> Stepped:
    """The waiting readings were glitches: the interval runs from the last good one across them."""
    notes = _set_aside(state, new)
    if reset_fits:
        assert state.good is not None
        high = max(found.high, allowed(state.rules, state.good, new))
        found = replace(found, kind=Kind.QUESTION, high=high, flags=found.flags | {Flag.RESET_FITS})
    state, held = _post(replace(state, waiting=(), inside=_all_inside(state) + SET_ASIDE), new, found)
    return state, held + notes


def _odd_one(state: State) -> Stepped | None:
    """Where the waiting readings run on from the reading before the last good one, the last good one was a glitch."""
    if state.held is None or not (_decreased(state) or state.held.interval.rollovers):
        return None
    interval, first = state.held.interval, state.waiting[0]
    found = explain(state.rules, interval.first, state.held.book, first.reading)
    if found is None or found.rollovers or found.kind is Kind.QUESTION:
        return None
    kind = _odd_kind(state.rules, interval.first, state.held.book, interval.last, first.reading)
    note = _note(interval.segment, interval.last, interval.opening, kind)
    inside = _of_interval(interval) + first.inside + SET_ASIDE
    before = (*_stood(state), note)
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
    kind = Kind.UNEXPLAINED_DECREASE if _decreased(state) else Kind.IMPOSSIBLE_STEP
    first, *rest = state.waiting
    state, ended = _end(replace(state, waiting=(), inside=first.inside), first.reading, kind)
    state = replace(_first(state, first.reading), segment=Segment(f"seq {first.reading.seq}", confirmed=False))
    return _reread(state, tuple(rest), ended)


def _end(state: State, new: Reading, kind: Kind, flags: frozenset[Flag] = NO_FLAGS) -> Stepped:
    """The segment ends at its last good reading; `new` belongs to the next. What is still waiting stays undecided."""
    assert state.good is not None
    good, notes = state.good, _notes(state, Kind.UNDECIDED)
    state = replace(state, inside=_all_inside(state), waiting=())
    flags |= ONLY_GAP if is_gap(state.rules, good, new) else NO_FLAGS
    interval = _interval(state, new, kind, flags, None)
    return State(state.rules, state.installed), (*_held(state), *notes, interval)


def _rescaled(state: State, new: Reading) -> Stepped:
    """A count of another volume is another map's: it ends the segment at once."""
    state, intervals = _end(state, new, Kind.SCALE_CHANGED, frozenset({Flag.SCALE_CHANGED}))
    return replace(_first(state, new), segment=Segment(f"seq {new.seq}", confirmed=False)), intervals


def _install(state: State, new: Reading) -> Stepped:
    """The installation in force at `new` begins; those before it that no reading saw are passed over."""
    past = [entry for entry in state.installed if entry.about_ms <= utc_ms(new)]
    left, entry = state.installed[len(past) :], past[-1]
    if state.good is None and state.segment is not None:
        return replace(state, installed=left), ()  # the given segment is younger than these
    opening = _opening(entry, new)
    flags = frozenset({Flag.FIRST_COUNT_UNKNOWN}) if opening is None else NO_FLAGS
    ended: tuple[Interval, ...] = ()
    if state.good is not None:
        state, ended = _end(state, opening or new, Kind.CHANGE_OUT, flags)
    segment = Segment(entry.uuid, confirmed=True, serial=entry.serial)
    book = opening.total if opening else NO_COUNT
    return State(state.rules, left, segment, opening, book, inside=state.inside), ended


def _opening(entry: Installed, new: Reading) -> Reading | None:
    """The first count as a reading of its own, in the scale of the one that follows; no poll, so seq 0 and no boot."""
    total = _first_total(entry, new.scale)
    if total is None or total.count > new.scale.capacity:
        return None
    return Reading(0, When(-1, 0, entry.about_ms, BY_HAND_MS), total, new.scale)


def _first_total(entry: Installed, scale: Scale) -> Total | None:
    """The first count in another scale: what the face showed is a volume, and one of its digits is a bound."""
    if entry.first_count is None:
        return None
    low = entry.first_count if entry.low is None else entry.low
    high = entry.first_count if entry.high is None else entry.high
    total = Total(entry.first_count, low, high)
    return total if entry.scale is None else total * (entry.scale.one_count_m3 / scale.one_count_m3)


def _notes(state: State, kind: Kind) -> tuple[Interval, ...]:
    """What waits, reading by reading, at the place where it was read."""
    if state.segment is None:
        return ()
    return tuple(_note(state.segment, one.reading, state.book.count, kind) for one in state.waiting)


def _set_aside(state: State, after: Reading | None = None) -> tuple[Interval, ...]:
    """The readings that wait, as glitches, or torn; `after` came then and follows the last good one."""
    if state.segment is None or state.good is None:
        return ()
    return tuple(
        _note(state.segment, odd, state.book.count, _odd_kind(state.rules, state.good, state.book, odd, after))
        for odd in (one.reading for one in state.waiting)
    )


def _odd_kind(rules: Rules, good: Reading, book: Total, odd: Reading, after: Reading | None) -> Kind:
    room = allowed(rules, good, odd)
    if after is not None and after.total.high >= book.low:
        room = min(room, after.total.high - book.low)
    return Kind.TORN if is_torn(book, odd, room) else Kind.GLITCH


def _note(segment: Segment, reading: Reading, book: int, kind: Kind) -> Interval:
    return Interval(segment, reading, reading, kind, book, book, 0, 0, 0, flags=segment.flags)

"""What the fold knows between two facts, and the intervals and notes that it makes of it."""

from dataclasses import dataclass, replace

from tallywell.ledger.inside import NOTHING, Inside
from tallywell.ledger.intervals import Flag, Interval, Kind, Segment, utc_ms
from tallywell.ledger.judge import Explained, allowed
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import is_torn
from tallywell.readings.quantities import Installed, Reading, Season, Settled
from tallywell.readings.total import Total

NO_COUNT = Total.exact(0)


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
class Told:
    """What persons and the meter's own serial number say of a point, all of it, in order of its dates.

    `installed`: what is still to come of what begins or ends a segment.
    """

    installed: tuple[Installed, ...] = ()
    seasons: tuple[Season, ...] = ()
    settled: tuple[Settled, ...] = ()


@dataclass(frozen=True, slots=True)
class State:
    """What the next decision needs, and no more. Made by `begin`; who follows a meter live may look into it.

    `book` is the total up to which the segment is posted: that of `good`, or an earlier, higher one within its step.
    `waiting` holds at most two readings, which fit one another.
    `standing`: the readings up to `good` that stand, if they do; where the meter has frozen, `good` is the first.
    """

    rules: Rules
    told: Told = Told()
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


def unentered(new: Reading) -> Segment:
    return Segment(f"seq {new.seq}", confirmed=False, entered=False)


def unconfirmed(new: Reading, before: Segment | None = None) -> Segment:
    """Counts that are withheld stay so, whatever the meter does, until an entry explains it."""
    withheld = before is not None and before.withheld
    return Segment(
        f"seq {new.seq}", confirmed=False, serial=before.serial if before and withheld else None, withheld=withheld
    )


def opened_by(state: State, new: Reading, segment: Segment | None = None) -> State:
    """The first reading of a segment whose opening count no entry gives."""
    return State(state.rules, state.told, segment or state.segment or unentered(new), new, new.total)


def held(state: State) -> tuple[Interval, ...]:
    """What is held back, where the reading after it has spoken."""
    return stood(state) + ((state.held.interval,) if state.held else ())


def stood(state: State) -> tuple[Interval, ...]:
    """What is held back of readings that stand, but for the last: their meter has not frozen."""
    standing = state.standing
    if standing is None or standing.frozen:
        return ()
    return tuple(one.interval for one in (standing.held, *standing.kept) if one)


def all_inside(state: State) -> Inside:
    return sum((one.inside for one in state.waiting), NOTHING) + state.inside


def interval_to(state: State, new: Reading, kind: Kind, flags: frozenset[Flag], found: Explained | None) -> Interval:
    """From the last good reading to `new`. Without an explanation nothing is posted, and what is possible bounds it."""
    segment, good, inside = state.segment, state.good, state.inside
    assert segment is not None
    assert good is not None
    if utc_ms(new) <= utc_ms(good):
        flags = flags | {Flag.TIME_UNCERTAIN}
    flags = flags | segment.flags | inside.flags
    opening, notes = state.book.count, (flags, inside.missed, inside.cause, inside.hand, state.rules)
    if found is None:
        room = allowed(state.rules, good, new)
        least = -room if state.rules.net else 0
        return Interval(segment, good, new, kind, opening, opening, 0, least, room, 0, *notes)
    counts = (opening, found.book.count, found.posted, found.low, found.high, found.rollovers)
    return Interval(segment, good, new, kind, *counts, *notes)


def notes(state: State, kind: Kind) -> tuple[Interval, ...]:
    """What waits, reading by reading, at the place where it was read."""
    if state.segment is None:
        return ()
    return tuple(note(state.segment, one.reading, state.book.count, kind) for one in state.waiting)


def set_aside(state: State, after: Reading | None = None) -> tuple[Interval, ...]:
    """The readings that wait, as glitches, or torn; `after` came then and follows the last good one."""
    if state.segment is None or state.good is None:
        return ()
    return tuple(
        note(state.segment, odd, state.book.count, odd_kind(state.rules, state.good, state.book, odd, after))
        for odd in (one.reading for one in state.waiting)
    )


def odd_kind(rules: Rules, good: Reading, book: Total, odd: Reading, after: Reading | None) -> Kind:
    room = allowed(rules, good, odd)
    if after is not None and after.total.high >= book.low:
        room = min(room, after.total.high - book.low)
    return Kind.TORN if is_torn(book, odd, room) else Kind.GLITCH


def note(segment: Segment, reading: Reading, book: int, kind: Kind) -> Interval:
    return Interval(segment, reading, reading, kind, book, book, 0, 0, 0, flags=segment.flags)


def flagged(state: State, flag: Flag) -> State:
    """With this to be said of the interval that the next reading closes."""
    return replace(state, inside=replace(state.inside, flags=state.inside.flags | {flag}))


def passed(state: State, left: tuple[Installed, ...]) -> State:
    """With only `left` still to come."""
    return replace(state, told=replace(state.told, installed=left))

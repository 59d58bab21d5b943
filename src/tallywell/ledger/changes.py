"""What ends a segment and begins another by somebody's word: an installation, a change-out, a reset, a move, or another
serial number that the meter gave.

The old meter's final count, where it was noted and follows from its last reading, closes its segment; the new one's
first count opens the next. A person's time is within 15 minutes: the readings say by themselves where the change lies,
where they follow the old meter plainly and not the new one's first count, or the reverse.
"""

from dataclasses import replace
from fractions import Fraction

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.faces import ahead, behind
from tallywell.ledger.inside import NOTHING
from tallywell.ledger.intervals import Flag, Interval, Kind, Segment, utc_ms
from tallywell.ledger.judge import FINAL_COUNT_BOOT, FIRST_COUNT_BOOT, NO_FLAGS, ONLY_GAP, allowed, explain, is_gap
from tallywell.ledger.posting import post
from tallywell.ledger.rules import Rules
from tallywell.ledger.season import explained_over
from tallywell.ledger.state import (
    NO_COUNT,
    State,
    Stepped,
    all_inside,
    flagged,
    held,
    interval_to,
    notes,
    passed,
    unconfirmed,
)
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Change, FaceCount, Installed, Reading
from tallywell.readings.total import Total

_ENDS_AS = {Change.RESET: Kind.RESET}
_PUT_IN = frozenset({Change.INSTALLED, Change.MOVED_HERE})


def is_due(entry: Installed, new: Reading) -> bool:
    if entry.after_seq is not None:
        return new.seq > entry.after_seq
    return entry.about_ms <= utc_ms(new)


def change_due(state: State, new: Reading) -> bool:
    """Whether a change begins at this reading, as stated, or as the readings show it within a person's time."""
    if not state.told.installed:
        return False
    entry = state.told.installed[0]
    if not is_due(entry, new):
        return _already(state, entry, new)
    later = state.told.installed[1:]
    return bool(later and is_due(later[0], new)) or not _not_yet(state, entry, new)


def _not_yet(state: State, entry: Installed, new: Reading) -> bool:
    """The old meter still answers: its readings go on, and the new one's first count leads here less likely."""
    if entry.after_seq is not None or state.good is None or state.waiting:
        return False
    if utc_ms(new) - entry.about_ms > BY_HAND_MS or not _goes_on(state, new) or _beyond_final(state, entry, new):
        return False
    opening = _opening(state.rules, entry, state.good, new)
    if entry.change is Change.REMOVED or opening is None:
        return entry.change is Change.REMOVED
    leads = explain(state.rules, opening, opening.total, new)
    return leads is None or leads.posted > new.total.count - state.book.count


def _beyond_final(state: State, entry: Installed, new: Reading) -> bool:
    """A count above the old meter's final one is not the old meter's."""
    final = None if entry.final is None else _final_total(state, entry.final, utc_ms(new))
    return final is not None and new.total.low > final.high


def _goes_on(state: State, new: Reading) -> bool:
    """Whether the reading plainly is one more of the meter that was read last."""
    if state.good is None or state.good.scale != new.scale:
        return False
    found = explain(state.rules, state.good, state.book, new)
    return found is not None and found.kind is not Kind.QUESTION and not found.rollovers


def _already(state: State, entry: Installed, new: Reading) -> bool:
    """The new meter already answers: its own first count leads here, and no readings of another one go on to here."""
    if entry.after_seq is not None or entry.about_ms - utc_ms(new) > BY_HAND_MS:
        return False
    opening = _opening(state.rules, entry, state.good, new)
    if opening is None or explain(state.rules, opening, opening.total, new) is None:
        return False
    if state.good is None:
        return entry.change in _PUT_IN
    return state.good.scale == new.scale and not _goes_on(state, new)


def _is_read_already(state: State, entry: Installed, new: Reading) -> bool:
    """The entry comes behind readings of its own meter, which nobody had confirmed: it confirms them, and its first
    count lies before them. A meter that was put in takes the place of none; one that was exchanged is known by the
    break before its readings, and by polls that are no gap apart.
    """
    segment, good = state.segment, state.good
    if segment is None or good is None or segment.confirmed or segment.withheld or state.waiting or state.rules.net:
        return False
    broke = entry.change is Change.CHANGED and segment.entered and not is_gap(state.rules, good, new)
    if not (entry.change in _PUT_IN or broke) or not _goes_on(state, new):
        return False
    opening = _opening(state.rules, entry, None, new)
    return opening is not None and opening.total.count <= good.total.count


def change(state: State, new: Reading) -> Stepped:
    """The changes in force at `new` begin, one after another, also those that no reading saw."""
    installed = state.told.installed
    past = [entry for entry in installed if is_due(entry, new)] or [installed[0]]
    left = installed[len(past) :]
    if past[-1].change is Change.REMOVED and left and _already(State(state.rules), left[0], new):
        past, left = [*past, left[0]], left[1:]
    if len(past) == 1 and _is_read_already(state, past[0], new):
        return replace(passed(state, left), segment=_segment(past[0], new)), ()
    if len(past) == 1 and _contradicted(state, past[0], new):
        return passed(flagged(state, Flag.ENTRY_UNFIT), left), ()
    if state.good is None and state.segment is not None:
        return passed(state, left), ()  # the given segment is younger than these
    said: Stepped = passed(state, left), ()
    rest = all_inside(state).rest()
    for entry, later in zip(past, [*past[1:], None], strict=True):
        then, more = _one(said[0], entry, new if later is None else _opening(state.rules, later, None, new) or new)
        said = replace(then, inside=rest), said[1] + more
    return said


def _contradicted(state: State, entry: Installed, new: Reading) -> bool:
    """The readings run on as before, and the count that the entry states leads nowhere near: nothing was exchanged, or
    its total went with it. (Where the meter gave another serial number, something was.)
    """
    if state.segment is None or state.segment.withheld or state.waiting or not _goes_on(state, new):
        return False
    opening = _opening(state.rules, entry, state.good, new)
    return opening is not None and explain(state.rules, opening, opening.total, new) is None


def _one(state: State, entry: Installed, new: Reading) -> Stepped:
    opening = _opening(state.rules, entry, state.good, new)
    ended: tuple[Interval, ...] = ()
    if state.good is not None:
        state, ended = _close(state, entry, opening, new)
    book = opening.total if opening else NO_COUNT
    return State(state.rules, state.told, _segment(entry, new), opening, book), ended


def _segment(entry: Installed, new: Reading) -> Segment:
    if entry.change is Change.REMOVED:
        return unconfirmed(new)  # whatever answers there now
    return Segment(entry.uuid, confirmed=not entry.withheld, serial=entry.serial, withheld=entry.withheld)


def _close(state: State, entry: Installed, first: Reading | None, new: Reading) -> Stepped:
    """The old meter up to its final count, where that follows; then the step to the new one, which posts nothing.

    `first`: the new one's first count; `new`: the first reading after the change, before which it lies surely.
    """
    opening, good = first or new, state.good
    assert good is not None
    state, metered = _to_final(state, entry, utc_ms(opening))
    flags = NO_FLAGS
    if entry.change is Change.SERIAL:
        flags = frozenset({Flag.OTHER_SERIAL})
    elif opening.when.boot != FIRST_COUNT_BOOT and entry.change is not Change.REMOVED:
        flags = frozenset({Flag.FIRST_COUNT_UNKNOWN})
    state, ended = end(state, opening, _ENDS_AS.get(entry.change, Kind.CHANGE_OUT), flags)
    last, room = ended[-1], allowed(state.rules, good, new)
    low, high = max(last.low, -room), min(last.high, room)
    if entry.change is Change.RESET:  # when it was, is only known to lie between two readings
        low, high = (-room if state.rules.net else 0), room
    return state, (*metered, *ended[:-1], replace(last, low=low, high=high))


def _to_final(state: State, entry: Installed, until_ms: int) -> Stepped:
    final = _final(state, entry, until_ms)
    if final is None or state.good is None:
        return state, ()
    found = explained_over(state, final)
    if found is None:
        return flagged(state, Flag.FINAL_UNFIT), ()
    undecided, inside = notes(state, Kind.UNDECIDED), all_inside(state)
    state, before = post(replace(state, waiting=(), inside=inside), final, found)
    return state, before + undecided


def _final(state: State, entry: Installed, until_ms: int) -> Reading | None:
    """The final count as a reading of its own; no poll, so seq 0. It lies between the readings of the two meters."""
    if entry.final is None or state.good is None:
        return None
    scale, at = state.good.scale, max(min(entry.about_ms, until_ms), utc_ms(state.good) + 1)
    total = _final_total(state, entry.final, at)
    return None if total is None else Reading(0, When(FINAL_COUNT_BOOT, 0, at, BY_HAND_MS), total, scale)


def _final_total(state: State, final: FaceCount, at_ms: int) -> Total | None:
    """In the scale of the last reading. Of a face that may have gone round several times since, nothing is known."""
    assert state.good is not None
    scale, since_ms = state.good.scale, at_ms - utc_ms(state.good) + BY_HAND_MS
    of = final.scale.one_count_m3 / scale.one_count_m3
    goes_round = None if final.goes_round is None else final.goes_round * of
    return behind(final.total * of, goes_round, scale, state.book, state.rules.most(scale, since_ms))


def _opening(rules: Rules, entry: Installed, good: Reading | None, new: Reading) -> Reading | None:
    """The first count as a reading of its own, in the scale of the one that follows; no poll, so seq 0 and no boot.

    A time that a person noted lies between the readings of the two meters, whatever the watch showed.
    """
    total = _first_total(rules, entry, new)
    if total is None or total.count > new.scale.capacity:
        return None
    earliest = entry.about_ms if good is None else max(entry.about_ms, utc_ms(good) + 1)
    at = min(earliest, utc_ms(new) - 1)
    return Reading(0, When(FIRST_COUNT_BOOT, 0, at, BY_HAND_MS), total, new.scale)


def _first_total(rules: Rules, entry: Installed, new: Reading) -> Total | None:
    """The first count in another scale: what the face showed is a volume, and one of its digits is a bound."""
    if entry.first_count is None or entry.change is Change.REMOVED:
        return None
    low = entry.first_count if entry.low is None else entry.low
    high = entry.first_count if entry.high is None else entry.high
    of = Fraction(1) if entry.scale is None else entry.scale.one_count_m3 / new.scale.one_count_m3
    goes_round = None if entry.goes_round is None else entry.goes_round * of
    room = rules.most(new.scale, utc_ms(new) - entry.about_ms + BY_HAND_MS)
    return ahead(Total(entry.first_count, low, high) * of, goes_round, new.scale, new.total, room)


def end(state: State, new: Reading, kind: Kind, flags: frozenset[Flag] = NO_FLAGS) -> Stepped:
    """The segment ends at its last good reading; `new` belongs to the next. What is still waiting stays undecided."""
    assert state.good is not None
    good, undecided = state.good, notes(state, Kind.UNDECIDED)
    state = replace(state, inside=all_inside(state), waiting=())
    flags |= ONLY_GAP if is_gap(state.rules, good, new) else NO_FLAGS
    ended = interval_to(state, new, kind, flags, None)
    if good.when.boot == FINAL_COUNT_BOOT and new.when.boot == FIRST_COUNT_BOOT:
        # One meter was taken out and another put in, in no time that anybody noted.
        ended = replace(ended, low=0, high=0, flags=ended.flags - {Flag.GAP, Flag.TIME_UNCERTAIN})
    return State(state.rules, state.told, inside=NOTHING), (*held(state), *undecided, ended)

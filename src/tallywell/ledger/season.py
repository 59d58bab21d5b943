"""A season that was shut down: from there to the startup nobody expects a reading, and silence is no gap.

Where readings, or what the face showed at shutdown and startup, are equal at both ends, every border inside is exact
and the season's volume an explicit zero. Where they differ by more than could flow outside the season, the difference
is posted as it is and never divided over the winter.
"""

from dataclasses import replace

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.faces import behind
from tallywell.ledger.inside import NOTHING
from tallywell.ledger.intervals import Flag, Kind, utc_ms
from tallywell.ledger.judge import NO_FLAGS, ONLY_GAP, SEASON_BOOT, Explained, explain, gap_limit_ms, is_gap
from tallywell.ledger.posting import post
from tallywell.ledger.state import State, Stepped, Waiting
from tallywell.readings.clocks import When
from tallywell.readings.quantities import FaceCount, Reading, Scale, Season

NO_END_MS = 10**15


def over_season(state: State, new: Reading) -> Stepped | None:
    """`new` as the first reading after a season that lies between it and the last good one; None: no such season."""
    seasons = _seasons(state, new)
    if state.waiting or state.frozen or not seasons:
        return None
    stepwise = _stepwise(state, new, seasons)
    if stepwise is not None:
        return stepwise
    found = _explained(state, new, seasons)
    if found is None:
        return replace(state, waiting=(Waiting(new, state.inside),), inside=NOTHING), ()
    return post(_silenced(state, found), new, found)


def explained_over(state: State, new: Reading) -> Explained | None:
    """What `new` means after the last good reading, where a season may lie between."""
    assert state.good is not None
    seasons = _seasons(state, new)
    return _explained(state, new, seasons) if seasons else explain(state.rules, state.good, state.book, new)


def _seasons(state: State, new: Reading) -> list[Season]:
    """Those that the silence before `new` reaches into. Where readings stand inside the season on both sides and the
    total moved between them, its word is not kept, and the silence is a gap like any other.
    """
    good = state.good
    if good is None or not state.told.seasons or not is_gap(state.rules, good, new):
        return []
    begin, end = utc_ms(good), utc_ms(new)
    moved = new.total.low > state.book.high or new.total.high < state.book.low
    return [
        one
        for one in state.told.seasons
        if one.begin_ms < end and _end(one) > begin and not (moved and one.begin_ms <= begin and end <= _end(one))
    ]


def _silenced(state: State, found: Explained) -> State:
    """Polls missed and ends of the program while all is shut down are no sign of anything."""
    if found.kind is not Kind.SHUT_DOWN or Flag.GAP in found.flags:
        return state
    return replace(state, inside=replace(state.inside, missed=(), cause=(), silent=False))


def _stepwise(state: State, new: Reading, seasons: list[Season]) -> Stepped | None:
    """By way of what the face showed, where it was noted and each count follows from the one before."""
    stated = [one for season in seasons for one in _shown(state, season, new.scale) if _between(state, one, new)]
    if not stated:
        return None
    said: Stepped = state, ()
    rest = state.inside.rest()
    for reading in (*stated, new):
        found = _explained(said[0], reading, seasons)
        if found is None or (found.kind is Kind.QUESTION and found.rollovers):
            return None  # a slip of the face
        then, more = post(_silenced(said[0], found), reading, found)
        said = replace(then, inside=rest if reading is not new else then.inside), said[1] + more
    return said


def _explained(state: State, new: Reading, seasons: list[Season]) -> Explained | None:
    good = state.good
    assert good is not None
    begin, end = utc_ms(good), utc_ms(new)
    shut_ms = sum(max(0, min(end, _end(one)) - max(begin, one.begin_ms)) for one in seasons)
    if not shut_ms:
        return explain(state.rules, good, state.book, new)
    out_ms = max(0, end - begin - shut_ms)
    room = state.rules.most(new.scale, out_ms + 2 * BY_HAND_MS)
    found = explain(state.rules, good, state.book, new, room) or _more(state, good, new)
    return None if found is None else _as_shut(state, found, out_ms)


def _more(state: State, good: Reading, new: Reading) -> Explained | None:
    """It rose by more than could flow outside the season: somebody pumped. The least that fits is what it counted. A
    total that fell was reset or replaced: no rollover goes with a season that was shut down.
    """
    found = explain(state.rules, good, state.book, new)
    if found is None or found.rollovers:
        return None
    book, total = state.book, new.total
    low, high, flags = total.low - book.high, total.high - book.low, found.flags - {Flag.SEVERAL_ROUNDS}
    low = low if state.rules.net else max(0, low)
    return replace(found, kind=Kind.SHUT_DOWN, low=low, high=high, flags=flags)


def _as_shut(state: State, found: Explained, out_ms: int) -> Explained:
    """Silence outside the season is a gap like any other; where that leaves several explanations, it is a question."""
    gap = ONLY_GAP if out_ms > gap_limit_ms(state.rules) else NO_FLAGS
    flags = found.flags - {Flag.GAP} | gap
    if found.kind is Kind.QUESTION:
        return replace(found, flags=flags | {Flag.SEASON_INSIDE})
    return replace(found, kind=Kind.SHUT_DOWN, flags=flags)


def _shown(state: State, season: Season, scale: Scale) -> tuple[Reading, ...]:
    ends = (season.begin_ms, season.shut), (season.end_ms, season.started)
    found = (_reading(state, at, face, scale) for at, face in ends if at is not None and face is not None)
    return tuple(one for one in found if one is not None)


def _reading(state: State, at_ms: int, face: FaceCount, scale: Scale) -> Reading | None:
    """A count of the face as a reading of its own; no poll, so seq 0 and no boot. In a season hardly anything is
    pumped, so that a face with few digits tells where the register stands.
    """
    of = face.scale.one_count_m3 / scale.one_count_m3
    goes_round = None if face.goes_round is None else face.goes_round * of
    total = behind(face.total * of, goes_round, scale, state.book, room=0)
    return None if total is None else Reading(0, When(SEASON_BOOT, 0, at_ms, BY_HAND_MS), total, scale)


def _between(state: State, stated: Reading, new: Reading) -> bool:
    assert state.good is not None
    return utc_ms(state.good) < utc_ms(stated) < utc_ms(new)


def _end(season: Season) -> int:
    return NO_END_MS if season.end_ms is None else season.end_ms

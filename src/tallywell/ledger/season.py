"""A season that was shut down: from there to the startup nobody expects a reading, and silence is no gap.

Where readings, or what the face showed at shutdown and startup, are equal at both ends, every border inside is exact
and the season's volume an explicit zero. Where they differ by more than could flow outside the season, the difference
is posted as it is and never divided over the winter.
"""

from dataclasses import replace

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import Flag, Kind, utc_ms
from tallywell.ledger.judge import NO_FLAGS, ONLY_GAP, SEASON_BOOT, Explained, explain, gap_limit_ms, is_gap
from tallywell.ledger.posting import post
from tallywell.ledger.state import State, Stepped
from tallywell.readings.clocks import When
from tallywell.readings.quantities import FaceCount, Happened, Missed, Reading, Scale, Season

NO_END_MS = 10**15


def shut_down(state: State, fact: Missed | Happened) -> bool:
    """Whether a fact lies in a season, where a missed poll tells nothing."""
    at = fact.when.utc_ms
    return at is not None and any(_begin(one) <= at < _end(one) for one in state.told.seasons)


def over_season(state: State, new: Reading) -> Stepped | None:
    """`new` as the first reading after a season that lies between it and the last good one; None: no such season."""
    good = state.good
    if good is None or state.waiting or state.frozen or not state.told.seasons or not is_gap(state.rules, good, new):
        return None
    seasons = [one for one in state.told.seasons if _inside(one, utc_ms(good), utc_ms(new))]
    if not seasons:
        return None
    return _stepwise(state, new, seasons) or _at_once(state, new, seasons)


def _stepwise(state: State, new: Reading, seasons: list[Season]) -> Stepped | None:
    """By way of what the face showed, where it was noted and each count follows from the one before."""
    stated = [one for season in seasons for one in _shown(season, new.scale) if _between(state, one, new)]
    if not stated:
        return None
    said: Stepped = state, ()
    for reading in (*stated, new):
        found = _explained(said[0], reading, seasons)
        if found is None or found.kind is Kind.QUESTION:
            return None
        then, more = post(said[0], reading, found)
        said = then, said[1] + more
    return said


def _at_once(state: State, new: Reading, seasons: list[Season]) -> Stepped | None:
    found = _explained(state, new, seasons)
    return None if found is None else post(state, new, found)


def _explained(state: State, new: Reading, seasons: list[Season]) -> Explained | None:
    good = state.good
    assert good is not None
    begin, end = utc_ms(good), utc_ms(new)
    shut_ms = sum(max(0, min(end, _end(one)) - max(begin, _begin(one))) for one in seasons)
    if not shut_ms:
        return explain(state.rules, good, state.book, new)
    out_ms = max(0, end - begin - shut_ms)
    room = state.rules.most(new.scale, out_ms + 2 * BY_HAND_MS)
    found = explain(state.rules, good, state.book, new, room) or _more(state, good, new)
    return None if found is None else _as_shut(state, found, out_ms)


def _more(state: State, good: Reading, new: Reading) -> Explained | None:
    """It rose by more than could flow outside the season: somebody pumped. The least that fits is what it counted."""
    found = explain(state.rules, good, state.book, new)
    if found is None or found.rollovers or found.kind is not Kind.QUESTION:
        return found
    book, total = state.book, new.total
    low, high, flags = total.low - book.high, total.high - book.low, found.flags - {Flag.SEVERAL_ROUNDS}
    low = low if state.rules.net else max(0, low)
    return replace(found, kind=Kind.SHUT_DOWN, low=low, high=high, flags=flags)


def _as_shut(state: State, found: Explained, out_ms: int) -> Explained:
    """Silence outside the season is a gap like any other; where that leaves several explanations, it is a question."""
    gap = ONLY_GAP if out_ms > gap_limit_ms(state.rules) else NO_FLAGS
    flags = found.flags - {Flag.GAP} | gap
    return replace(found, kind=found.kind if found.kind is Kind.QUESTION else Kind.SHUT_DOWN, flags=flags)


def _shown(season: Season, scale: Scale) -> tuple[Reading, ...]:
    ends = (season.begin_ms, season.shut), (season.end_ms, season.started)
    return tuple(_reading(at, face, scale) for at, face in ends if at is not None and face is not None)


def _reading(at_ms: int, face: FaceCount, scale: Scale) -> Reading:
    """A count of the face as a reading of its own; no poll, so seq 0 and no boot."""
    total = face.total * (face.scale.one_count_m3 / scale.one_count_m3)
    return Reading(0, When(SEASON_BOOT, 0, at_ms, BY_HAND_MS), total, scale)


def _between(state: State, stated: Reading, new: Reading) -> bool:
    assert state.good is not None
    return utc_ms(state.good) < utc_ms(stated) < utc_ms(new)


def _inside(season: Season, begin_ms: int, end_ms: int) -> bool:
    return _begin(season) < end_ms and _end(season) > begin_ms


def _begin(season: Season) -> int:
    return season.begin_ms


def _end(season: Season) -> int:
    return NO_END_MS if season.end_ms is None else season.end_ms

"""What becomes of a meter: reset, changed, replaced, out of order by its own word or by what its two registers say."""

from tallywell.readings.quantities import (
    Change,
    FaceCount,
    Installed,
)
from tallywell.readings.total import Total
from tests.ledger.months import Draft
from tests.ledger.plants import BY_HAND, SURE_FLOW, between, event, length, silence, standing
from tests.ledger.water import DAY, Face


def new_face(made: Draft, ms: int, start: int) -> None:
    made.faces.append(Face(ms, start))


@event(start=True)
def _reset(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    new_face(made, between(made, at), 0)
    made.expect("reset", "RESET", at, at + 1)


@event(start=True)
def _reset_entered(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    ms = between(made, at)
    new_face(made, ms, 0)
    made.installed.append(Installed("reset", noted(made, ms), 0, "A-1", made.scale, change=Change.RESET))
    made.expect("reset entered", "RESET", at, at + 1)
    made.expect("reset entered", "FROM_FIRST_COUNT", at, at + 1)


def noted(made: Draft, ms: int) -> int:
    """When a person says that it was."""
    return ms + made.chance.randint(-BY_HAND, BY_HAND)


@event(start=True, unit=None)
def _change_out(made: Draft, at: int) -> None:
    """Two readings apart at most; the pump stands while the pipe is open."""
    made.keep_free(at, at + 1)
    made.pumping(at, at + 1, 0)
    ms, start = between(made, at), made.chance.choice([0, 12, made.capacity // 7])
    final = FaceCount(Total.exact(standing(made, ms)), made.scale) if made.chance.random() < 1 / 2 else None
    new_face(made, ms, start)
    entry = Installed("changed", noted(made, ms), start, "B-2", made.scale, change=Change.CHANGED, final=final)
    made.installed.append(entry)
    if final:
        made.expect("change out", "TO_FINAL_COUNT", at, at + 1)
    made.expect("change out", "CHANGE_OUT", at, at + 1)
    made.expect("change out", "FROM_FIRST_COUNT", at, at + 1)


@event(start=True)
def _replaced_without_a_word(made: Draft, at: int) -> None:
    """Another meter, whose face stands lower (and not near zero), or higher."""
    made.keep_free(at, at + 1)
    lower = made.chance.random() < 1 / 2
    made.start = made.capacity // 3
    stands, start = standing(made, made.polls[at]), made.capacity // 4 if lower else made.capacity * 3 // 4
    assert made.capacity // 3 <= stands <= made.capacity * 2 // 3
    new_face(made, between(made, at), start)
    kind = "UNEXPLAINED_DECREASE" if lower else "IMPOSSIBLE_STEP"
    made.expect("replaced without a word", kind, at, at + 1)


@event(start=True)
def _another_serial_number(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    new_face(made, between(made, at), made.capacity // 4)
    made.serials += [(1, "A-1"), (at + 1, "C-3")]
    made.expect("another serial number", "CHANGE_OUT OTHER_SERIAL", at, at + 1)


def _by_its_status(made: Draft, at: int, attribute: str, name: str) -> tuple[int, int]:
    first, last = at, at + length(made, at, 4, 2 * DAY)
    begin, end = between(made, first), between(made, last - 1)
    made.says.append((begin, end, attribute, name))
    made.pumping(first, last)
    made.keep_free(first, last)
    return first, last


@event()
def _empty_pipe(made: Draft, at: int) -> None:
    """Water runs past a meter that says that its pipe is empty."""
    first, last = _by_its_status(made, at, "not_counting", "empty_pipe")
    made.uncounted.append(made.says[-1][:2])
    made.unshown.append(made.says[-1][:2])
    made.expect("empty pipe", "NOT_COUNTING", first, last, times=(last - first, last - first))


@event()
def _coil_fault(made: Draft, at: int) -> None:
    """It counts, and not what flows."""
    first, last = _by_its_status(made, at, "suspect", "coil_fault")
    made.scaled.append((*made.says[-1][:2], made.chance.choice([20, 60, 150])))
    made.expect("coil fault", "SUSPECT", first, last, times=(last - first, last - first))


@event(**SURE_FLOW)
def _stuck_totalizer(made: Draft, at: int) -> None:
    first, last = at, at + length(made, at, 24, 2 * DAY)
    made.uncounted.append((between(made, first), between(made, last - 1)))
    made.pumping(first - 2, last + 2)
    made.keep_free(first, last)
    # Where the counts are coarse, the total stands a poll before and behind, too.
    times = last - first - 3, last - first + 2
    made.expect("stuck totalizer", "FLOW_UNCOUNTED", first - 1, last + 1, times=times)


@event(**SURE_FLOW)
def _dead_flow_sensor(made: Draft, at: int) -> None:
    """So much is counted that no pump could have run it between the polls only: of what the pipe can pass in eight of
    them, and a twentieth of the time, or more. Where that takes too long, the site states what the pump can give.
    """
    enough = _polls_for(made)
    if enough * made.every > 3 * DAY:
        made.possible = made.pump * 3 // 2
        enough = _polls_for(made)
    first, last = at, at + enough + made.chance.randint(0, enough)
    made.unshown.append((between(made, first), between(made, last - 1)))
    made.pumping(first - 2, last + 2)
    made.keep_free(first, last)
    made.expect("dead flow sensor", "COUNTED_WITHOUT_FLOW", first, last, times=(last - first - 3, last - first))


def _polls_for(made: Draft) -> int:
    return 9 * made.possible // (made.pump - made.possible // 18) + 12


@event(start=True, unit=None)
def _change_out_in_a_silence(made: Draft, at: int) -> None:
    """The line is down for hours or days; the pump stands from the taking out of the old meter on."""
    first, last = silence(made, at, length(made, at, 12), "port_lost")
    changed = (first + last) // 2
    made.pumping(changed, last, 0)
    ms, start = between(made, changed), made.chance.choice([0, 12, made.capacity // 7])
    final = FaceCount(Total.exact(standing(made, ms)), made.scale) if made.chance.random() < 1 / 2 else None
    new_face(made, ms, start)
    entry = Installed("changed", noted(made, ms), start, "B-2", made.scale, change=Change.CHANGED, final=final)
    made.installed.append(entry)
    name = "change out in a silence"
    if final:
        made.expect(name, "TO_FINAL_COUNT GAP", first, last)
    made.expect(name, "CHANGE_OUT" if final else "CHANGE_OUT GAP", first, last)
    made.expect(name, "FROM_FIRST_COUNT GAP", first, last)


@event(start=True, unit=None)
def _removed_for_some_days(made: Draft, at: int) -> None:
    """The meter is taken out, with its last count noted or not, and another is put in days later, both noted to the
    minute. The well stands.
    """
    first, last = silence(made, at, length(made, at, 12), "none")
    made.pumping(first, last, 0)
    out, back = between(made, first + 1), between(made, last - 2)
    final = FaceCount(Total.exact(standing(made, out)), made.scale) if made.chance.random() < 1 / 2 else None
    new_face(made, back, 12)
    removed = Installed("removed", out, None, "A-1", made.scale, change=Change.REMOVED, final=final)
    made.installed += [removed, Installed("again", back, 12, "B-2", made.scale)]
    name = "removed for some days"
    if final:
        made.expect(name, "TO_FINAL_COUNT", first, last, times=(0, 1))
        made.expect(name, "TO_FINAL_COUNT GAP", first, last, times=(0, 1))
    made.expect(name, "CHANGE_OUT", first, last, times=(0, 1))
    made.expect(name, "CHANGE_OUT GAP", first, last, times=(0, 1))
    made.expect(name, "FROM_FIRST_COUNT", first, last, times=(0, 1))
    made.expect(name, "FROM_FIRST_COUNT GAP", first, last, times=(0, 1))

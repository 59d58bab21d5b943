"""Events put into a month, each with the name that the ledger must give it. Nothing of the ledger says what they are.

An event is planted at a poll, by number. `NEEDS` says what the whole month must be for it; two events go into one month
where their needs agree.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from tallywell.readings.quantities import (
    STARTED,
    STOPPED,
    UNCLEAN_END,
    Change,
    FaceCount,
    Installed,
    Season,
    Settled,
)
from tallywell.readings.total import Total
from tests.ledger.months import LONGEST_DAYS, Boot, Draft, Month, draft, finished
from tests.ledger.water import DAY, HOUR, MINUTE, SECOND, Face

Plant = Callable[[Draft, int], None]
SURE_FLOW: dict[str, Any] = {"has_flow": True, "unit": None}
BY_HAND = 14 * MINUTE  # how far off a person's time may be here


@dataclass(frozen=True)
class Event:
    """`needs`: what the draft must be. `edge`: may lie over an edge of the month. `start`: it says where the face
    begins, or where it stands afterwards.
    """

    name: str
    plant: Plant
    needs: dict[str, Any]
    edge: bool = False
    start: bool = False


EVENTS: dict[str, Event] = {}


def event(*, edge: bool = False, start: bool = False, **needs: Any) -> Callable[[Plant], Plant]:
    def known(plant: Plant) -> Plant:
        name = plant.__name__.removeprefix("_").replace("_", " ")
        EVENTS[name] = Event(name, plant, needs, edge, start)
        return plant

    return known


def month(seed: int, names: tuple[str, ...] | None = None) -> Month:
    """The month of a seed: clean, or with one or two events, which `names` may choose."""
    chosen = chosen_for(seed) if names is None else names
    made = draft(f"month {seed}", {what: value for name in chosen for what, value in EVENTS[name].needs.items()})
    made.installed.append(Installed("first", made.polls[0] - HOUR, None, "A-1", made.scale))
    for place, name in enumerate(chosen):
        EVENTS[name].plant(made, _site(made, place, edge=EVENTS[name].edge))
    return finished(made, chosen)


def chosen_for(seed: int) -> tuple[str, ...]:
    """One of five months is clean; in the others each event has its turn, and every other one gets a second."""
    if seed % 5 == 0:
        return ()
    chance, names = random.Random(seed), sorted(EVENTS)
    first = names[seed % len(names)]
    others = [name for name in names if _agree(EVENTS[first], EVENTS[name])]
    return (first, chance.choice(others)) if others and chance.random() < 1 / 2 else (first,)


def _agree(one: Event, other: Event) -> bool:
    clash = any(other.needs.get(what, value) != value for what, value in one.needs.items())
    alone = one.needs.get("alone") or other.needs.get("alone")
    return one.name != other.name and not alone and not clash and not (one.start and other.start)


def _site(made: Draft, place: int, *, edge: bool) -> int:
    """The first in the first half of the month, the second in the second; now and then over an edge of the month."""
    chance, (begin, end) = made.chance, (made.edges[0], made.edges[-1])
    if edge and chance.random() < 1 / 3:
        at = (begin, end)[place] - chance.randint(MINUTE, 2 * DAY)
    else:
        at = begin + (3 + 14 * place) * DAY + chance.randint(0, 5 * DAY)
    return made.poll_at(at)


def _length(made: Draft, at: int, least: int, most_ms: int = LONGEST_DAYS * DAY) -> int:
    """Polls, few or many alike, so that the record does not end before."""
    most = max(least, min(most_ms // made.every, len(made.polls) - at - 20))
    return min(most, int(least * (most / least) ** made.chance.random()))


def _silence(made: Draft, at: int, polls: int, fault: str) -> tuple[int, int]:
    """No poll comes; the last before it and the first after it, by number."""
    first, last = at, at + polls + 1
    made.fates |= dict.fromkeys(range(first + 1, last), fault)
    made.keep_free(first, last)
    return first, last


def _between(made: Draft, n: int) -> int:
    """An instant between a poll and the next, at an odd second."""
    return made.chance.randint(made.polls[n] + 6 * SECOND, made.polls[n + 1] - 6 * SECOND)


def _stands(made: Draft, ms: int) -> int:
    """Where the totalizer stands, in whole counts, gone round or not."""
    meter = made.meter()
    since, start = made.polls[0] - DAY, made.start
    return int(start + (meter.counted.volume(ms) - meter.counted.volume(since)) / made.one) % made.capacity


# --- what the two readings alone tell


@event(start=True)
def _rollover(made: Draft, at: int) -> None:
    made.pumping(at, at + 1)
    made.keep_free(at, at + 1)
    made.start = 0
    made.start = made.capacity - _stands(made, _between(made, at))
    made.expect("rollover", "METERED", at, at + 1, rollovers=1)


@event(edge=True)
def _gap_of_the_line(made: Draft, at: int) -> None:
    """The adapter is away; the meter has its power and counts on."""
    first, last = _silence(made, at, _length(made, at, 3), "port_lost")
    made.expect("gap of the line", "ACROSS_GAP GAP", first, last)


@event(edge=True)
def _program_stopped(made: Draft, at: int) -> None:
    first, last = _silence(made, at, _length(made, at, 3), "none")
    stopped, started = made.polls[first] + made.every // 3, made.polls[last] - 10 * SECOND
    if made.chance.random() < 1 / 2:
        made.happened += [(stopped, STOPPED), (started, STARTED)]
    else:
        made.happened.append((stopped, STOPPED))
        made.boots.append(Boot(started, (STARTED,)))
    made.expect("program stopped", "ACROSS_GAP GAP", first, last)


def _unpowered(made: Draft, at: int, event: str, *, counts: bool) -> None:
    """The meter has no power, or meter and logger have none; the pump may run all the same."""
    both = made.chance.random() < 1 / 3
    first, last = _silence(made, at, _length(made, at, 3), "none" if both else "no_answer")
    if both:
        made.boots.append(Boot(made.polls[last] - 10 * SECOND, (UNCLEAN_END,)))
    if made.chance.random() < 2 / 3:
        made.pumping(first, (first + last) // 2)
    if not counts:
        made.uncounted.append((_between(made, first), _between(made, last - 1)))
    made.expect(event, "LOWER_BOUND GAP POWER_UNSURE" if made.may_stop else "ACROSS_GAP GAP", first, last)


@event(edge=True, may_stop=False)
def _power_lost_and_counting(made: Draft, at: int) -> None:
    _unpowered(made, at, "power lost and counting", counts=True)


@event(edge=True, may_stop=True)
def _power_lost_and_not_counting(made: Draft, at: int) -> None:
    _unpowered(made, at, "power lost and not counting", counts=False)


@event(edge=True, may_stop=True)
def _power_lost_and_nobody_knows(made: Draft, at: int) -> None:
    _unpowered(made, at, "power lost and nobody knows", counts=made.chance.random() < 1 / 2)


@event(tears=False)
def _glitch(made: Draft, at: int) -> None:
    """One reading far from where the totalizer can be, to either side."""
    made.keep_free(at, at)
    stands, room = _stands(made, made.polls[at]), int(3 * made.possible * 4 * made.every / made.one) + 1000
    low, high = stands - room, stands + room
    places = [(0, low), (high, made.capacity - room), (made.capacity + 1, 2 * made.capacity)]
    place = made.chance.choice([one for one in places if one[0] < one[1]])
    count = made.chance.randint(*place)
    made.instead[at] = Total.exact(count)
    made.expect("glitch", "GLITCH BEYOND_CAPACITY" if count > made.capacity else "GLITCH", at, at)
    made.expect("glitch", "METERED GLITCH_INSIDE", at - 1, at + 1)


@event(start=True, unit=None, tears=True, one=Fraction(10**12), every=15 * MINUTE)
def _torn(made: Draft, at: int) -> None:
    """The upper word is of before or after a carry that the lower one has not seen, or has."""
    made.keep_free(at, at)
    made.pumping(at - 1, at + 1)
    made.start = 0
    carry = _stands(made, made.polls[at]) + 7
    made.start = made.capacity // 3 // 65_536 * 65_536 + 65_536 - carry % 65_536
    made.instead[at] = Total.exact(_stands(made, made.polls[at]) + made.chance.choice([-1, 1]) * 65_536)
    made.expect("torn", "TORN", at, at)
    made.expect("torn", "METERED GLITCH_INSIDE", at - 1, at + 1)


@event(**SURE_FLOW)
def _frozen(made: Draft, at: int) -> None:
    """A gateway answers from its memory while the meter counts on."""
    first, last = at, at + _length(made, at, 12, 2 * DAY)
    made.frozen.append((first, last - 1))
    made.pumping(first - 4, last + 4)
    made.keep_free(first, last)
    made.expect("frozen", "ACROSS_GAP GAP FROZEN", first, last)


@event(**SURE_FLOW)
def _frozen_and_not_counting(made: Draft, at: int) -> None:
    """The meter itself hangs: it sends the same words, does not count, and then goes on from there."""
    first, last = at, at + _length(made, at, 12, 2 * DAY)
    made.frozen.append((first, last - 1))
    made.pumping(first - 4, last + 4)
    made.uncounted.append((made.polls[first], made.polls[last - 1] + made.every // 2))
    made.keep_free(first, last)
    made.expect("frozen and not counting", "QUESTION GAP FROZEN", first, last)


# --- what begins a new segment


def _new_face(made: Draft, ms: int, start: int) -> None:
    made.faces.append(Face(ms, start))


@event(start=True)
def _reset(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    _new_face(made, _between(made, at), 0)
    made.expect("reset", "RESET", at, at + 1)


@event(start=True)
def _reset_entered(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    ms = _between(made, at)
    _new_face(made, ms, 0)
    made.installed.append(Installed("reset", _noted(made, ms), 0, "A-1", made.scale, change=Change.RESET))
    made.expect("reset entered", "RESET", at, at + 1)
    made.expect("reset entered", "FROM_FIRST_COUNT", at, at + 1)


def _noted(made: Draft, ms: int) -> int:
    """When a person says that it was."""
    return ms + made.chance.randint(-BY_HAND, BY_HAND)


@event(start=True, unit=None)
def _change_out(made: Draft, at: int) -> None:
    """Two readings apart at most; the pump stands while the pipe is open."""
    made.keep_free(at, at + 1)
    made.pumping(at, at + 1, 0)
    ms, start = _between(made, at), made.chance.choice([0, 12, made.capacity // 7])
    final = FaceCount(Total.exact(_stands(made, ms)), made.scale) if made.chance.random() < 1 / 2 else None
    _new_face(made, ms, start)
    entry = Installed("changed", _noted(made, ms), start, "B-2", made.scale, change=Change.CHANGED, final=final)
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
    stands, start = _stands(made, made.polls[at]), made.capacity // 4 if lower else made.capacity * 3 // 4
    assert made.capacity // 3 <= stands <= made.capacity * 2 // 3
    _new_face(made, _between(made, at), start)
    kind = "UNEXPLAINED_DECREASE" if lower else "IMPOSSIBLE_STEP"
    made.expect("replaced without a word", kind, at, at + 1)


@event(start=True)
def _another_serial_number(made: Draft, at: int) -> None:
    made.keep_free(at, at + 1)
    _new_face(made, _between(made, at), made.capacity // 4)
    made.serials += [(1, "A-1"), (at + 1, "C-3")]
    made.expect("another serial number", "CHANGE_OUT OTHER_SERIAL", at, at + 1)


# --- what the meter says, and what nobody expects


def _by_its_status(made: Draft, at: int, attribute: str, name: str) -> tuple[int, int]:
    first, last = at, at + _length(made, at, 4, 2 * DAY)
    begin, end = _between(made, first), _between(made, last - 1)
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


@event(edge=True)
def _season(made: Draft, at: int) -> None:
    """Shut down and started up again; the logger is switched off in between. Nobody pumped, or somebody did."""
    first, last = _silence(made, at, _length(made, at, 12), "none")
    made.pumping(first - 1, last + 1, 0)
    if made.chance.random() < 1 / 2:
        made.pumping((first + last) // 2, (first + last) // 2 + 2)
    begin, end = made.polls[first] + made.every // 2, made.polls[last] - made.every // 2
    made.seasons.append(Season("season", begin, end))
    made.expect("season", "SHUT_DOWN", first, last)


@event(edge=True)
def _undated_boot(made: Draft, at: int) -> None:
    """The logger starts without a clock, and is dated again only by its next boot."""
    first, last = at, at + _length(made, at, 4, 3 * DAY)
    made.keep_free(first, last)
    unclean = made.chance.random() < 1 / 2
    news = (UNCLEAN_END,) if unclean else (STOPPED, STARTED)
    made.boots.append(Boot(made.polls[first] + made.every // 3, news, undated=True))
    made.boots.append(Boot(made.polls[last] - made.every // 3, news))
    doubt = unclean and made.may_stop
    kind = "LOWER_BOUND POWER_UNSURE" if doubt else "ACROSS_GAP"
    made.expect("undated boot", f"{kind} GAP UNDATED_INSIDE", first, last)


# --- the flow rate against the total


@event(**SURE_FLOW)
def _stuck_totalizer(made: Draft, at: int) -> None:
    first, last = at, at + _length(made, at, 24, 2 * DAY)
    made.uncounted.append((_between(made, first), _between(made, last - 1)))
    made.pumping(first - 2, last + 2)
    made.keep_free(first, last)
    made.expect("stuck totalizer", "FLOW_UNCOUNTED", first, last, times=(last - first - 3, last - first))


@event(**SURE_FLOW)
def _dead_flow_sensor(made: Draft, at: int) -> None:
    first, last = at, at + _length(made, at, 24, 2 * DAY)
    made.unshown.append((_between(made, first), _between(made, last - 1)))
    made.pumping(first - 2, last + 2)
    made.keep_free(first, last)
    made.expect("dead flow sensor", "COUNTED_WITHOUT_FLOW", first, last, times=(last - first - 3, last - first))


# --- what runs back, and registers too short for their silences


@event(start=True, net=True)
def _back_flow(made: Draft, at: int) -> None:
    """A total that takes reverse from forward flow: the column runs back through a check valve that leaks."""
    first, last = at, at + _length(made, at, 4, DAY)
    made.pumping(first, last, -made.pump // 10)
    made.keep_free(first, last)
    made.expect("back flow", "METERED REVERSE", first, last + 1, times=(0, last - first + 1))


def _short(made: Draft, at: int, rounds: Fraction, fault: str, *, pumping: bool = True) -> tuple[int, int]:
    """A silence of one or two days, in which the face goes round so often at the pump's rate. It stands at a fifth
    before. Between neighbouring polls it still cannot go round unseen.
    """
    made.possible = made.pump * 3 // 2
    polls = max(4, made.chance.randint(24, 48) * HOUR // made.every)
    first, last = _silence(made, at, polls, fault)
    made.pumping(first, last, made.pump if pumping else made.pump // 50)
    made.capacity = int(made.pump * (polls + 1) * made.every / made.one / rounds)
    made.start = 0
    made.start = (made.capacity // 5 - _stands(made, made.polls[first])) % made.capacity
    made.natural_rollovers = True
    return first, last


@event(alone=True, start=True, unit=None)
def _several_rounds(made: Draft, at: int) -> None:
    first, last = _short(made, at, Fraction(made.chance.randint(200, 290), 100), "port_lost")
    fell = _stands(made, made.polls[last]) < _stands(made, made.polls[first])
    name = "QUESTION GAP SEVERAL_ROUNDS" + " RESET_FITS" * fell
    made.expect("several rounds", name, first, last, rollovers=int(fell))


@event(alone=True, start=True, unit=None)
def _several_rounds_and_an_answer(made: Draft, at: int) -> None:
    first, last = _short(made, at, Fraction(made.chance.randint(200, 290), 100), "port_lost")
    rounds = _rounds(made, first, last)
    about = made.polls[first] + (made.polls[last] - made.polls[first]) // 2
    made.settled.append(Settled("answer", about, rounds))
    made.expect("several rounds and an answer", "ACROSS_GAP GAP SETTLED", first, last, rollovers=rounds)


@event(alone=True, start=True, every=15 * MINUTE, half_ms=200, **SURE_FLOW)
def _one_round_by_the_flow_rate(made: Draft, at: int) -> None:
    """The total did not come, the flow rate did, all the way across."""
    first, last = _short(made, at, Fraction(6, 5), "no_value")
    made.flow_alone.append((first, last))
    made.expect("one round by the flow rate", "ACROSS_GAP GAP SETTLED", first, last, rollovers=1)


@event(alone=True, start=True, unit=None)
def _hand_reading_in_a_silence(made: Draft, at: int) -> None:
    """The face could have gone round once; a person read it half way, and in neither half it could."""
    first, last = _short(made, at, Fraction(7, 8), "port_lost", pumping=False)
    about = (made.polls[first] + made.polls[last]) // 2
    made.hands.append((about, Total.exact(_stands(made, about))))
    made.expect("hand reading in a silence", "ACROSS_GAP GAP SETTLED", first, last)


def _rounds(made: Draft, first: int, last: int) -> int:
    meter = made.meter()
    counted = [int(made.start + meter.counted.volume(made.polls[n]) / made.one) for n in (first, last)]
    before = int(meter.counted.volume(made.polls[0] - DAY) / made.one)
    old, new = ((one - before) // made.capacity for one in counted)
    return new - old

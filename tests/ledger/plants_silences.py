"""Silences: of the line, of the program, of the meter, of a season; and registers too short for theirs."""

from fractions import Fraction

from tallywell.readings.quantities import (
    STARTED,
    STOPPED,
    UNCLEAN_END,
    FaceCount,
    Season,
    Settled,
)
from tallywell.readings.total import Total
from tests.ledger.months import Boot, Draft
from tests.ledger.plants import SURE_FLOW, between, event, length, silence, standing
from tests.ledger.water import DAY, HOUR, MINUTE, SECOND


@event(edge=True)
def _gap_of_the_line(made: Draft, at: int) -> None:
    """The adapter is away; the meter has its power and counts on."""
    first, last = silence(made, at, length(made, at, 3), "port_lost")
    made.expect("gap of the line", "ACROSS_GAP GAP", first, last)


@event(edge=True)
def _program_stopped(made: Draft, at: int) -> None:
    first, last = silence(made, at, length(made, at, 3), "none")
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
    first, last = silence(made, at, length(made, at, 3), "none" if both else "no_answer")
    if both:
        made.boots.append(Boot(made.polls[last] - 10 * SECOND, (UNCLEAN_END,)))
    if made.chance.random() < 2 / 3:
        made.pumping(first, (first + last) // 2)
    if not counts:
        made.uncounted.append((between(made, first), between(made, last - 1)))
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


@event(edge=True)
def _season(made: Draft, at: int) -> None:
    """Shut down and started up again; the logger is switched off in between. Nobody pumped, or somebody did."""
    first, last = silence(made, at, length(made, at, 12), "none")
    made.pumping(first - 1, last + 1, 0)
    if made.chance.random() < 1 / 2:
        made.pumping((first + last) // 2, (first + last) // 2 + 2)
    begin, end = made.polls[first] + made.every // 2, made.polls[last] - made.every // 2
    made.seasons.append(Season("season", begin, end))
    made.expect("season", "SHUT_DOWN", first, last)


@event(edge=True)
def _undated_boot(made: Draft, at: int) -> None:
    """The logger starts without a clock, and is dated again only by its next boot."""
    first, last = at, at + length(made, at, 4, 3 * DAY)
    made.keep_free(first, last)
    unclean = made.chance.random() < 1 / 2
    news = (UNCLEAN_END,) if unclean else (STOPPED, STARTED)
    made.boots.append(Boot(made.polls[first] + made.every // 3, news, undated=True))
    made.boots.append(Boot(made.polls[last] - made.every // 3, news))
    doubt = unclean and made.may_stop
    kind = "LOWER_BOUND POWER_UNSURE" if doubt else "ACROSS_GAP"
    made.expect("undated boot", f"{kind} GAP UNDATED_INSIDE", first, last)


def _short(made: Draft, at: int, rounds: Fraction, fault: str, *, pumping: bool = True) -> tuple[int, int]:
    """A silence of one or two days, in which the face goes round so often at the pump's rate. It stands at a fifth
    before. Between neighbouring polls it still cannot go round unseen.
    """
    made.possible = made.pump * 3 // 2
    polls = max(4, made.chance.randint(24, 48) * HOUR // made.every)
    first, last = silence(made, at, polls, fault)
    made.pumping(first, last, made.pump if pumping else made.pump // 50)
    made.capacity = int(made.pump * (polls + 1) * made.every / made.one / rounds)
    made.start = 0
    made.start = (made.capacity // 5 - standing(made, made.polls[first])) % made.capacity
    made.natural_rollovers = True
    return first, last


@event(alone=True, start=True, unit=None)
def _several_rounds(made: Draft, at: int) -> None:
    first, last = _short(made, at, Fraction(made.chance.randint(200, 290), 100), "port_lost")
    fell = standing(made, made.polls[last]) < standing(made, made.polls[first])
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
    made.hands.append((about, Total.exact(standing(made, about))))
    made.expect("hand reading in a silence", "ACROSS_GAP GAP SETTLED", first, last)


def _rounds(made: Draft, first: int, last: int) -> int:
    meter = made.meter()
    counted = [int(made.start + meter.counted.volume(made.polls[n]) / made.one) for n in (first, last)]
    before = int(meter.counted.volume(made.polls[0] - DAY) / made.one)
    old, new = ((one - before) // made.capacity for one in counted)
    return new - old


@event(alone=True, start=True, unit=None)
def _gap_with_a_rollover(made: Draft, at: int) -> None:
    """Once round, and no room for twice. Of a wide face chance would seldom bring a reset to where it stands; of a
    narrow one it might.
    """
    first, last = silence(made, at, length(made, at, 6, 2 * DAY), "port_lost")
    made.pumping(first, last)
    room = int(made.possible * (made.polls[last] - made.polls[first]) / made.one)
    wide = made.chance.random() < 1 / 2
    made.capacity, made.start = room * (1000 if wide else 20), 0
    middle = between(made, (first + last) // 2)
    made.start = made.capacity - standing(made, middle)
    made.natural_rollovers = True
    name = "ACROSS_GAP GAP" if wide else "QUESTION GAP RESET_FITS"
    made.expect("gap with a rollover", name, first, last, rollovers=1)


@event(edge=True, unit=None)
def _season_with_what_the_face_showed(made: Draft, at: int) -> None:
    """The face was noted when the season was shut down and when it was started up; nobody pumped, or somebody did."""
    first, last = silence(made, at, length(made, at, 12), "none")
    made.pumping(first - 1, last + 1, 0)
    if made.chance.random() < 1 / 2:
        made.pumping((first + last) // 2, (first + last) // 2 + 2)
    begin, end = made.polls[first] + made.every // 2, made.polls[last] - made.every // 2
    shut, started = (FaceCount(Total.exact(standing(made, ms)), made.scale) for ms in (begin, end))
    made.seasons.append(Season("season", begin, end, shut, started))
    made.expect("season with what the face showed", "SHUT_DOWN", first, last)

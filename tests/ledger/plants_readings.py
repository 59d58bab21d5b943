"""Readings that go round, run back, or are no evidence."""

from fractions import Fraction

from tallywell.readings.total import Total
from tests.ledger.months import Draft
from tests.ledger.plants import SURE_FLOW, between, event, length, standing
from tests.ledger.water import DAY, MINUTE


@event(start=True)
def _rollover(made: Draft, at: int) -> None:
    made.pumping(at, at + 1)
    made.keep_free(at, at + 1)
    made.start = 0
    made.start = made.capacity - standing(made, between(made, at))
    made.natural_rollovers = True


@event(tears=False)
def _glitch(made: Draft, at: int) -> None:
    """One reading far from where the totalizer can be, to either side."""
    made.keep_free(at, at)
    stands, room = standing(made, made.polls[at]), int(3 * made.possible * 4 * made.every / made.one) + 1000
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
    carry = standing(made, made.polls[at]) + 7
    made.start = made.capacity // 3 // 65_536 * 65_536 + 65_536 - carry % 65_536
    made.instead[at] = Total.exact(standing(made, made.polls[at]) + made.chance.choice([-1, 1]) * 65_536)
    made.expect("torn", "TORN", at, at)
    made.expect("torn", "METERED GLITCH_INSIDE", at - 1, at + 1)


@event(**SURE_FLOW)
def _frozen(made: Draft, at: int) -> None:
    """A gateway answers from its memory while the meter counts on."""
    first, last = at, at + length(made, at, 12, 2 * DAY)
    made.frozen.append((first, last - 1))
    made.pumping(first - 4, last + 4)
    made.keep_free(first, last)
    made.expect("frozen", "ACROSS_GAP GAP FROZEN", first - 1, last)


@event(**SURE_FLOW)
def _frozen_and_not_counting(made: Draft, at: int) -> None:
    """The meter itself hangs: it sends the same words, does not count, and then goes on from there."""
    first, last = at, at + length(made, at, 12, 2 * DAY)
    made.frozen.append((first, last - 1))
    made.pumping(first - 4, last + 4)
    made.uncounted.append((made.polls[first], made.polls[last - 1] + made.every // 2))
    made.keep_free(first, last)
    # Where the counts are coarse, the words may be the same a poll before and behind, too.
    made.expect("frozen and not counting", "QUESTION GAP FROZEN", first - 1, last + 1)


@event(start=True, net=True)
def _back_flow(made: Draft, at: int) -> None:
    """A total that takes reverse from forward flow: the column runs back through a check valve that leaks."""
    first, last = at, at + length(made, at, 4, DAY)
    made.pumping(first, last, -made.pump // 10)
    made.keep_free(first, last)
    made.expect("back flow", "METERED REVERSE", first, last + 1, times=(0, last - first + 1))


@event(tears=False)
def _two_glitches(made: Draft, at: int) -> None:
    """One wild reading after another, and each from elsewhere."""
    made.keep_free(at, at + 1)
    stands, room = standing(made, made.polls[at]), int(3 * made.possible * 5 * made.every / made.one) + 1000
    made.instead[at] = Total.exact(made.chance.randint(stands + room, made.capacity - 1))
    made.instead[at + 1] = Total.exact(made.chance.randint(0, stands - room))
    made.expect("two glitches", "GLITCH", at, at + 1, times=(2, 2))
    made.expect("two glitches", "ACROSS_GAP GAP GLITCH_INSIDE", at - 1, at + 2)

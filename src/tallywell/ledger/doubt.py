"""What two readings alone cannot say: whether the meter counted, and which of several explanations holds.

A *question* (see `judge`) is settled where one explanation is proved: by a person's answer; by hand readings inside the
interval, each stretch between them having one explanation only; or by the flow rate of polls whose total did not come,
read all the way across, where its integral is nearer to one explanation than a quarter of the capacity. (Where a reset
fits too, the integral must be as near as chance seldom brings a reset.) Nothing else settles it: it stays a question.

*Power*: a gap in which polls got no answer, or the program ended as in a power cut, may be one of the meter's own
supply. Unless the meter counts without it, the counts across are a lower bound. A dead supply of a meter beside a
running pump is the commonest under-report (common practice, no source).

*Status*: a condition at either reading by which the meter says that it does not count, or is not to be trusted, holds
for an unknown part of the interval. A run signal of its own that says at both ends that the pump stands closes the
bounds again; a flow rate of the same meter does not.
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from tallywell.ledger.inside import Flowed, Inside
from tallywell.ledger.intervals import Flag, Kind, utc_ms
from tallywell.ledger.judge import CHANCE, Explained, allowed, elapsed_ms, gap_limit_ms
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import HandReading, Reading, Scale, Settled
from tallywell.readings.total import Total

BY_HAND_MS = 15 * 60_000  # how far off the time may be that a person notes
RATE_AND_TOTAL = Fraction(1, 10)  # by so much of the volume a flow rate and the total beside it may differ
KEPT = frozenset({Kind.QUESTION, Kind.SHUT_DOWN})  # what says more than any doubt of power or status
UNSETTLED = frozenset({Flag.SEVERAL_ROUNDS, Flag.RESET_FITS})


@dataclass(frozen=True, slots=True)
class Asked:
    """Two readings that fit one another, the total that the books stand at, and what lay between them."""

    rules: Rules
    old: Reading
    book: Total
    new: Reading
    inside: Inside
    settled: tuple[Settled, ...] = ()

    def after(self, rounds: int) -> int:
        """The counts that flowed, had the totalizer gone round so often."""
        return self.new.total.count - self.book.count + rounds * self.new.scale.capacity


def is_plain(old: Reading, new: Reading, found: Explained) -> bool:
    """Whether nothing beside the two readings can matter: nearly always, so it costs little to say."""
    told = old.not_counting or old.suspect or new.not_counting or new.suspect
    return found.kind is Kind.METERED and not told


def doubted(asked: Asked, found: Explained) -> Explained:
    """The explanation with all that is known beside the two readings."""
    if found.kind is Kind.QUESTION and not asked.rules.net:
        found = _settled(asked, found)
    return _by_status(asked, _unpowered(asked, found))


# --- which explanation holds


def _settled(asked: Asked, found: Explained) -> Explained:
    for rounds in (_answered(asked), _by_hand(asked), _by_flow(asked, found)):
        if rounds is not None:
            return _gone_round(asked, found, rounds)
    return found


def _gone_round(asked: Asked, found: Explained, rounds: int) -> Explained:
    new, book, shift = asked.new.total, asked.book, rounds * asked.new.scale.capacity
    flags = (found.flags - UNSETTLED) | {Flag.SETTLED}
    kind = Kind.ACROSS_GAP if Flag.GAP in flags else Kind.METERED
    kind = Kind.SHUT_DOWN if Flag.SEASON_INSIDE in flags else kind
    posted, low, high = max(0, asked.after(rounds)), max(0, new.low - book.high + shift), new.high - book.low + shift
    return Explained(kind, found.book, posted, low, max(posted, high), rounds, flags)


def _answered(asked: Asked) -> int | None:
    """What a person stated of a moment inside; the last word holds, if the pipe can have passed so much."""
    begin, end = utc_ms(asked.old), utc_ms(asked.new)
    said = [one.rollovers for one in asked.settled if begin < one.about_ms <= end]
    most = allowed(asked.rules, asked.old, asked.new)
    return said[-1] if said and 0 <= asked.after(said[-1]) <= most else None


def _by_hand(asked: Asked) -> int | None:
    """Rounds in all, where every stretch between hand readings has one explanation only."""
    scale, begin, end = asked.new.scale, utc_ms(asked.old), utc_ms(asked.new)
    hands = [one for one in asked.inside.hand if begin < one.about_ms < end and _goes_as_far(one, scale)]
    if not hands:
        return None
    points = [(begin, asked.book), *((one.about_ms, in_scale(one, scale)) for one in hands), (end, asked.new.total)]
    rounds = [_only_rounds(asked.rules, scale, old, new) for old, new in pairwise(points)]
    return None if None in rounds else sum(one for one in rounds if one is not None)


def _only_rounds(rules: Rules, scale: Scale, begin: tuple[int, Total], end: tuple[int, Total]) -> int | None:
    """How often it went round between two counts (UTC ms, total), where nothing else is possible."""
    (old_ms, old), (new_ms, new) = begin, end
    room = rules.most(scale, new_ms - old_ms + BY_HAND_MS)
    rounds = 1 if new.high < old.low else 0
    least = max(0, new.low - old.high + rounds * scale.capacity)
    by_chance = rounds and room * CHANCE > scale.capacity
    return None if least > room or (room - least) // scale.capacity or by_chance else rounds


def _goes_as_far(hand: HandReading, scale: Scale) -> bool:
    """A face that goes round earlier than the register does not tell where the register stands."""
    return hand.capacity is None or hand.capacity >= scale.capacity


def in_scale(hand: HandReading, scale: Scale) -> Total:
    """The face's total in the counts of the readings around it, where the register stands at it."""
    own = hand.total if hand.scale is None else hand.total * (hand.scale.one_count_m3 / scale.one_count_m3)
    past = own.count // scale.capacity * scale.capacity
    return Total(own.count - past, own.low - past, own.high - past)


def _by_flow(asked: Asked, found: Explained) -> int | None:
    """Rounds, where the flow rate was read all the way across and only one number of them goes with it."""
    flowed, scale = _all_the_way(asked), asked.new.scale
    if flowed is None:
        return None
    one, capacity = scale.one_count_m3 * 1000, scale.capacity
    expected = flowed.double_m3_s / 2 / one
    slack = expected * RATE_AND_TOTAL + flowed.greatest_m3s * 2 * asked.rules.every_ms / one + 1
    if slack * 4 > capacity or (Flag.RESET_FITS in found.flags and slack * 2 * CHANCE > capacity):
        return None
    room = allowed(asked.rules, asked.old, asked.new)
    rounds = (n for n in range(found.rollovers, room // capacity + 2) if asked.after(n) <= room)
    fit = [n for n in rounds if abs(asked.after(n) - expected) <= slack]
    return fit[0] if len(fit) == 1 else None


def _all_the_way(asked: Asked) -> Flowed | None:
    """The flow rate from one reading to the other; None where there is a gap in it, or water ran back."""
    flowed = asked.inside.flowed
    ends = [_at(one) for one in (asked.old, asked.new)]
    if flowed is None or ends[0] is None or ends[1] is None or flowed.first_m3s < 0:
        return None
    whole = ends[0] + flowed + ends[1]
    return whole if whole.longest_ms <= gap_limit_ms(asked.rules) else None


def _at(reading: Reading) -> Flowed | None:
    when, flow = reading.when, reading.flow_m3s
    return None if flow is None else Flowed(when, flow, when, flow, greatest_m3s=flow)


# --- whether it counted


def _unpowered(asked: Asked, found: Explained) -> Explained:
    if Flag.GAP not in found.flags or not asked.rules.may_stop_unpowered or not asked.inside.maybe_unpowered:
        return found
    room = allowed(asked.rules, asked.old, asked.new)
    low, high = min(found.low, -room) if asked.rules.net else found.low, max(found.high, room)
    kind = found.kind if found.kind in KEPT else Kind.LOWER_BOUND
    return replace(found, kind=kind, low=low, high=high, flags=found.flags | {Flag.POWER_UNSURE})


def _by_status(asked: Asked, found: Explained) -> Explained:
    ends = asked.old, asked.new
    suspect = any(one.suspect for one in ends)
    if not suspect and not any(one.not_counting for one in ends):
        return found
    low, high = found.low, found.high
    if suspect:  # what it counted may be no water at all
        low, high = min(low, 0), max(high, 0)
    if not _pump_stood(asked):
        room = allowed(asked.rules, *ends)
        low, high = min(low, -room) if asked.rules.net else low, max(high, room)
    kept = found.kind in (*KEPT, Kind.LOWER_BOUND)
    named = Kind.NOT_COUNTING if any(one.not_counting for one in ends) else Kind.SUSPECT
    return replace(found, kind=found.kind if kept else named, low=low, high=high)


def _pump_stood(asked: Asked) -> bool:
    """By a run signal of the pump's own, at both ends, between neighbouring polls."""
    near = elapsed_ms(asked.old, asked.new) <= gap_limit_ms(asked.rules)
    return asked.rules.run_signal and near and asked.old.running is False and asked.new.running is False

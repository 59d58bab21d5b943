"""Whether a reading can follow another on the same totalizer, and what then flowed. Two readings and the rules only.

A later reading *fits* an earlier one if the counts between them are at most what the possible rate allows in the time
between them (plus the age of a register when it is read, the uncertainty of the dates across boots, and one count that
two roundings can make). What fits, least first:

1. Not lower, or lower by less than the total's step: the difference (0 where lower), no rollover.
2. Lower: (new - old) mod capacity, one rollover.

The least explanation is the only one, and is posted as metered, unless
- one more whole capacity would also fit: then nobody can tell how often the totalizer went round; or
- it is a rollover across a gap, and the counts allowed are more than a hundredth of the capacity: then a reset could
  have landed there by chance as well. (Below that, or between neighbouring polls, the rollover is taken.)
In these two cases the least explanation is posted as a question to a person, with bounds that hold all of them:
downwards 0 where a reset fits, upwards as many rounds as fit.

A net total may fall as well: of the difference and one capacity more or less, what the possible rate allows either way;
where two of these do, it is a question.
"""

from dataclasses import dataclass
from itertools import pairwise

from tallywell.ledger.intervals import Flag, Kind, utc_ms
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading
from tallywell.readings.total import Total

CHANCE = 100  # a reset that looks like a rollover is taken for one in at most 1 of so many cases


@dataclass(frozen=True, slots=True)
class Explained:
    """What flowed between two readings, in counts; `book` is the total the books stand at afterwards."""

    kind: Kind
    book: Total
    posted: int
    low: int
    high: int
    rollovers: int
    flags: frozenset[Flag]


NO_FLAGS: frozenset[Flag] = frozenset()
ONLY_GAP = frozenset({Flag.GAP})
# Boots of the record are numbered from 0; these stand for what a person stated.
FIRST_COUNT_BOOT, FINAL_COUNT_BOOT, SEASON_BOOT = -1, -2, -3


def elapsed_ms(old: Reading, new: Reading) -> int:
    """By the boot clock within a boot of the record, else by date."""
    if old.when.boot == new.when.boot >= 0:
        return new.when.boot_ms - old.when.boot_ms
    return utc_ms(new) - utc_ms(old)


def gap_limit_ms(rules: Rules) -> int:
    """Twice `every`, and a tenth of it for the jitter of a poll's instant.

    One missed poll is no gap, two are one. Without the tenth a single miss would be a gap in 15 to 26 % of cases
    (measured over a month of 15-minute polls of three meters on a line), by a few milliseconds of turnaround.
    """
    return 2 * rules.every_ms + rules.every_ms // 10


def is_gap(rules: Rules, old: Reading, new: Reading) -> bool:
    return elapsed_ms(old, new) > gap_limit_ms(rules)


def allowed(rules: Rules, old: Reading, new: Reading) -> int:
    """The most counts of `old`'s scale that can have passed between two readings.

    Dates of two boots that contradict the order of the readings are off by at least as much as they overlap; as much
    again may have passed, and two polls' time for the start in between.
    """
    ms = elapsed_ms(old, new)
    if old.when.boot != new.when.boot:
        ms = ms if ms >= 0 else 2 * rules.every_ms - ms
        ms += old.when.within_ms + new.when.within_ms
    return rules.most(old.scale, ms)


def explain(rules: Rules, old: Reading, book: Total, new: Reading, room: int | None = None) -> Explained | None:
    """The least explanation of `new` after `old`, where the books stand at `book`; None if it does not fit.

    `room`: the most counts that can have passed, where more is known of it than the time between the two.
    """
    room = allowed(rules, old, new) if room is None else room
    if rules.net:
        return _net(rules, old, book, new, room)
    capacity, total = new.scale.capacity, new.total
    lower = total.count < book.count
    within_step = lower and total.high >= book.low
    rounds = 1 if lower and not within_step else 0
    least = max(0, total.low - book.high + rounds * capacity)
    most = max(0, total.high - book.low + rounds * capacity)
    if least > room:
        return None
    flags = ONLY_GAP if is_gap(rules, old, new) else NO_FLAGS
    if within_step:
        flags |= {Flag.WITHIN_STEP}
    posted = max(0, total.count - book.count + rounds * capacity)
    sure = Explained(_kind(old, new, flags), book if within_step else total, posted, least, most, rounds, flags)
    found = _questioned(sure, room, capacity)
    if old.scale.capacity != capacity and (rounds or found.kind is Kind.QUESTION):
        return None  # nobody can tell at which of the two it went round
    return found


def _net(rules: Rules, old: Reading, book: Total, new: Reading, room: int) -> Explained | None:
    capacity, total = new.scale.capacity, new.total
    plain, step = total.count - book.count, total.high - total.low + book.high - book.low
    shifts = [shift for shift in (0, capacity, -capacity) if abs(plain + shift) - step <= room]
    if not shifts:
        return None
    shift = min(shifts, key=lambda each: abs(plain + each))
    low, high = total.low - book.high + shift, total.high - book.low + shift
    flags = ONLY_GAP if is_gap(rules, old, new) else NO_FLAGS
    flags |= {Flag.REVERSE} if high < 0 else NO_FLAGS
    kind = _kind(old, new, flags)
    if len(shifts) > 1:
        kind, low, high, flags = Kind.QUESTION, min(low, -room), max(high, room), flags | {Flag.SEVERAL_ROUNDS}
    return Explained(kind, total, plain + shift, low, high, shift // capacity, flags)


def _kind(old: Reading, new: Reading, flags: frozenset[Flag]) -> Kind:
    if old.when.boot == FIRST_COUNT_BOOT:
        return Kind.FROM_FIRST_COUNT
    if new.when.boot == FINAL_COUNT_BOOT:
        return Kind.TO_FINAL_COUNT
    return Kind.ACROSS_GAP if Flag.GAP in flags else Kind.METERED


def _questioned(sure: Explained, room: int, capacity: int) -> Explained:
    """The same explanation, as a question where others fit too."""
    more_rounds = (room - sure.low) // capacity
    by_chance = Flag.GAP in sure.flags and room * CHANCE > capacity
    reset = sure.rollovers > 0 and (more_rounds > 0 or by_chance)
    if not more_rounds and not reset:
        return sure
    flags = (
        sure.flags | ({Flag.SEVERAL_ROUNDS} if more_rounds else NO_FLAGS) | ({Flag.RESET_FITS} if reset else NO_FLAGS)
    )
    low = 0 if reset else sure.low
    high = max(sure.high + more_rounds * capacity, room if reset else 0)
    return Explained(Kind.QUESTION, sure.book, sure.posted, low, high, sure.rollovers, flags)


def fit_together(rules: Rules, readings: tuple[Reading, ...]) -> bool:
    """Whether a fold may begin at these readings: each follows the one before it plainly, on one scale.

    From three such neighbours on (no good reading between them left out) a fold equals the fold from the record's
    beginning: the last of the three is its last good reading, whatever went before.
    """
    return all(_follows(rules, old, new) for old, new in pairwise(readings))


def _follows(rules: Rules, old: Reading, new: Reading) -> bool:
    if old.when.utc_ms is None or new.when.utc_ms is None or old.scale != new.scale:
        return False
    found = explain(rules, old, old.total, new)
    if found is None or found.kind is Kind.QUESTION or found.rollovers:
        return False
    return Flag.WITHIN_STEP not in found.flags

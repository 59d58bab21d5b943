"""What the ledger says of the stretch between two good readings: how many counts, how known, between which bounds.

A segment is one totalizer's life, from installation to removal or reset. Its law, in whole counts:
closing - opening + rollovers x capacity = sum of the postings.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Away, Cause, HandReading, Reading, Scale


class Kind(StrEnum):
    """How an interval's counts are known; the value is the trade's word for it, fit for a report."""

    METERED = "metered"
    ACROSS_GAP = "metered across a gap"
    FROM_FIRST_COUNT = "metered from the installation's first count"
    TO_FINAL_COUNT = "metered to the meter's final count"
    LOWER_BOUND = "lower bound, possibly unmetered"
    NOT_COUNTING = "not counting by the meter's own word"
    SUSPECT = "suspect by the meter's own word"
    FLOW_UNCOUNTED = "flow without counting"
    COUNTED_WITHOUT_FLOW = "counting without flow"
    SHUT_DOWN = "shut down for the season"
    RESET = "reset"
    QUESTION = "question to a person: more than one explanation fits"
    UNEXPLAINED_DECREASE = "unexplained decrease"
    IMPOSSIBLE_STEP = "impossible step"
    GLITCH = "glitch"
    TORN = "torn"
    FROZEN = "frozen"
    UNDECIDED = "not decided yet"
    SCALE_CHANGED = "scale changed"
    CHANGE_OUT = "change-out"


# The two readings alone bound the counts.
SURE = frozenset({Kind.METERED, Kind.ACROSS_GAP, Kind.FROM_FIRST_COUNT, Kind.TO_FINAL_COUNT})
# Counts that the books take, but whose own `low` and `high` bound what may have flowed.
DOUBTED = frozenset(
    {
        Kind.QUESTION,
        Kind.LOWER_BOUND,
        Kind.NOT_COUNTING,
        Kind.SUSPECT,
        Kind.FLOW_UNCOUNTED,
        Kind.COUNTED_WITHOUT_FLOW,
        Kind.SHUT_DOWN,
    }
)
POSTS = SURE | DOUBTED  # the kinds that put counts into the books; all others post 0
# Of one reading only: first is last, nothing is posted.
NOTES = frozenset({Kind.GLITCH, Kind.TORN, Kind.FROZEN, Kind.UNDECIDED})


class Flag(StrEnum):
    """What else is to be said of an interval, beside its kind."""

    GAP = "gap"
    TIME_UNCERTAIN = "time uncertain"
    UNDATED_INSIDE = "undated readings inside"
    GLITCH_INSIDE = "glitch set aside inside"
    FROZEN = "meter frozen inside"
    UNCONFIRMED = "segment not confirmed by an entry"
    NOT_ENTERED = "installation not entered"
    FIRST_COUNT_UNKNOWN = "first count not noted"
    SCALE_CHANGED = "scale changed"
    WITHIN_STEP = "lower by less than the total's step"
    SEVERAL_ROUNDS = "the totalizer may have gone round more often"
    BEYOND_CAPACITY = "count beyond the totalizer's capacity"
    RESET_FITS = "a reset fits as well"
    SETTLED = "settled by a person, a hand reading or the flow rate"
    SEASON_INSIDE = "shut down for a season inside"
    REVERSE = "water ran back"
    OTHER_SERIAL = "the meter gives another serial number"
    FINAL_UNFIT = "the final count does not follow from the last reading"
    FIRST_UNFIT = "the first count does not lead to the readings behind it"
    ENTRY_UNFIT = "the readings run on past an entry"
    POWER_UNSURE = "the meter may have been without power"


OF_SEGMENT = frozenset({Flag.UNCONFIRMED, Flag.NOT_ENTERED})  # on every interval of the segment, so no news of one


@dataclass(frozen=True, slots=True)
class Segment:
    """`id`: uuid of the installation's entry, else "seq N" of the first reading.

    `confirmed`: an entry stands behind it. `entered`: False only where no installation was entered before it at all.
    `withheld`: another serial number was read back and no entry explains it, so its counts balance by themselves and
    are not the well's until one does.
    """

    id: str
    confirmed: bool
    serial: str | None = None
    entered: bool = True
    withheld: bool = False

    @property
    def flags(self) -> frozenset[Flag]:
        if self.confirmed:
            return frozenset()
        return frozenset({Flag.UNCONFIRMED if self.entered else Flag.NOT_ENTERED})


@dataclass(frozen=True, slots=True)
class Interval:
    """From `first` to `last`, two consecutive good readings. All counts are whole counts of `scale`.

    `posted` is what the books take, `low` and `high` the bounds of what may have flowed. `opening` and `closing` are
    the segment's book counts: posted = closing - opening + rollovers x capacity in the kinds that post.
    An installation's first count stands as a reading of seq 0 and boot -1, dated at the entry's instant.
    A kind that ends a segment (decrease, impossible step, scale, change-out) posts 0 and bears the ended segment's id;
    its `high` is what the possible rate allows.
    `rules`: what bounds the flow inside; None where nothing is known of it.
    `missed`: missed polls inside by fault, sorted. `cause`: what happened inside, each name once, in order.
    `begin_ms`, `end_ms`: the dates of the two readings, kept here as every sum asks for them many times.
    """

    segment: Segment
    first: Reading
    last: Reading
    kind: Kind
    opening: int
    closing: int
    posted: int
    low: int
    high: int
    rollovers: int = 0
    flags: frozenset[Flag] = frozenset()
    missed: tuple[tuple[str, int], ...] = ()
    cause: tuple[Cause, ...] = ()
    hand: tuple[HandReading, ...] = ()
    rules: Rules | None = None
    begin_ms: int = field(init=False, repr=False, compare=False)
    end_ms: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "begin_ms", utc_ms(self.first))
        object.__setattr__(self, "end_ms", utc_ms(self.last))

    @property
    def scale(self) -> Scale:
        """The scale the posting is counted in: that of the reading that opens the interval."""
        return self.first.scale

    @property
    def volume_m3(self) -> Fraction:
        return self.posted * self.scale.one_count_m3

    @property
    def gap(self) -> bool:
        return Flag.GAP in self.flags

    @property
    def divides(self) -> bool:
        """Whether its counts may be divided at an edge inside it. Else they belong to neither side: unallocated."""
        return self.kind is not Kind.SHUT_DOWN and not self.flags & {Flag.UNDATED_INSIDE, Flag.SEASON_INSIDE}

    @property
    def plain(self) -> bool:
        """Nothing to report: metered between two neighbouring polls (a rollover is reported apart)."""
        return self.kind is Kind.METERED and self.flags <= OF_SEGMENT


def joined(causes: tuple[Cause, ...], later: tuple[Cause, ...]) -> tuple[Cause, ...]:
    """What happened, each name once, in order; how long the line was away is added up, so that a year stays small."""
    found: dict[str, Cause] = {}
    for cause in (*causes, *later):
        name = cause if isinstance(cause, str) else cause.name
        before = found.get(name)
        found[name] = before.then(cause) if isinstance(before, Away) and isinstance(cause, Away) else before or cause
    return tuple(found.values())


def utc_ms(reading: Reading) -> int:
    """The date of a posting point; the fold lets no undated reading become one."""
    assert reading.when.utc_ms is not None
    return reading.when.utc_ms

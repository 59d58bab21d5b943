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
    QUESTION = "question to a person: more than one explanation fits"
    UNEXPLAINED_DECREASE = "unexplained decrease"
    IMPOSSIBLE_STEP = "impossible step"
    GLITCH = "glitch"
    TORN = "torn"
    FROZEN = "frozen"
    UNDECIDED = "not decided yet"
    SCALE_CHANGED = "scale changed"
    CHANGE_OUT = "change-out"


SURE = frozenset({Kind.METERED, Kind.ACROSS_GAP, Kind.FROM_FIRST_COUNT})  # the two readings alone bound the counts
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


OF_SEGMENT = frozenset({Flag.UNCONFIRMED, Flag.NOT_ENTERED})  # on every interval of the segment, so no news of one


@dataclass(frozen=True, slots=True)
class Segment:
    """`id`: uuid of the installation's entry, else "seq N" of the first reading.

    `confirmed`: an entry stands behind it. `entered`: False only where no installation was entered before it at all.
    """

    id: str
    confirmed: bool
    serial: str | None = None
    entered: bool = True

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

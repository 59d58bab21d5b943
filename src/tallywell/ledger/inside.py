"""What lay between two posting points, counted by name so that an outage of a year stays small."""

from dataclasses import dataclass, replace
from fractions import Fraction

from tallywell.ledger.intervals import Flag, Interval, joined
from tallywell.ledger.suspect import FROZEN
from tallywell.readings.clocks import When
from tallywell.readings.faults import Fault
from tallywell.readings.quantities import UNCLEAN_END, Cause, HandReading, Happened, Missed

# What a glitch, a frozen stretch or an undated reading leaves in the interval around it.
KEPT_FLAGS = frozenset({Flag.UNDATED_INSIDE, Flag.GLITCH_INSIDE, Flag.FROZEN})


@dataclass(frozen=True, slots=True)
class Flowed:
    """The flow rate of polls whose total did not come, integrated by trapezoid from the first of them to the last.

    `double_m3_s`: twice the integral, m3/s x ms. `longest_ms`: the longest time between two of them. All of one boot.
    """

    first: When
    first_m3s: Fraction
    last: When
    last_m3s: Fraction
    double_m3_s: Fraction = Fraction(0)
    longest_ms: int = 0
    greatest_m3s: Fraction = Fraction(0)

    def __add__(self, later: "Flowed") -> "Flowed":
        ms = later.first.boot_ms - self.last.boot_ms if later.first.boot == self.last.boot else NEVER_MS
        between = (self.last_m3s + later.first_m3s) * ms
        return Flowed(
            self.first,
            self.first_m3s,
            later.last,
            later.last_m3s,
            self.double_m3_s + between + later.double_m3_s,
            max(self.longest_ms, ms, later.longest_ms),
            max(self.greatest_m3s, later.greatest_m3s),
        )


NEVER_MS = 10**15  # between two boots nobody read a flow rate


@dataclass(frozen=True, slots=True)
class Inside:
    """`missed`: polls by fault. `cause`: what happened. `hand`: hand readings. `flowed`: what the flow rate says.
    `silent`: the meter may have been without power, by what is told of the stretch before.
    """

    missed: tuple[tuple[str, int], ...] = ()
    cause: tuple[Cause, ...] = ()
    flags: frozenset[Flag] = frozenset()
    hand: tuple[HandReading, ...] = ()
    flowed: Flowed | None = None
    silent: bool = False

    def __add__(self, other: "Inside") -> "Inside":
        missed = dict(self.missed)
        for fault, times in other.missed:
            missed[fault] = missed.get(fault, 0) + times
        return Inside(
            tuple(sorted(missed.items())),
            joined(self.cause, other.cause),
            self.flags | other.flags,
            self.hand + other.hand,
            self.flowed + other.flowed if self.flowed and other.flowed else self.flowed or other.flowed,
            self.silent or other.silent,
        )

    @property
    def maybe_unpowered(self) -> bool:
        """Nothing else is a sign of it: where the line or the program was away, the meter may well have had power."""
        return self.silent or UNCLEAN_END in self.cause or any(fault == Fault.NO_ANSWER for fault, _ in self.missed)

    def rest(self) -> "Inside":
        """What still holds behind a stated count in the middle: nobody knows on which side of it the silence lay."""
        return Inside(flags=self.flags & {Flag.UNDATED_INSIDE}, silent=self.maybe_unpowered)


NOTHING = Inside()
UNDATED = Inside(flags=frozenset({Flag.UNDATED_INSIDE}))
SET_ASIDE = Inside(flags=frozenset({Flag.GLITCH_INSIDE}))
AS_MISSED = Inside(missed=((FROZEN, 1),), flags=frozenset({Flag.FROZEN}))


def of_fact(fact: Missed | Happened | HandReading) -> Inside:
    if isinstance(fact, HandReading):
        return Inside(hand=(fact,))
    if isinstance(fact, Happened):
        return Inside(cause=(fact.cause,))
    missed = Inside(missed=((fact.fault, 1),))
    if fact.flow_m3s is None:
        return missed
    flow = fact.flow_m3s
    return replace(missed, flowed=Flowed(fact.when, flow, fact.when, flow, greatest_m3s=flow))


def of_interval(one: Interval) -> Inside:
    """What lay in an interval that is taken back."""
    return Inside(one.missed, one.cause, one.flags & KEPT_FLAGS, one.hand)

"""From facts to intervals."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from tallywell.ledger.intervals import Interval, Segment
from tallywell.readings.quantities import Happened, HandReading, Installed, Missed, Reading

Fact = Reading | Missed | Happened | HandReading


@dataclass(frozen=True, slots=True)
class Rules:
    """`every_ms`: the point's rate of polling. `possible_rate_m3s`: the greatest flow that the pipe can pass.

    `readout_ms`: how old a register may be when it is read, at most (meters refresh every second or few).
    """

    every_ms: int
    possible_rate_m3s: Fraction
    readout_ms: int = 5_000


@dataclass(frozen=True, slots=True)
class State:
    """What the next decision needs, and no more. Made by `begin`; its fields are the ledger's own business."""

    rules: Rules
    installed: tuple[Installed, ...] = ()
    segment: Segment | None = None
    good: Reading | None = None
    pending: tuple[Reading, ...] = ()


def begin(rules: Rules, installed: tuple[Installed, ...] = (), segment: Segment | None = None) -> State:
    """The state before the first fact. `installed`: all installation entries in force, of any date, in any order.

    `segment`: the segment that stands at the first fact, where it is known and no installation in force says it.
    """
    raise NotImplementedError


def step(state: State, fact: Fact) -> tuple[State, tuple[Interval, ...]]:
    """One fact further. Facts come by seq; hand readings before the first reading dated at or after them."""
    raise NotImplementedError


def fold(facts: Iterable[Fact], state: State) -> Iterator[Interval]:
    """All intervals of the facts in order; readings still pending at the end come last, as `Kind.UNDECIDED`."""
    raise NotImplementedError

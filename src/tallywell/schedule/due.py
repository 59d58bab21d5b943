"""Who on a line is due. Pure: a state, what was learned, and the time, all as arguments."""

from dataclasses import dataclass

from tallywell.readings.exchange import Ask, Outcome, Pass, Read


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read together at one point, and how often. `every_ns` is aligned to the wall clock."""

    point: str
    address: int
    reads: tuple[Read, ...]
    every_ns: int
    longest_delay_ns: int
    pause_ns: int = 0


@dataclass(frozen=True, slots=True)
class Sleep:
    until_ns: int


@dataclass(frozen=True, slots=True)
class LookAgain:
    """Make a point due now. `asked`: uuid of the person's ask, None when the ledger wants another look."""

    point: str
    asked: str | None = None


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock now stands `wall_minus_boot_ns` ahead of the boot clock, the local UTC offset included."""

    wall_minus_boot_ns: int


@dataclass(frozen=True, slots=True)
class LineState: ...


def begin(plans: tuple[Plan, ...], now_ns: int, wall_minus_boot_ns: int, *, at_once: bool = False) -> LineState:
    """The state before the first poll: each plan due at its next aligned instant, or at once as well."""
    raise NotImplementedError


def next_ask(state: LineState, now_ns: int) -> Ask | Sleep:
    raise NotImplementedError


def learned(state: LineState, what: Outcome | LookAgain | ClockStepped, now_ns: int) -> tuple[LineState, Pass | None]:
    raise NotImplementedError

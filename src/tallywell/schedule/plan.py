"""What a line polls, and what else it may be told."""

from dataclasses import dataclass

from tallywell.readings.exchange import Ask, Read


@dataclass(frozen=True, slots=True)
class WakeAsk:
    """A read that wakes a unit: it may be asked `wait_ns` after it, for `window_ns` after it at most."""

    read: Read
    wait_ns: int
    window_ns: int


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read together at one point, and how often. `every_ns` is aligned to the wall clock; None: once, at the
    start, and each hour until it came well.

    `after_silence`: also when the point answers again. `main`: the plan that looks are for; a point has one.
    `books`: which read holds the books' total, if one does.
    """

    point: str
    address: int
    reads: tuple[Read, ...]
    every_ns: int | None
    longest_delay_ns: int
    pause_ns: int = 0
    after_silence: bool = False
    main: bool = True
    wake: WakeAsk | None = None
    books: int | None = None

    def __post_init__(self) -> None:
        if (self.every_ns is not None and self.every_ns <= 0) or not self.reads:
            raise ValueError(f"point {self.point}: a plan has reads and a time between polls")

    def ask(self, number: int) -> Ask:
        return Ask(self.address, self.reads[number], self.longest_delay_ns, self.pause_ns)

    def wake_ask(self) -> Ask | None:
        """What to ask first where the unit may sleep; None where it never does."""
        if self.wake is None:
            return None
        return Ask(self.address, self.wake.read, self.wake.wait_ns, self.pause_ns, expects_reply=False)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Nothing to ask before `until_ns` of the boot clock, unless something is learned."""

    until_ns: int


@dataclass(frozen=True, slots=True)
class LookAgain:
    """Another look at a point, beside its marks. `asked`: uuid of a person's ask; it goes with the main plan's pass.

    For a person the whole point is due now, whatever held it back, its main plan last. None: the ledger wants the
    total once more, soon, and never in a flood (`schedule/again.py`).
    """

    point: str
    asked: str | None = None


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock now stands `wall_minus_boot_ns` ahead of the boot clock, the local UTC offset included."""

    wall_minus_boot_ns: int


def mark_from(boot_ns: int, every_ns: int, wall_minus_boot_ns: int) -> int:
    """The first aligned instant at or after `boot_ns`, on the boot clock."""
    wall_ns = boot_ns + wall_minus_boot_ns
    return -(-wall_ns // every_ns) * every_ns - wall_minus_boot_ns

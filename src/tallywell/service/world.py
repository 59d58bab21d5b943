"""What the daemon and the commands run in: the clocks, the boot, where the log goes, how ports open."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from tallywell.line.away import Change
from tallywell.line.bus import Bus
from tallywell.line.ear import Ear
from tallywell.line.overheard import Unused
from tallywell.line.timing import AnySettings, LineSettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.problems import EdgeFailure
from tallywell.readings.traffic import Tap
from tallywell.service.anchoring import Instant

SECOND_NS = 1_000_000_000
MS_NS = 1_000_000
LOOK_NS = SECOND_NS // 2
AT_ONCE_NS = 5 * MS_NS  # two clocks read within this are read together
TRIES = 10
GATHER_NS = SECOND_NS  # passes that arrive within a second go into one commit: about half the wear of the card


class Port(Protocol):
    """The owner of one port, as the line thread sees it: it blocks, and a line fault is an Outcome."""

    @property
    def trouble(self) -> EdgeFailure | None: ...  # why the port is away

    ahead: Callable[[Outcome], None] | None  # is told an answer before the silence behind it has passed
    tap: Tap | None  # is told all that passes

    def exchange(self, ask: Ask) -> Outcome: ...
    def look(self) -> None: ...  # between exchanges: has it gone, is it back?
    def changes(self) -> tuple[Change, ...]: ...  # since this was asked last
    def stop(self) -> None: ...
    def close(self) -> None: ...


class Listening(Protocol):
    """The owner of a port that is only listened to: it has no way to ask."""

    tap: Tap | None

    @property
    def trouble(self) -> EdgeFailure | None: ...
    @property
    def tally(self) -> Counter[Unused]: ...
    def listen(self, until_ns: int) -> tuple[Outcome, ...]: ...
    def changes(self) -> tuple[Change, ...]: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class World:
    """`look_ns`: how often the inbox and the clocks are looked at, and by a line that rests its port; `gather_ns`: how
    long passes wait for one commit.
    """

    clock: Clock
    boot_id: str
    log: Callable[[str], None]
    open_port: Callable[[AnySettings, Clock], Port] = Bus
    look_ns: int = LOOK_NS
    gather_ns: int = GATHER_NS
    open_ear: Callable[[LineSettings, Clock, Mapping[int, int]], Listening] = Ear

    def instant(self) -> Instant:
        """Both clocks read together, in ms.

        Another program, or the machine's sleep, may come between the two looks; taken as it is, that would be a step
        of the clock that never was, and an anchor that is wrong for an hour. So the closest of a few looks counts.
        """
        closest = None
        for _ in range(TRIES):
            before_ns, utc_ns, after_ns = self.clock.boot_ns(), self.clock.utc_ns(), self.clock.boot_ns()
            if closest is None or after_ns - before_ns < closest[0]:
                closest = after_ns - before_ns, before_ns, utc_ns
            if closest[0] <= AT_ONCE_NS:
                break
        assert closest is not None
        return Instant(closest[1] // MS_NS, closest[2] // MS_NS)

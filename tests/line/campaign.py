"""Polling in earnest on a simulated line, in one thread and without waiting: the schedule, the port's owner and the
exchange are those of the daemon; the clock is moved by hand, and the line plays troubles by recipe.

Each accepted answer is held against what that meter held when it answered this very request. The meters tell tales:
their words are another set for each unit, register and millisecond, so that no stale or foreign answer looks right.
"""

import hashlib
import struct
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from unittest.mock import patch

from tallywell.line.away import PortAway, Reason
from tallywell.line.bus import Bus
from tallywell.line.port import PortLost
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.registers.quantity import Kind, Limits, Quantity, RegisterMap, Table, ValueType
from tallywell.schedule.clock import ManualClock
from tallywell.schedule.due import Plan, Sleep, begin, learned, next_ask
from tallywell.simulator.line import Request, SimulatedLine
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.station import Station
from tallywell.simulator.trouble import Trouble

MS = 1_000_000
START_MS = 1_772_348_400_000
LONGEST_NS = 60 * MS
WORDS = 4
BLOCKS = tuple(Read(4, first, WORDS) for first in (0, 10, 20))  # equally long: nothing in a frame tells them apart
UNITS = (17, 18, 19)
SETTINGS = LineSettings("in this process", 19_200, latency_ns=2 * MS)
TURNAROUND_NS = 3 * MS
EVERY_NS = 200 * MS
NEWEST = 100  # passes are kept
PAUSE_NS = 8 * MS  # the last unit's own silence, longer than the line's


class TellTale(Meter):
    """Every word depends on unit, register and millisecond."""

    __slots__ = ()

    def answer(self, function: int, register: int, words: int, utc_ms: int) -> bytes:
        what = struct.pack(">BBHQ", self.address, function, register, utc_ms)
        return hashlib.blake2b(what, digest_size=2 * words).digest()


def tell_tales() -> list[Meter]:
    quantities = [
        Quantity(f"value_{read.register}", Kind.OTHER, Table.INPUT, read.register, ValueType.UINT64) for read in BLOCKS
    ]
    found = RegisterMap("tell tale", 1, {q.name: q for q in quantities}, Limits(longest_delay_ns=LONGEST_NS))
    return [TellTale(unit, found, Profile((Piece(START_MS, 0),))) for unit in UNITS]


def plans() -> list[Plan]:
    """A plan for each block, one plan with all of them, and both with a pause of its own."""
    first, second, third = UNITS
    singly = [
        Plan(f"{unit} {n}", unit, (read,), EVERY_NS, LONGEST_NS) for unit in (first,) for n, read in enumerate(BLOCKS)
    ]
    together = [Plan(f"{second}", second, BLOCKS, EVERY_NS, LONGEST_NS)]
    both = [
        Plan(f"{third} {n}", third, reads, EVERY_NS, LONGEST_NS, PAUSE_NS)
        for n, reads in enumerate([BLOCKS[:1], BLOCKS[1:]])
    ]
    return [*singly, *together, *both]


@dataclass(slots=True)
class Tally:
    """What came of the polls. A finding is a sentence; no finding, no breach."""

    polls: int = 0
    good: int = 0
    struck: int = 0
    faults: Counter[Fault] = field(default_factory=Counter)
    refused: Counter[Fault] = field(default_factory=Counter)
    beside: int = 0  # missed, though no recipe struck this request or its answer
    wrong: list[str] = field(default_factory=list)
    misnamed: list[str] = field(default_factory=list)
    hasty: int = 0  # requests that left before the silence

    def findings(self) -> list[str]:
        hasty = [f"{self.hasty} requests left before the silence"] if self.hasty else []
        return [*self.wrong[:5], *self.misnamed[:5], *hasty]

    def __str__(self) -> str:
        def named(counter: Counter[Fault]) -> str:
            return " ".join(f"{fault}={count}" for fault, count in counter.most_common())

        return (
            f"{self.polls} polls, {self.good} good, {self.struck} struck, {self.beside} missed beside, "
            f"{len(self.wrong)} wrong, {len(self.misnamed)} misnamed, {self.hasty} hasty; "
            f"{named(self.faults)}; refused {named(self.refused)}"
        )


class InProcessPort:
    """What the owner of a port needs of one, on a simulated line."""

    device = "in this process"

    def __init__(self, line: SimulatedLine, clock: ManualClock) -> None:
        self._line, self._clock = line, clock
        self._line.take(clock.boot_ns())  # opening throws away what had come
        self._opened_ns = clock.boot_ns()

    def read(self) -> bytes:
        chunk = self._line.take(self._clock.boot_ns())
        if self._line.back_ns > self._opened_ns:
            raise PortLost("the adapter was pulled out")
        return chunk

    def write(self, frame: bytes) -> None:
        now_ns = self._clock.boot_ns()
        self._line.put(frame, now_ns, START_MS + now_ns // MS)

    def wait(self, for_ns: int) -> None:
        now_ns = self._clock.boot_ns()
        self._clock.advance(max(0, min(for_ns, self._line.next_ns() - now_ns)))

    def close(self) -> None:
        pass


class Campaign:
    """One line, polled; `poll` as often as wanted."""

    def __init__(
        self,
        troubles: Iterable[Trouble],
        seed: str,
        *,
        meters: Iterable[Meter] | None = None,
        plan: Iterable[Plan] | None = None,
        settings: LineSettings = SETTINGS,
    ) -> None:
        self.clock = ManualClock()
        self.troubles = tuple(troubles)
        station = Station(tell_tales() if meters is None else meters, TURNAROUND_NS)
        self.line = SimulatedLine(station, settings, self.troubles, seed=seed)
        self.tally = Tally()
        self.passes: deque[Pass] = deque(maxlen=NEWEST)
        self._bus = Bus(settings, self.clock, self._open)  # type: ignore[arg-type] # a port in all that the owner uses
        self._state = begin(plans() if plan is None else plan, 0, START_MS * MS, at_once=True)

    def _open(self, settings: LineSettings, _wake: object) -> InProcessPort:
        now_ns = self.clock.boot_ns()
        self.line.take(now_ns)
        if self.line.away(now_ns):
            raise PortAway(f"port {settings.port}: no such device", Reason.GONE)
        return InProcessPort(self.line, self.clock)

    def poll(self, count: int) -> Tally:
        """So many more polls; wakings come on top."""
        with self._by_hand():
            until = self.tally.polls + count
            while self.tally.polls < until:
                self._turn()
        return self.tally

    def poll_once(self) -> Tally:
        return self.poll(1)

    @contextmanager
    def _by_hand(self) -> Iterator[None]:
        """Where the owner waits for a port to come back, the clock goes on."""

        def wait_for(_descriptors: object, for_ns: int) -> None:
            self.clock.advance(for_ns)

        with patch("tallywell.line.bus.wait_for", wait_for):
            yield

    def _turn(self) -> None:
        step = next_ask(self._state, self.clock.boot_ns())
        if isinstance(step, Sleep):
            self.clock.advance(step.until_ns - self.clock.boot_ns())
            return
        before = self.line.request
        outcome = self._bus.exchange(step)
        if step.expects_reply:
            self._note(step, outcome, None if self.line.request is before else self.line.request)
        self._state, done = learned(self._state, outcome, self.clock.boot_ns())
        if done is not None:
            self.passes.append(done)

    def _note(self, ask: Ask, outcome: Outcome, request: Request | None) -> None:
        tally = self.tally
        tally.polls += 1
        tally.refused.update(refused.fault for refused in outcome.refused)
        if request is not None:
            tally.hasty += request.quiet_ns < max(self.line.settings.silence_ns, ask.pause_ns)
            tally.struck += bool(request.struck)
        if outcome.data is not None:
            tally.good += 1
            if why := _wrong(ask, outcome.data, request):
                tally.wrong.append(f"poll {tally.polls}: {ask}: accepted {outcome.data.hex()}, {why}")
            return
        assert outcome.fault is not None
        tally.faults[outcome.fault] += 1
        struck = request.struck if request is not None else ()
        tally.beside += not struck
        names = {outcome.fault, *(refused.fault for refused in outcome.refused)}
        if len(self.troubles) < 2 and not names & self._right_names(bool(struck)):
            tally.misnamed.append(f"poll {tally.polls}: {outcome}, struck by {[recipe.name for recipe in struck]}")

    def _right_names(self, struck: bool) -> set[Fault]:
        """How a missed poll may be told, where there is one trouble or none."""
        return {
            name
            for trouble in self.troubles
            for name in (*(() if struck else trouble.recipe.beside), *trouble.recipe.told_as)
        }


def _wrong(ask: Ask, content: bytes, request: Request | None) -> str | None:
    """Why this content is not what the meter held when it answered this request; None where it is."""
    if request is None or request.served is None:
        return "which nobody answered"
    served = request.served
    if (served.address, served.function, served.register, served.words) != (
        ask.address, ask.read.function, ask.read.register, ask.read.words,
    ):  # fmt: skip
        return f"which is an answer to {served}"
    if served.data != content:
        return f"the meter answered {served.data.hex()}"
    harm = [recipe.name for recipe in request.struck if recipe.told_as]
    return f"though {', '.join(harm)} struck it" if harm else None

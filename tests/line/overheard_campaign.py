"""Another master polls simulated meters on a line with troubles, and this program listens: in one thread, the clock
moved by hand. What comes out as good is held against what that meter answered, to that request, at that time.
"""

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tallywell.line.overheard import Overhearing
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.simulator.line import SimulatedLine
from tallywell.simulator.other_master import OtherMaster
from tallywell.simulator.station import Served, Station
from tallywell.simulator.trouble import RECIPES, Trouble
from tests.line.campaign import BLOCKS, LONGEST_NS, MS, SETTINGS, START_MS, TURNAROUND_NS, UNITS, tell_tales

ROUND = tuple((unit, read) for unit in UNITS for read in BLOCKS)
LATENCY_NS = SETTINGS.latency_ns


@dataclass(slots=True)
class Tally:
    """`asked` requests, of which `served` were answered by a meter, whatever became of the answer on its way."""

    asked: int = 0
    served: int = 0
    good: int = 0
    faults: Counter[Fault] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        faults = " ".join(f"{fault}={count}" for fault, count in self.faults.most_common())
        return f"{self.asked} asked, {self.served} served, {self.good} good, {len(self.wrong)} wrong; {faults}"


class Campaign:
    """One line, one other master, one listener. `lump_ns`: how long the listener's adapter gathers bytes."""

    def __init__(
        self,
        troubles: Iterable[Trouble],
        seed: str,
        *,
        asks: Sequence[tuple[int, Read]] = ROUND,
        patience_ns: int = LONGEST_NS,
        rest_ns: int = 0,
        every_ns: int = 0,
        lump_ns: int = LATENCY_NS,
        settings: LineSettings = SETTINGS,
        turnaround_ns: int = TURNAROUND_NS,
    ) -> None:
        heard_all = (*troubles, Trouble(RECIPES["echo"]))  # requests too
        self.line = SimulatedLine(Station(tell_tales(), turnaround_ns), settings, heard_all, seed=seed)
        self.master = OtherMaster(asks, settings, every_ns=every_ns, patience_ns=patience_ns, rest_ns=rest_ns)
        self.machine = Overhearing(settings, 0, dict.fromkeys(UNITS, LONGEST_NS))
        self.tally = Tally()
        self._dice = random.Random(seed)
        self._lump_ns, self._lump, self._lump_due_ns = lump_ns, b"", 0
        self._served: dict[tuple[int, int, int, int], list[Served]] = {}
        self._now_ns = self._opened_ns = 0

    def run(self, requests: int) -> Tally:
        while self.tally.asked < requests:
            self._step()
        self.machine.expire(self._now_ns + 10**12)
        self._judge()
        return self.tally

    def _step(self) -> None:
        own_ns = self._lump_due_ns if self._lump else self.machine.deadline()
        self._now_ns = max(self._now_ns, min(self.line.next_ns(), self.master.next_ns(), own_ns))
        heard = self.line.take(self._now_ns)
        self._look_at_adapter()
        self.master.hear(len(heard), self._now_ns)
        self._hand_over(heard)
        for served in self.line.left():
            self._serve(served)
        if request := self.master.ask(self._now_ns):
            self._note_request()
            self.tally.asked += 1
            self.line.put(request, self._now_ns, START_MS + self._now_ns // MS)
        if not self._lump:
            self.machine.expire(self._now_ns)
        self._judge()

    def _look_at_adapter(self) -> None:
        """The owner of a port opens it anew when the adapter is back, and says so."""
        if self.line.back_ns > self._opened_ns and not self.line.away(self._now_ns):
            self._opened_ns, self._lump = self._now_ns, b""
            self.machine.lost(self._now_ns)

    def _hand_over(self, heard: bytes) -> None:
        """An adapter gives what it has heard in lumps."""
        if heard and not self._lump:
            self._lump_due_ns = self._now_ns + self._dice.randint(0, self._lump_ns)
        self._lump += heard
        if self._lump and self._now_ns >= self._lump_due_ns:
            self.machine.receive(self._lump, self._now_ns)
            self._lump = b""

    def _note_request(self) -> None:
        request = self.line.request
        self.tally.served += request is not None and request.served is not None

    def _serve(self, served: Served) -> None:
        key = served.address, served.function, served.register, served.words
        self._served[key] = [*self._served.get(key, [])[-20:], served]

    def _judge(self) -> None:
        for outcome in self.machine.take():
            if outcome.ask.address not in UNITS:
                continue
            if outcome.data is None:
                assert outcome.fault is not None
                self.tally.faults[outcome.fault] += 1
                continue
            self.tally.good += 1
            if not any(self._is_true(outcome, served) for served in self._of(outcome)):
                self.tally.wrong.append(f"{outcome}, served {self._of(outcome)[-3:]}")

    def _of(self, outcome: Outcome) -> list[Served]:
        ask = outcome.ask
        return self._served.get((ask.address, ask.read.function, ask.read.register, ask.read.words), [])

    def _is_true(self, outcome: Outcome, served: Served) -> bool:
        """The words are those of this answer, and its time lies between request and answer as far as lumps show it. The
        simulated meter latches its values when its request begins.
        """
        assert outcome.first_ns is not None
        request_ns = self.line.settings.wire_ns(8) + self._lump_ns
        at_ns = (served.utc_ms - START_MS) * MS
        return outcome.data == served.data and outcome.sent_ns - request_ns - MS <= at_ns <= outcome.first_ns

"""Faults with the pump running against faults with it stopped, of one meter (pure).

Only an answer with the run signal, or else the flow rate, shows whether the pump runs, and a request that failed shows
nothing. So what passes between two such answers counts where both say the same, and nowhere where they differ, or
before the first. And where the total moved between two answers of a pump that stands, it ran meanwhile: perhaps just
then nothing came through.
"""

from dataclasses import dataclass, field

from tallywell.readings.exchange import Outcome, Read
from tallywell.registers.decode import Decoded, decode
from tallywell.registers.quantity import Kind
from tallywell.service.pump_signals import run_signals
from tallywell.service.site import Point


@dataclass(slots=True)
class Exchanges:
    """So many, and how many of them failed."""

    asked: int = 0
    failed: int = 0

    def add(self, more: "Exchanges") -> None:
        self.asked += more.asked
        self.failed += more.failed


@dataclass(slots=True)
class PumpAndFaults:
    """`after` takes every exchange with the meter, in order. Without `pump_running` or `running_above` in the site file
    nobody knows.
    """

    point: Point | None
    running: Exchanges = field(default_factory=Exchanges)
    still: Exchanges = field(default_factory=Exchanges)
    _between: Exchanges = field(default_factory=Exchanges)  # since an answer last showed it
    _ran: bool | None = None
    _count: int | None = None  # of the books' total
    _moved: bool = False  # whether it changed since then
    _contents: dict[Read, bytes] = field(default_factory=dict)  # what each read brought last

    def after(self, outcome: Outcome) -> None:
        """An outcome that says something of the meter: not one that was given up, or had no port."""
        if self.point is None or (self.point.running_above is None and self.point.pump_running is None):
            return
        this = Exchanges(1, int(outcome.fault is not None))
        runs = None if outcome.data is None else self._runs(outcome.ask.read, outcome.data)
        if runs is None:
            self._between.add(this)
            return
        if runs is self._ran and (runs or not self._moved):
            self._of(runs).add(self._between)
        self._of(runs).add(this)
        self._between, self._ran, self._moved = Exchanges(), runs, False

    def _of(self, runs: bool) -> Exchanges:
        return self.running if runs else self.still

    def _runs(self, read: Read, content: bytes) -> bool | None:
        """None: this answer does not tell. What multiplies the flow rate may have come with another."""
        assert self.point is not None
        self._contents[read] = content
        reads = tuple(self._contents)
        found = decode(self.point.map, reads, (1 << len(reads)) - 1, b"".join(self._contents.values()))
        self._look_at_total(found)
        brought = decode(self.point.map, (read,), 1, content).values
        signal = run_signals(self.point.map).get(self.point.pump_running) if self.point.pump_running else None
        if signal is not None or self.point.running_above is None:
            return None if signal is None else signal.runs(brought)
        flows = {name for name in brought if self._is_flow(name)}
        values = (found.values[name].si for name in flows if name in found.values)
        flow = next((si for si in values if si is not None), None)
        return None if flow is None else flow > self.point.running_above.si

    def _is_flow(self, name: str) -> bool:
        assert self.point is not None
        return self.point.map.quantities[name].kind is Kind.FLOW

    def _look_at_total(self, found: Decoded) -> None:
        total = found.books.total if found.books else None
        if total is not None:
            self._moved |= self._count not in (None, total.count)
            self._count = total.count

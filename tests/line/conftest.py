"""Lines to test against: one in memory with its own time, and pseudo-terminals that keep the pace of a real wire."""

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence

import pytest

from tallywell.line.exchange import Exchange
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome

Arrival = tuple[int, bytes]  # nanoseconds, bytes


class Wire:
    """Gives an exchange its bytes at their instants and lets it expire at its deadlines. No real time passes."""

    def __init__(self, settings: LineSettings) -> None:
        self.settings = settings
        self.machine = Exchange(settings, 0)
        self.now_ns = 0
        self.requests: list[tuple[int, bytes]] = []
        self._coming: list[Arrival] = []
        self._soon: Outcome | None = None  # what was foreseen when the last byte came

    def play(self, ask: Ask, after: Sequence[Arrival] = (), before: Sequence[Arrival] = ()) -> Outcome:
        """`before` counts from now, `after` from the request's last bit. What is not heard stays for the next ask."""
        self.machine.start(ask, self.now_ns)
        self._soon = None
        self._add(self.now_ns, before)
        while True:
            self._turn()
            outcome = self.machine.expire(self.now_ns)
            if outcome is not None:
                answered = ask.expects_reply and outcome.data is not None
                assert self._soon == (outcome if answered else None), "each answer is foreseen, and nothing else"
                return outcome
            if request := self.machine.request_due(self.now_ns):
                self.requests.append((self.now_ns, request))
                self._add(self.now_ns + self.settings.wire_ns(len(request)), after)

    def _add(self, from_ns: int, arrivals: Sequence[Arrival]) -> None:
        self._coming = sorted([*self._coming, *((from_ns + at, chunk) for at, chunk in arrivals)])

    def _turn(self) -> None:
        due_ns = self.machine.deadline()
        if self._coming and self._coming[0][0] < max(due_ns, self.now_ns + 1):
            at_ns, chunk = self._coming.pop(0)
            self.now_ns = max(self.now_ns, at_ns)
            self.machine.receive(chunk, self.now_ns)
            self._soon = self.machine.foreseen()
        else:
            self.now_ns = max(self.now_ns, due_ns)


@pytest.fixture(scope="session")
def wire_of() -> Callable[[LineSettings], Wire]:
    return Wire


class Pair:
    """A pseudo-terminal: `path` for whoever opens a port, `master` for whoever plays the cable."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave  # kept open: otherwise the master reads EIO until somebody opens the path

    def read(self) -> bytes:
        """What the port was given to send; waits a moment for it."""
        return os.read(self.master, 4096) if select.select([self.master], [], [], 1)[0] else b""

    def write(self, chunk: bytes) -> None:
        os.write(self.master, chunk)

    def pull(self) -> None:
        """The adapter is pulled out."""
        if self.path:
            os.close(self.master)
            os.close(self._slave)
        self.path = ""


class Paced:
    """A thread that carries bytes from one end to another and takes as long as the wire does."""

    def __init__(self, settings: LineSettings) -> None:
        self.settings = settings
        self.ended = threading.Event()
        self._threads: list[threading.Thread] = []

    def carry(self, source: int, sink: int) -> None:
        """Each lump read from `source` comes out of `sink` when its last bit would."""
        self._run(lambda: self._carry(source, sink))

    def answer(self, master: int, reply_to: Callable[[bytes], bytes], turnaround_ns: int = 0) -> None:
        """A meter at the end of the cable: what it says to each request, silence kept before it."""
        self._run(lambda: self._answer(master, reply_to, turnaround_ns))

    def end(self) -> None:
        self.ended.set()
        for thread in self._threads:
            thread.join()

    def _run(self, work: Callable[[], None]) -> None:
        thread = threading.Thread(target=work, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _carry(self, source: int, sink: int) -> None:
        while (chunk := self._heard(source)) is not None:
            self._until(time.perf_counter_ns() + self.settings.wire_ns(len(chunk)))
            os.write(sink, chunk)

    def _answer(self, master: int, reply_to: Callable[[bytes], bytes], turnaround_ns: int) -> None:
        while (request := self._heard(master)) is not None:
            out_ns = time.perf_counter_ns() + self.settings.wire_ns(len(request))
            reply = reply_to(request)
            self._until(out_ns + self.settings.silence_ns + turnaround_ns + self.settings.wire_ns(len(reply)))
            if reply:
                os.write(master, reply)

    def _heard(self, source: int) -> bytes | None:
        while not self.ended.is_set():
            try:
                if select.select([source], [], [], 0.05)[0]:
                    return os.read(source, 4096)
            except (OSError, ValueError):
                return None  # pulled out
        return None

    def _until(self, at_ns: int) -> None:
        while (left_ns := at_ns - time.perf_counter_ns()) > 0:
            if left_ns > 150_000:
                time.sleep((left_ns - 100_000) / 1e9)


@pytest.fixture
def pair() -> Iterator[Pair]:
    made = Pair()
    yield made
    made.pull()


@pytest.fixture
def other_pair() -> Iterator[Pair]:
    made = Pair()
    yield made
    made.pull()


@pytest.fixture
def paced_of() -> Iterator[Callable[[LineSettings], Paced]]:
    made: list[Paced] = []

    def make(settings: LineSettings) -> Paced:
        made.append(Paced(settings))
        return made[-1]

    yield make
    for paced in made:
        paced.end()

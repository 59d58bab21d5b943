"""Edge: one thread per line. It asks when the schedule says so and hands every pass on; it never waits for the disk."""

import threading
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from tallywell.line.links import Links
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome, Pass
from tallywell.readings.traffic import Tap
from tallywell.schedule.due import ClockStepped, LineState, LookAgain, Sleep, learned, next_ask, under_way
from tallywell.service.beside import Beside
from tallywell.service.line_load import load_news
from tallywell.service.line_news import LineNews
from tallywell.service.port_news import port_news
from tallywell.service.site import AnyLine, Line
from tallywell.service.world import LOOK_NS, Listening, Port

News = LookAgain | ClockStepped
Delivered = Pass | LineNews


@dataclass(frozen=True, slots=True)
class Ahead:
    """What follows from an answer, reckoned while the silence behind it passes: the next request leaves at its end."""

    outcome: Outcome
    state: LineState
    done: Pass | None
    step: Ask | Sleep


class OneLine(ABC):
    """A line in a thread of its own, until `stop`. `deliver` takes each finished pass, and what is to be said of the
    line, in their order; `tell` brings news in from another thread.
    """

    def __init__(
        self, line: AnyLine, port: Port | Listening, clock: Clock, deliver: Callable[[Delivered], None]
    ) -> None:
        self._line = line
        self._owned = port
        self._clock = clock
        self._deliver = deliver
        self._news: deque[News] = deque()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._until_stopped, name=f"line {line.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def tell(self, news: News) -> None:
        self._news.append(news)
        self._wake.set()

    def stop(self) -> None:
        """Abandon what runs; a pass under way still comes out, with the fault `stopped`."""
        self._stopping.set()
        self._owned.stop()
        self._wake.set()

    def tap(self, tap: Tap | None) -> None:
        """Let it be told all that passes, from now on, which may be within an exchange; None: no more."""
        self._owned.tap = tap

    def join(self, seconds: float) -> bool:
        """True when the thread has ended; its port is closed then."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def alive(self) -> bool:
        return self._thread.is_alive()

    def _until_stopped(self) -> None:
        try:
            while not self._stopping.is_set():
                self._turn()
            self._finish()
        finally:
            self._owned.close()

    def _tell_changes(self) -> None:
        for change in self._owned.changes():
            self._deliver(port_news(self._line, change))

    @abstractmethod
    def _turn(self) -> None:
        """One look at what is to be done."""

    @abstractmethod
    def _finish(self) -> None:
        """What is left to do once it was stopped."""


class LineThread(OneLine):
    """Polls one line. While nothing is due the port is looked at every `look_ns`."""

    def __init__(
        self,
        line: AnyLine,
        port: Port,
        state: LineState,
        clock: Clock,
        deliver: Callable[[Delivered], None],
        *,
        look_ns: int = LOOK_NS,
    ) -> None:
        super().__init__(line, port, clock, deliver)
        self._port = port
        self._state = state
        self._look_ns = look_ns
        self._beside = Beside(line.name)
        self._ahead: Ahead | None = None
        port.ahead = self._reckon_ahead

    def _finish(self) -> None:
        """A pass that was under way comes out as `stopped`: the port refuses without a byte sent."""
        self._turn()
        while under_way(self._state):
            self._turn()

    def _turn(self) -> None:
        self._wake.clear()  # before the news is read: what is told after this ends the wait below
        ahead, self._ahead = self._ahead, None
        step = None if ahead is None else ahead.step
        while self._news:
            self._learn(self._news.popleft())
            step = None  # reckoned before this was known
        step = step or next_ask(self._state, self._clock.boot_ns())
        if isinstance(step, Sleep):
            if not self._stopping.is_set():
                self._rest(step.until_ns)
        else:
            outcome = self._port.exchange(step)
            self._tell_changes()  # before the pass that met them
            self._beside, news = self._beside.after(outcome)
            for one in news:
                self._deliver(one)
            load = self._state.load
            self._follow(outcome)
            if news_of_load := load_news(self._line.name, load, self._state.load, outcome.ended_ns):
                self._deliver(news_of_load)

    def _reckon_ahead(self, soon: Outcome) -> None:
        """On this thread, from within an exchange."""
        state, done = learned(self._state, soon, soon.ended_ns)
        self._ahead = Ahead(soon, state, done, next_ask(state, soon.ended_ns))

    def _follow(self, outcome: Outcome) -> None:
        ahead = self._ahead
        if ahead is None or ahead.outcome != outcome:
            self._ahead = None
            self._learn(outcome)
            return
        self._state = ahead.state
        if ahead.done is not None:
            self._deliver(ahead.done)

    def _rest(self, until_ns: int) -> None:
        self._clock.wait(min(until_ns, self._clock.boot_ns() + self._look_ns), self._wake)
        if not self._stopping.is_set():
            self._port.look()
            self._tell_changes()

    def _learn(self, what: Outcome | News) -> None:
        self._state, done = learned(self._state, what, self._clock.boot_ns())
        if done is not None:
            self._deliver(done)


def better_names(lines: Iterable[AnyLine], links: Links | None = None) -> Iterator[str]:
    """For the log: which ports are written by a name that may be another adapter's tomorrow, and what to write."""
    links = links or Links()
    for line in lines:
        if isinstance(line, Line) and (better := links.better_name(line.port)):
            what = f"line {line.name}: {line.port} can name another adapter after the next start"
            yield f"{what}; write {better}, which leads to it now"


def ended_ns(done: Delivered) -> int:
    """When it came about."""
    if isinstance(done, LineNews):
        return done.at_ns
    return done.outcomes[-1].ended_ns if done.outcomes else done.due_ns

"""Edge: one thread per line. It asks when the schedule says so and hands every pass on; it never waits for the disk."""

import threading
from collections import deque
from collections.abc import Callable

from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Outcome, Pass
from tallywell.readings.problems import EdgeFailure
from tallywell.schedule.due import ClockStepped, LineState, LookAgain, Sleep, learned, next_ask
from tallywell.service.world import Port

News = LookAgain | ClockStepped


class LineThread:
    """Polls one line until `stop`. `deliver` takes each finished pass; `tell` brings news in from another thread."""

    def __init__(self, name: str, port: Port, state: LineState, clock: Clock, deliver: Callable[[Pass], None]) -> None:
        self._port = port
        self._state = state
        self._clock = clock
        self._deliver = deliver
        self._news: deque[News] = deque()
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._serve, name=f"line {name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def tell(self, news: News) -> None:
        self._news.append(news)
        self._wake.set()

    def stop(self) -> None:
        """Abandon the running exchange; the pass it belongs to still comes out, with the fault `stopped`."""
        self._stopping.set()
        self._port.stop()
        self._wake.set()

    def join(self, seconds: float) -> bool:
        """True when the thread has ended; its port is closed then."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    @property
    def trouble(self) -> EdgeFailure | None:
        """Why the port is away at present; None while it is open."""
        return self._port.trouble

    def alive(self) -> bool:
        return self._thread.is_alive()

    def _serve(self) -> None:
        try:
            while not self._stopping.is_set():
                self._turn()
            self._turn()  # a pass that was under way comes out as `stopped`: the port refuses without a byte sent
        finally:
            self._port.close()

    def _turn(self) -> None:
        self._wake.clear()  # before the news is read: what is told after this ends the wait below
        while self._news:
            self._learn(self._news.popleft())
        step = next_ask(self._state, self._clock.boot_ns())
        if isinstance(step, Sleep):
            if not self._stopping.is_set():
                self._clock.wait(step.until_ns, self._wake)
        else:
            self._learn(self._port.exchange(step))

    def _learn(self, what: Outcome | News) -> None:
        self._state, done = learned(self._state, what, self._clock.boot_ns())
        if done is not None:
            self._deliver(done)

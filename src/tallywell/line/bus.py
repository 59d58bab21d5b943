"""One owner per port: it asks, listens, and says how each exchange ended. Edge."""

from collections.abc import Callable

from tallywell.line.exchange import Exchange
from tallywell.line.port import PortLost, SerialPort, Wake, open_port, wait_for
from tallywell.line.timing import LineSettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure

FIRST_RETRY_NS = 50_000_000
LONGEST_RETRY_NS = 500_000_000


class Bus:
    """The line's owner. One thread exchanges; `stop` may come from any other.

    A lost port is closed at once and opened again by its path at the next exchange: after 50 ms, doubling to 0.5 s
    while it fails. An exchange waits that long at most before it says PORT_LOST; nothing was sent then.
    `trouble` says why the port is away, None while it is open or was not tried yet.
    """

    def __init__(
        self,
        settings: LineSettings,
        clock: Clock,
        open_as: Callable[[LineSettings, Wake], SerialPort] = open_port,
    ) -> None:
        self.settings = settings
        self.trouble: EdgeFailure | None = None
        self._clock = clock
        self._open_as = open_as
        self._wake = Wake()
        self._stopped = False
        self._port: SerialPort | None = None
        self._exchange = Exchange(settings, clock.boot_ns())
        self._pause_ns = FIRST_RETRY_NS
        self._retry_at_ns = clock.boot_ns()

    def open(self) -> None:
        """Open the port now; EdgeFailure (one clear line) if it cannot be. `exchange` opens by itself too."""
        if self._port is not None:
            return
        try:
            self._port = self._open_as(self.settings, self._wake)
        except EdgeFailure as failure:
            self._away(failure)
            raise
        self.trouble = None
        self._exchange.reopened(self._clock.boot_ns())

    def exchange(self, ask: Ask) -> Outcome:
        """Ask and wait for the end of it. A line fault, a lost port and a stop are Outcomes, never raised."""
        port = self._ready_port()
        if port is None:
            return self._not_asked(ask, Fault.STOPPED if self._stopped else Fault.PORT_LOST)
        self._exchange.start(ask, self._clock.boot_ns())
        try:
            return self._run(port)
        except PortLost as lost:
            what = f"port {self.settings.port} was lost: {lost}"
            self._away(EdgeFailure(what, hint="is the adapter plugged in?", again=True))
            return self._exchange.halt(Fault.PORT_LOST, self._clock.boot_ns())

    def stop(self) -> None:
        """End the running exchange at once, and any later one, with fault STOPPED. From any thread."""
        self._stopped = True
        self._wake.ring()

    def close(self) -> None:
        """Let go of the port. To be called by the thread that exchanges, or when it has ended."""
        self.stop()
        if self._port is not None:
            self._port.close()
            self._port = None
        self._wake.close()

    def _run(self, port: SerialPort) -> Outcome:
        """The driver. `now` is read before the port is: what was not there then had not come by `now`."""
        machine, boot_ns = self._exchange, self._clock.boot_ns
        while not self._stopped:
            now_ns = boot_ns()
            chunk = port.read()
            if chunk:
                machine.receive(chunk, boot_ns())
            outcome = machine.expire(now_ns)
            if outcome is not None:
                self._pause_ns = FIRST_RETRY_NS
                return outcome
            if request := machine.request_due(boot_ns()):
                port.write(request)
            port.wait(machine.deadline() - boot_ns())
        return machine.halt(Fault.STOPPED, boot_ns())

    def _ready_port(self) -> SerialPort | None:
        while self._port is None and not self._stopped:
            wait_ns = self._retry_at_ns - self._clock.boot_ns()
            if wait_ns > 0:
                wait_for([self._wake.reader], wait_ns)
                continue
            try:
                self.open()
            except EdgeFailure:
                return None
        return None if self._stopped else self._port

    def _away(self, why: EdgeFailure) -> None:
        if self._port is not None:
            self._port.close()
            self._port = None
        self.trouble = why
        self._retry_at_ns = self._clock.boot_ns() + self._pause_ns
        self._pause_ns = min(2 * self._pause_ns, LONGEST_RETRY_NS)

    def _not_asked(self, ask: Ask, fault: Fault) -> Outcome:
        now_ns = self._clock.boot_ns()
        return Outcome(ask, None, fault, sent_ns=now_ns, ended_ns=now_ns)

"""One owner per port, be it serial or a connection: it asks, listens, and says how each exchange ended. Edge."""

from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from tallywell.line.away import LONGEST_RETRY_NS, Change, PortAway, Presence, Reason
from tallywell.line.exchange import Exchange, NeedMore
from tallywell.line.port import PortLost, SerialOpener, Wake, wait_for
from tallywell.line.socket_port import open_socket
from tallywell.line.tcp_exchange import TcpExchange
from tallywell.line.timing import AnySettings, LineSettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.faults import Fault
from tallywell.readings.traffic import Asked, Tap, Traffic, Way

# A gateway takes half a minute to start, and has few places for connections, which each abandoned attempt may hold for
# a while (common practice, no source): so it is tried less often than a path in /dev.
LONGEST_CONNECT_RETRY_NS = 5_000_000_000
# A peer that vanished without a word looks like silent meters. After so many requests in a row to which not one byte
# came the connection is made anew; where only meters are silent, that does no harm.
SILENT_REQUESTS = 3
MOST_CHUNKS = 16  # of what came between two exchanges, looked at before a request
# How long before the end of the silence behind an answer it is told of ahead: longer than a small machine takes to
# decide whom to ask next (0.1 ms was measured), and short, since what has just run runs again at three times the pace.
AHEAD_NS = 400_000


class Machine(Protocol):
    """An exchange without a clock and without a port; `broken`: why the port must be opened anew."""

    @property
    def broken(self) -> str | None: ...
    def start(self, ask: Ask, now_ns: int) -> None: ...
    def receive(self, chunk: bytes, now_ns: int) -> Fault | NeedMore: ...
    def request_due(self, now_ns: int) -> bytes: ...
    def deadline(self) -> int: ...
    def expire(self, now_ns: int) -> Outcome | None: ...
    def foreseen(self) -> Outcome | None: ...
    def halt(self, fault: Fault, now_ns: int) -> Outcome: ...
    def reopened(self, now_ns: int) -> None: ...


class Opened(Protocol):
    """An open port or connection. PortLost where it is none any more. `device`: which it is."""

    @property
    def device(self) -> str: ...
    def read(self) -> bytes: ...
    def write(self, frame: bytes) -> None: ...
    def wait(self, for_ns: int) -> None: ...
    def close(self) -> None: ...


def machine_of(settings: AnySettings, now_ns: int) -> Machine:
    """Serial frames, in a socket or not, have one exchange; numbered ones have another."""
    if isinstance(settings, LineSettings) or not settings.numbered:
        return Exchange(settings, now_ns)
    return TcpExchange(settings, now_ns)


Opener = Callable[[AnySettings, Wake], Opened]


def opener_of(settings: AnySettings) -> Opener:
    """What opens this line, again and again: a serial one remembers by which links its adapter is known."""
    serial = SerialOpener()
    return lambda line, wake: serial(line, wake) if isinstance(line, LineSettings) else open_socket(line, wake)


class Bus:
    """The line's owner. One thread exchanges; `stop` may come from any other.

    A lost port is closed at once, or its adapter would come back under another name, and opened again by its path or
    address: after 50 ms, doubling to 0.5 s (a connection: 5 s) while it fails. An exchange waits that long at most, and
    as long as connecting takes, before it says PORT_LOST; nothing was sent then.
    `changes` are for the log and the record: each going once, each return once it has held for an exchange or from one
    look to the next.
    """

    def __init__(self, settings: AnySettings, clock: Clock, open_as: Opener | None = None) -> None:
        assert not (isinstance(settings, LineSettings) and settings.listen_only), "nothing is asked on this line"
        self.settings = settings
        self.tap: Tap | None = None  # is told all that passes; may be set from any thread
        self.ahead: Callable[[Outcome], None] | None = None  # is told an answer in the silence behind it
        self._clock = clock
        self._open_as = open_as or opener_of(settings)
        self._wake = Wake()
        self._stopped = False
        self._port: Opened | None = None
        self._exchange = machine_of(settings, clock.boot_ns())
        self._by_path = isinstance(settings, LineSettings)
        self._unanswered = 0  # requests in a row to which not one byte came
        self._presence = Presence(clock.boot_ns(), LONGEST_RETRY_NS if self._by_path else LONGEST_CONNECT_RETRY_NS)
        self._opened_ns = 0

    @property
    def trouble(self) -> PortAway | None:
        """Why the port is away; None while it is open or was not tried yet."""
        return self._presence.trouble

    def open(self) -> None:
        """Open the port now; PortAway (one clear line) if it cannot be. `exchange` opens by itself too."""
        if self._port is not None:
            return
        try:
            self._port = self._open_as(self.settings, self._wake)
        except PortAway as failure:
            self._away(failure)
            raise
        self._presence.trouble = None
        self._opened_ns = self._clock.boot_ns()
        self._exchange.reopened(self._opened_ns)
        self._passed(self._opened_ns, Way.HEARD, b"")

    def exchange(self, ask: Ask) -> Outcome:
        """Ask and wait for the end of it. A line fault, a lost port and a stop are Outcomes, never raised."""
        outcome = self._exchanged(ask)
        if (tap := self.tap) is not None:
            tap(outcome)
        return outcome

    def _exchanged(self, ask: Ask) -> Outcome:
        port = self._ready_port()
        if port is None:
            return self._not_asked(ask, Fault.STOPPED if self._stopped else Fault.PORT_LOST)
        self._exchange.start(ask, self._taken_up(ask))
        try:
            outcome = self._run(port)
        except PortLost as lost:
            self._lose(lost)
            return self._exchange.halt(Fault.PORT_LOST, self._clock.boot_ns())
        if self._port is not None:
            self._is_back()
        return outcome

    def look(self) -> None:
        """Between exchanges: let go of a port that has gone, and try for one that is away. Waits for no bytes.

        A line whose meters are asked every quarter of an hour must not hold a pulled adapter's name for as long.
        """
        there = self._port is not None
        self._look_before_asking()
        if there and self._port is not None:
            self._is_back()
        if self.trouble is not None and not self._stopped and self._clock.boot_ns() >= self._presence.retry_at_ns:
            with suppress(PortAway):
                self.open()

    def changes(self) -> tuple[Change, ...]:
        """What happened to the port since this was asked last, in order."""
        return self._presence.changes()

    def stop(self) -> None:
        """End the running exchange at once, and any later one, with fault STOPPED. From any thread."""
        self._stopped = True
        self._wake.ring()

    def close(self) -> None:
        """Let go of the port. To be called by the thread that exchanges, or when it has ended."""
        self.stop()
        self._let_go()
        self._wake.close()

    def _run(self, port: Opened) -> Outcome:
        """The driver. `now` is read before the port is: what was not there then had not come by `now`. Where bytes
        were, it is when they were seen: nothing ends before what was heard of it.
        """
        machine, boot_ns, heard = self._exchange, self._clock.boot_ns, False
        while not self._stopped:
            now_ns = boot_ns()
            chunk = port.read()
            if chunk:
                heard = True
                machine.receive(chunk, now_ns := boot_ns())
                self._passed(now_ns, Way.HEARD, chunk)
            outcome = machine.expire(now_ns)
            if outcome is not None:
                self._presence.works()
                self._look_at_connection(outcome, heard)
                return outcome
            if request := machine.request_due(sent_ns := boot_ns()):
                port.write(request)
                self._passed(sent_ns, Way.SENT, request)
            if chunk and self._foresee(port):
                continue
            port.wait(machine.deadline() - boot_ns())
        return machine.halt(Fault.STOPPED, boot_ns())

    def _foresee(self, port: Opened) -> bool:
        """Tell of the answer that is whole, late in the silence behind it: what was just done is done faster again."""
        if self.ahead is None or (soon := self._exchange.foreseen()) is None:
            return False
        port.wait(soon.ended_ns - AHEAD_NS - self._clock.boot_ns())
        self.ahead(soon)
        return True

    def _passed(self, at_ns: int, way: Way, content: bytes) -> None:
        if (tap := self.tap) is not None:
            tap(Traffic(at_ns, way, content))

    def _look_at_connection(self, outcome: Outcome, heard: bool) -> None:
        """Give up a connection that cannot be followed any more, or whose peer seems to have vanished."""
        silent = outcome.fault is Fault.NO_ANSWER and not heard
        self._unanswered = self._unanswered + 1 if silent else 0
        if self._exchange.broken:
            what = f"{self.settings.called} was left: {self._exchange.broken}"
            self._away(PortAway(what, Reason.UNREACHABLE, "is it a Modbus TCP server, and not a raw serial port?"))
        elif self._unanswered >= SILENT_REQUESTS and not self._by_path:
            self._unanswered = 0
            self._let_go()

    def _look_before_asking(self) -> None:
        """A port that went while nobody asked is no reason to miss a poll if it is back: nothing was asked yet.

        Many a gateway closes an idle connection: that is no loss, it is made anew when it is needed.
        """
        if self._port is None:
            return
        try:
            for _ in range(MOST_CHUNKS):
                if not (chunk := self._port.read()):
                    break
                self._exchange.receive(chunk, seen_ns := self._clock.boot_ns())
                self._passed(seen_ns, Way.HEARD, chunk)
        except PortLost as lost:
            if self._by_path:
                self._lose(lost)
            self._let_go()
        if self._exchange.broken:
            self._let_go()

    def _ready_port(self) -> Opened | None:
        self._look_before_asking()
        while self._port is None and not self._stopped:
            wait_ns = self._presence.retry_at_ns - self._clock.boot_ns()
            try:
                if wait_ns > 0:
                    wait_for([self._wake.reader], wait_ns)
                    continue
                self.open()
            except (PortAway, PortLost):  # PortLost: not even the wake can be waited for; the schedule tries again
                return None
        return None if self._stopped else self._port

    def _lose(self, lost: PortLost) -> None:
        reason = Reason.GONE if self._by_path else Reason.UNREACHABLE
        self._away(PortAway(f"{self.settings.called} was lost: {lost}", reason, lost.hint))

    def _away(self, why: PortAway) -> None:
        self._let_go()
        self._presence.away(why, self._clock.boot_ns())

    def _is_back(self) -> None:
        assert self._port is not None
        self._presence.back(self._port.device, self._opened_ns)

    def _let_go(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(PortLost):
                port.close()

    def _taken_up(self, ask: Ask) -> int:
        now_ns = self._clock.boot_ns()
        if (tap := self.tap) is not None:
            tap(Asked(now_ns, ask))
        return now_ns

    def _not_asked(self, ask: Ask, fault: Fault) -> Outcome:
        now_ns = self._taken_up(ask)
        return Outcome(ask, None, fault, sent_ns=now_ns, ended_ns=now_ns)

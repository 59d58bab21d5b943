"""Edge: a simulated line behind a gateway on the loopback, one thread each: Modbus TCP, or serial frames in a socket.

The meters are those of a station and hear serial frames. Of Modbus TCP the number goes back with each answer, and a
meter that says nothing leaves the gateway silent too. What a serial line does to bytes is not simulated here, but for
the troubles that a gateway lets through, and its own restart.
"""

import select
import socket
import time
from collections.abc import Callable, Iterable
from contextlib import suppress

from tallywell.line import frame, mbap
from tallywell.line.timing import SocketSettings
from tallywell.simulator.at_work import AtWork
from tallywell.simulator.own_thread import OwnThread
from tallywell.simulator.station import Answer, Answers, Station
from tallywell.simulator.trouble import Trouble

HOST = "127.0.0.1"
MOST_MASTERS = 8
LONGEST_WAIT_NS = 60_000_000_000
AGAIN_NS = 100_000_000
AT_ONCE = 4096


class Master:
    """One connection: what came of it and is no whole request yet."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.heard = b""


class TcpWire(OwnThread):
    """A station behind a TCP port of the loopback. `stop` takes it away.

    `settings.tcp_port` is taken where it is free (0: whichever is), `tcp_port` is the one in use. `utc_ms` gives the
    true time, at which a meter latches its values. `troubles` strike by `seed`: those that `settings.framing` lets
    through. A gateway that is `unplugged` ends its connections and refuses new ones until it is back.
    """

    def __init__(
        self,
        station: Station,
        settings: SocketSettings,
        utc_ms: Callable[[], int],
        *,
        troubles: Iterable[Trouble] = (),
        seed: str = "1",
    ) -> None:
        self._station, self._numbered, self._utc_ms = station, settings.numbered, utc_ms
        troubles = tuple(troubles)
        for trouble in troubles:
            if settings.framing not in trouble.recipe.through:
                raise ValueError(f"{trouble.recipe.name} does not come through framing {settings.framing}")
        self._troubles = AtWork(troubles, settings, station.meters, seed, time.monotonic_ns())
        self._back_ns = 0  # until then the gateway is away
        self._listener: socket.socket | None = _listening(settings.tcp_port)
        self.tcp_port: int = self._listener.getsockname()[1]
        self._masters: dict[int, Master] = {}
        self._agenda: list[tuple[int, Master, bytes]] = []
        super().__init__(f"TCP port {self.tcp_port}")

    def _let_go(self) -> None:
        for master in self._masters.values():
            master.connection.close()
        self._masters.clear()
        if self._listener is not None:
            self._listener.close()
        self._listener = None

    def _serve(self) -> None:
        while True:
            watched: list[int | socket.socket] = [self._woken, *self._masters]
            if self._listener is not None:
                watched.append(self._listener)
            ready, _, _ = select.select(watched, [], [], self._wait_s())
            if self._woken in ready and self._is_over():
                return
            for one in ready:
                if isinstance(one, socket.socket):
                    self._accept(one)
                elif one in self._masters:
                    self._take(self._masters[one])
            self._send_due(time.monotonic_ns())
            self._come_and_go(time.monotonic_ns())

    def _wait_s(self) -> float:
        due_ns = [self._troubles.next_ns(), *(at_ns for at_ns, _, _ in self._agenda[:1])]
        if self._listener is None:
            due_ns.append(self._back_ns)
        return max(0, min(min(due_ns) - time.monotonic_ns(), LONGEST_WAIT_NS)) / 1e9

    def _come_and_go(self, now_ns: int) -> None:
        if self._troubles.next_ns() <= now_ns:
            for event in self._troubles.events(now_ns):
                self._back_ns = max(self._back_ns, now_ns + event.away_ns)
        if self._back_ns > now_ns and self._listener is not None:
            self._let_go()
            self._agenda.clear()
        elif self._back_ns <= now_ns and self._listener is None:
            self._back_ns = now_ns + AGAIN_NS  # where another program has taken the port meanwhile
            with suppress(OSError):
                self._listener = socket.create_server((HOST, self.tcp_port))
                self._back_ns = now_ns

    def _accept(self, listener: socket.socket) -> None:
        connection, _ = listener.accept()
        if len(self._masters) >= MOST_MASTERS:
            connection.close()
            return
        connection.setblocking(False)
        self._masters[connection.fileno()] = Master(connection)

    def _take(self, master: Master) -> None:
        try:
            chunk = master.connection.recv(AT_ONCE)
        except OSError:
            chunk = b""
        if not chunk:
            self._hang_up(master)
            return
        master.heard += chunk
        try:
            while (found := self._request(master)) is not None:
                number, serial = found
                self._answer(master, number, serial)
        except mbap.Malformed:
            self._hang_up(master)

    def _request(self, master: Master) -> tuple[int, bytes] | None:
        """The next whole request: its number, and the serial frame of it."""
        if self._numbered:
            found = mbap.first_frame(master.heard)
            if found is None:
                return None
            master.heard = master.heard[len(found.raw) :]
            return found.transaction, frame.with_crc(bytes((found.unit,)) + found.pdu)
        if len(master.heard) < frame.REQUEST_LENGTH:
            return None
        serial, master.heard = master.heard[: frame.REQUEST_LENGTH], master.heard[frame.REQUEST_LENGTH :]
        return 0, serial

    def _answer(self, master: Master, number: int, serial: bytes) -> None:
        now_ns, utc_ms, unit = time.monotonic_ns(), self._utc_ms(), serial[0]
        if not self._troubles.hears(unit, utc_ms):
            return
        said = self._station.hear(serial, utc_ms)
        for answer in self._troubled(said, unit, utc_ms):
            self._agenda.append((now_ns + answer.delay_ns, master, self._framed(number, answer, said[0])))
        self._agenda.sort(key=lambda due: due[0])

    def _troubled(self, said: Answers, unit: int, utc_ms: int) -> Answers:
        return self._troubles.answers(said, self._station.meters[unit], utc_ms)[0] if said else ()

    def _framed(self, number: int, answer: Answer, said: Answer) -> bytes:
        """A frame that was cut short has the header of the one that was to come: `said`."""
        if not self._numbered:
            return answer.frame
        whole = frame.crc_holds(answer.frame)
        serial = answer.frame if whole else said.frame
        raw = mbap.framed(number, serial[0], serial[1:-2])
        return raw if whole else raw[: len(answer.frame)]

    def _send_due(self, now_ns: int) -> None:
        while self._agenda and self._agenda[0][0] <= now_ns:
            _, master, raw = self._agenda.pop(0)
            try:
                if master.connection.fileno() >= 0:
                    master.connection.send(raw, socket.MSG_NOSIGNAL)
            except OSError:
                self._hang_up(master)

    def _hang_up(self, master: Master) -> None:
        self._masters.pop(master.connection.fileno(), None)
        master.connection.close()


def _listening(port: int) -> socket.socket:
    try:
        return socket.create_server((HOST, port))
    except OSError:
        return socket.create_server((HOST, 0))

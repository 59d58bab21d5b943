"""Edge: a simulated line behind a gateway on the loopback, one thread each: Modbus TCP, or serial frames in a socket.

The meters are those of a station and hear serial frames. Of Modbus TCP the number goes back with each answer, and a
meter that says nothing leaves the gateway silent too. What a serial line does to bytes is not simulated here.
"""

import select
import socket
import time
from collections.abc import Callable

from tallywell.line import frame, mbap
from tallywell.line.timing import SocketSettings
from tallywell.simulator.own_thread import OwnThread
from tallywell.simulator.station import Answer, Station

HOST = "127.0.0.1"
MOST_MASTERS = 8
AT_ONCE = 4096


class Master:
    """One connection: what came of it and is no whole request yet."""

    def __init__(self, connection: socket.socket) -> None:
        self.connection = connection
        self.heard = b""


class TcpWire(OwnThread):
    """A station behind a TCP port of the loopback. `stop` takes it away.

    `settings.tcp_port` is taken where it is free (0: whichever is), `tcp_port` is the one in use. `utc_ms` gives the
    true time, at which a meter latches its values.
    """

    def __init__(self, station: Station, settings: SocketSettings, utc_ms: Callable[[], int]) -> None:
        self._station, self._numbered, self._utc_ms = station, settings.numbered, utc_ms
        self._listener = _listening(settings.tcp_port)
        self.tcp_port: int = self._listener.getsockname()[1]
        self._masters: dict[int, Master] = {}
        self._agenda: list[tuple[int, Master, bytes]] = []
        super().__init__(f"TCP port {self.tcp_port}")

    def _let_go(self) -> None:
        for master in self._masters.values():
            master.connection.close()
        self._listener.close()

    def _serve(self) -> None:
        while True:
            watched = [self._woken, self._listener.fileno(), *self._masters]
            ready, _, _ = select.select(watched, [], [], self._wait_s())
            if self._woken in ready and self._is_over():
                return
            for descriptor in ready:
                if descriptor == self._listener.fileno():
                    self._accept()
                else:
                    self._take(self._masters[descriptor])
            self._send_due(time.monotonic_ns())

    def _wait_s(self) -> float | None:
        return max(0, self._agenda[0][0] - time.monotonic_ns()) / 1e9 if self._agenda else None

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
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
        now_ns = time.monotonic_ns()
        for answer in self._station.hear(serial, self._utc_ms()):
            self._agenda.append((now_ns + answer.delay_ns, master, self._framed(number, answer)))
        self._agenda.sort(key=lambda due: due[0])

    def _framed(self, number: int, answer: Answer) -> bytes:
        return mbap.framed(number, answer.frame[0], answer.frame[1:-2]) if self._numbered else answer.frame

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

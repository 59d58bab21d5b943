"""Servers on the loopback that behave as their recipe says, for tests of lines through a socket."""

import os
import select
import socket
import threading
from collections.abc import Callable

from tallywell.line import frame, mbap
from tallywell.readings.exchange import Read

Recipe = Callable[["Caller"], None]
LONGEST_REQUEST = 260


class Ended(Exception):
    """The caller hung up, or the test is over."""


class Caller:
    """One connection, as the server sees it. `number` counts the connections from 1."""

    def __init__(self, connection: socket.socket, stopping: int, number: int) -> None:
        self.number = number
        self._connection = connection
        self._stopping = stopping

    def hears(self) -> bytes:
        """One request, as our side writes it in one piece. Ended when there will be none."""
        ready = readable(self._connection.fileno(), self._stopping)
        chunk = b"" if self._stopping in ready else self._connection.recv(LONGEST_REQUEST)
        if not chunk:
            raise Ended
        return chunk

    def asked(self) -> tuple[int, int, Read]:
        """One request of Modbus TCP: its number, unit and read."""
        found = mbap.first_frame(self.hears())
        assert found is not None
        read = mbap.asked_read(found)
        assert read is not None, "only reads are ever sent"
        return found.transaction, found.unit, read

    def asked_serially(self) -> tuple[int, Read]:
        found = frame.parse_request(self.hears())
        assert found is not None, "only whole reads are ever sent"
        return found

    def says(self, chunk: bytes) -> None:
        self._connection.sendall(chunk)

    def until_the_end(self) -> None:
        """Hears, and says nothing."""
        while True:
            self.hears()

    def breaks_off(self) -> None:
        """Closes with a reset instead of an end (SO_LINGER 0)."""
        self._connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")


class Server:
    """Plays the recipe for each connection in turn, one at a time. A failure in it fails the test at `end`."""

    def __init__(self, recipe: Recipe, port: int = 0) -> None:
        self._recipe = recipe
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self.connections = 0
        self._stopping, self._stop = os.pipe()
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def end(self) -> None:
        if self._stop >= 0:
            os.write(self._stop, b"x")
            self._thread.join(30)
            self._listener.close()
            os.close(self._stop)
            os.close(self._stopping)
            self._stop = -1
        if self._failed is not None:
            raise self._failed

    def _serve(self) -> None:
        while self._stopping not in readable(self._listener.fileno(), self._stopping):
            connection, _ = self._listener.accept()
            self.connections += 1
            with connection:
                try:
                    self._recipe(Caller(connection, self._stopping, self.connections))
                except (Ended, OSError):
                    continue
                except BaseException as failed:  # told to the test at its end
                    self._failed = failed
                    return


def readable(*descriptors: int) -> list[int]:
    return select.select(descriptors, [], [])[0]


def words(read: Read, salt: int = 0) -> bytes:
    """Content that tells which registers were asked."""
    return b"".join(((read.register + k + salt) & 0xFFFF).to_bytes(2, "big") for k in range(read.words))

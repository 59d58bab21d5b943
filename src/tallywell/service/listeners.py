"""Edge: what passes over the daemon's lines, for whoever wants to see it while it polls.

A listener makes a socket in the record's folder; the daemon looks for such sockets and sends each exchange there, in
the rows of a kept file. It never waits for one: what a slow listener cannot take is counted, and it is told how much it
missed. A socket that nobody reads any more is taken away.
"""

import os
import socket
import stat
import uuid
from collections import Counter
from contextlib import suppress
from pathlib import Path

from tallywell import __version__
from tallywell.line.kept import Missing, row_text
from tallywell.readings.exchange import Outcome
from tallywell.readings.problems import EdgeFailure
from tallywell.readings.traffic import Asked, Passed

FOLDER = "listeners"
FOLDER_MODE, SOCKET_MODE = 0o2770, 0o660
ENDING = ".sock"
MOST_CHARACTERS = 30_000  # of one datagram, and one row more: far below what a socket takes
MOST_BYTES = 65_536
GREETING = "# tallywell"  # in a kept file a remark


def _near(descriptor: int, name: str) -> str:
    """A short path for a socket in an open folder: a socket's own path may have 107 characters only (unix(7))."""
    return f"/proc/self/fd/{descriptor}/{name}"


class Listeners:
    """The daemon's side. `look` is for the main thread, the senders for the thread of their line."""

    def __init__(self, record: Path) -> None:
        self._folder = record / FOLDER
        self._descriptor = -1
        self._socket: socket.socket | None = None  # made when somebody listens first
        self.names: tuple[str, ...] = ()

    def look(self) -> bool:
        """See who listens; whether somebody does."""
        try:
            self._open()
            names = tuple(sorted(one.name for one in self._folder.iterdir() if one.suffix == ENDING))
            if names and self._socket is None:
                kind = socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
                self._socket = socket.socket(socket.AF_UNIX, kind)
        except OSError:  # nobody has ever listened, the folder was taken away, or too much is open
            self._forget()
            return False
        new, self.names = set(names) - set(self.names), names
        for name in new:
            if not self.send(name, f"{GREETING} {__version__} lets you look on\n"):  # not ready yet: at the next look
                self.names = tuple(one for one in self.names if one != name)
        return bool(self.names)

    def _open(self) -> None:
        """The folder as it is now; another may stand in its place."""
        if self._descriptor >= 0 and os.fstat(self._descriptor).st_ino != self._folder.stat().st_ino:
            self._forget()
        if self._descriptor < 0:
            self._descriptor = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def send(self, name: str, text: str) -> bool:
        """Whether the listener took it, or is gone and needs no more."""
        if self._socket is None:
            return True
        try:
            self._socket.sendto(text.encode(), _near(self._descriptor, name))
        except BlockingIOError:
            return False
        except (ConnectionRefusedError, FileNotFoundError):  # it ended without taking its socket away
            self.names = tuple(one for one in self.names if one != name)
            with suppress(OSError):
                os.unlink(name, dir_fd=self._descriptor)
        except OSError:
            return False
        return True

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._forget()

    def _forget(self) -> None:
        self.names = ()
        if self._descriptor >= 0:
            os.close(self._descriptor)
        self._descriptor = -1


class Sender:
    """The tap of one line: sends each exchange as it ends, and what is heard between two at once."""

    def __init__(self, listeners: Listeners, line: str) -> None:
        self._listeners = listeners
        self._line = line
        self._rows: list[str] = []
        self._characters = 0
        self._running = False
        self._missed: Counter[str] = Counter()

    def __call__(self, passed: Passed) -> None:
        if isinstance(passed, Asked):
            self._running = True
        elif isinstance(passed, Outcome):
            self._running = False
        self._rows.append(row_text(self._line, passed, 0))
        self._characters += len(self._rows[-1])
        if not self._running or self._characters >= MOST_CHARACTERS:
            at_ns = passed.ended_ns if isinstance(passed, Outcome) else passed.at_ns
            self._send("".join(self._rows), at_ns)
            self._rows.clear()
            self._characters = 0

    def _send(self, rows: str, at_ns: int) -> None:
        for name in self._listeners.names:
            missed = self._missed[name]
            before = row_text(self._line, Missing(at_ns, missed), 0) if missed else ""
            # What was missed is told behind the rows: a row is never earlier than the one before it.
            self._missed[name] = 0 if self._listeners.send(name, rows + before) else missed + 1


class Listener:
    """A listener's side: a context manager; `receive` gives the rows of an exchange, "" where none came in time."""

    def __init__(self, record: Path) -> None:
        self._folder = record / FOLDER
        self._name = f"{uuid.uuid4()}{ENDING}"

    def __enter__(self) -> "Listener":
        try:
            self._make_folder()
            self._descriptor = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.bind(_near(self._descriptor, self._name))
            os.chmod(self._name, SOCKET_MODE, dir_fd=self._descriptor)
        except OSError as failed:
            hint = "the record's folder must be writable for its group: `ls -ld` shows both"
            raise EdgeFailure(f"{self._folder}: cannot listen there ({failed.strerror})", hint=hint) from failed
        return self

    def receive(self, seconds: float) -> str:
        self._socket.settimeout(max(0.001, seconds))
        try:
            return self._socket.recv(MOST_BYTES).decode(errors="replace")
        except TimeoutError:
            return ""

    def __exit__(self, *_: object) -> None:
        self._socket.close()
        with suppress(OSError):
            os.unlink(self._name, dir_fd=self._descriptor)
        os.close(self._descriptor)

    def _make_folder(self) -> None:
        with suppress(FileExistsError):
            self._folder.mkdir()
            if stat.S_IMODE(self._folder.stat().st_mode) != FOLDER_MODE:
                self._folder.chmod(FOLDER_MODE)

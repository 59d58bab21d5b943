"""A connection to a gateway, or to a meter on the network, that is never waited on blindly. Edge.

Everything that goes wrong with an open connection becomes PortLost: the owner closes it at once and connects again.
Only addresses are connected to, no names: finding a name's address blocks, for half a minute where no name server
answers, and neither a stop nor a deadline ends that.
"""

import errno
import os
import select
import socket
from contextlib import suppress

from tallywell.line.away import PortAway, Reason
from tallywell.line.port import AT_ONCE, PortLost, Wake, wait_for
from tallywell.line.timing import SECOND_NS, SocketSettings

CONNECT_NS = 3 * SECOND_NS  # the first repetition of a lost SYN comes after 1 s (RFC 6298, 2.1), the next after 3 s
# A peer that vanished (power, cable, a router that forgot us) sends no FIN. The kernel asks an idle connection after so
# many seconds, then so often, so many times; and gives up what was sent and not acknowledged for so many milliseconds.
KEEPALIVE = {socket.TCP_KEEPIDLE: 15, socket.TCP_KEEPINTVL: 5, socket.TCP_KEEPCNT: 3}
UNACKNOWLEDGED_MS = 10_000
ONE_MASTER = "it may serve one master at a time, or only certain addresses: end what else is connected to it"
POWER = "check its power and the network cable; it is tried again by itself"


class SocketPort:
    """An open connection. `read` gives what is there, `wait` ends when something is, or the wake rings, or in time."""

    def __init__(self, connection: socket.socket, wake: Wake, device: str = "") -> None:
        self.device = device
        self._connection = connection
        self._wake = wake
        self._heard = False

    def read(self) -> bytes:
        """What has come since; b"" when nothing has."""
        try:
            chunk = self._connection.recv(AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError as gone:
            raise self._lost(gone) from gone
        if not chunk:
            raise self._closed("it closed the connection")
        self._heard = True
        return chunk

    def write(self, frame: bytes) -> None:
        try:
            taken = self._connection.send(frame, socket.MSG_NOSIGNAL)
        except OSError as gone:
            raise self._lost(gone) from gone
        if taken != len(frame):
            raise PortLost(f"the connection took {taken} of {len(frame)} bytes", POWER)

    def wait(self, for_ns: int) -> None:
        wait_for([self._connection.fileno(), self._wake.reader], for_ns)

    def close(self) -> None:
        with suppress(OSError, ValueError):
            self._connection.close()

    def _lost(self, gone: OSError) -> PortLost:
        if gone.errno in (errno.ECONNRESET, errno.EPIPE):
            return self._closed("it broke the connection off")
        if gone.errno == errno.ETIMEDOUT:
            return PortLost("it does not answer any more", POWER)
        return PortLost(os.strerror(gone.errno or 0), POWER)

    def _closed(self, what: str) -> PortLost:
        """Closed before it ever said anything is how a server of one master turns away a second one."""
        return PortLost(what, POWER) if self._heard else PortLost(f"{what} before it answered anything", ONE_MASTER)


def open_socket(settings: SocketSettings, wake: Wake) -> SocketPort:
    """Connect, within CONNECT_NS or until the wake rings; PortAway says in one line why there is no connection."""
    try:
        return SocketPort(_connected(settings, wake), wake, settings.called)
    except (OSError, ValueError) as failed:  # ValueError: more descriptors than select can take
        raise _failure(settings, failed) from failed


def _connected(settings: SocketSettings, wake: Wake) -> socket.socket:
    flags = socket.AI_NUMERICHOST | socket.AI_NUMERICSERV  # nobody is asked
    family, kind, protocol, _, address = socket.getaddrinfo(
        settings.host, settings.tcp_port, type=socket.SOCK_STREAM, flags=flags
    )[0]
    connection = socket.socket(family, kind, protocol)
    try:
        _tell_of_vanished_peers(connection)
        connection.setblocking(False)
        _connect(connection, address, wake)
    except BaseException:
        connection.close()
        raise
    return connection


def _connect(connection: socket.socket, address: object, wake: Wake) -> None:
    begun = connection.connect_ex(address)  # type: ignore[arg-type] # as getaddrinfo gives it
    if begun == errno.EINPROGRESS:
        select.select([wake.reader], [connection], [], CONNECT_NS / SECOND_NS)
        _, done, _ = select.select([], [connection], [], 0)
        begun = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) if done else errno.ETIMEDOUT
    if begun:
        raise OSError(begun, os.strerror(begun))


def _tell_of_vanished_peers(connection: socket.socket) -> None:
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a request is one segment, and leaves now
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, number in KEEPALIVE.items():
        connection.setsockopt(socket.IPPROTO_TCP, option, number)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNACKNOWLEDGED_MS)


def _failure(settings: SocketSettings, failed: OSError | ValueError) -> PortAway:
    what, hint = _in_words(failed)
    return PortAway(f"{settings.called}: {what}", Reason.UNREACHABLE, hint)


def _in_words(failed: OSError | ValueError) -> tuple[str, str]:
    """What is wrong, and what to do."""
    if isinstance(failed, socket.gaierror):
        return "no address that can be used here", "check host in the site file"
    number = failed.errno if isinstance(failed, OSError) else None
    why = str(failed) if number is None else os.strerror(number).lower()
    return _ANSWERS.get(number, (f"cannot be connected to: {why}", POWER))


_NOTHING = "nothing answers there", "check its power, the network cable and host in the site file"
_NO_WAY = "this machine has no way there", "check its own network cable and address, and host in the site file"
_BARRED = "this machine does not let the connection out", "look at this machine's packet filter"
_NO_ROOM = (
    "this machine lacks memory or open files for it",
    "look at what else runs on it, and start this program again",
)
_ANSWERS: dict[int | None, tuple[str, str]] = {
    errno.ECONNREFUSED: (
        "connection refused",
        "the device is there: check tcp_port, and whether its Modbus server or raw port is switched on",
    ),
    **dict.fromkeys((errno.ETIMEDOUT, errno.EHOSTUNREACH, errno.EHOSTDOWN), _NOTHING),
    **dict.fromkeys((errno.ENETUNREACH, errno.ENETDOWN, errno.EADDRNOTAVAIL, errno.EINVAL), _NO_WAY),
    **dict.fromkeys((errno.EACCES, errno.EPERM), _BARRED),
    **dict.fromkeys((errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.ENOBUFS), _NO_ROOM),
}

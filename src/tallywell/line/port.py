"""A serial port as a descriptor that is never waited on blindly. Edge.

Everything that goes wrong with an open port becomes PortLost: the owner closes it at once (or the adapter comes back
under another name) and opens it again by its path.
"""

import errno
import fcntl
import os
import select
import stat
import termios
import threading
from contextlib import suppress
from pathlib import Path

import serial

from tallywell.line.timing import SECOND_NS, LineSettings
from tallywell.readings.problems import EdgeFailure

AT_ONCE = 4096  # more than any line says between two looks
PTY_MAJORS = range(136, 144)  # Linux: Unix98 pseudo-terminal slaves
SPIN_NS = 80_000  # a sleeping select wakes some 50 us late (timer slack): the last stretch is looked at without sleep
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class PortLost(Exception):
    """The port is gone or does not work any more. `hint`: what to do."""

    def __init__(self, what: str, hint: str = "is the adapter plugged in?") -> None:
        super().__init__(what)
        self.hint = hint


class Wake:
    """A pipe that ends a wait from another thread, and stays rung."""

    def __init__(self) -> None:
        self.reader, self._writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._open = threading.Lock()  # a descriptor's number may be another file's as soon as it is closed

    def ring(self) -> None:
        with self._open, suppress(OSError):  # full: rung often enough; closed: nobody waits
            os.write(self._writer, b"!")

    def close(self) -> None:
        with self._open:
            if self._writer >= 0:
                os.close(self.reader)
                os.close(self._writer)
            self._writer = -1


class SerialPort:
    """An open port. `read` gives what is there, `wait` ends when something is there, or the wake rings, or in time."""

    def __init__(self, tty: serial.Serial, wake: Wake) -> None:
        self._tty = tty
        self._fd = tty.fileno()
        self._wake = wake

    def read(self) -> bytes:
        """What has come since; b"" when nothing has."""
        try:
            chunk = os.read(self._fd, AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError as gone:
            raise PortLost(str(gone)) from gone
        if not chunk:
            raise PortLost("end of file: the adapter was pulled out")
        return chunk

    def write(self, frame: bytes) -> None:
        try:
            taken = os.write(self._fd, frame)
        except OSError as gone:
            raise PortLost(str(gone)) from gone
        if taken != len(frame):
            raise PortLost(f"the port took {taken} of {len(frame)} bytes")

    def wait(self, for_ns: int) -> None:
        wait_for([self._fd, self._wake.reader], for_ns)

    def close(self) -> None:
        with suppress(OSError, termios.error):  # it may be gone already
            self._tty.close()


def wait_for(descriptors: list[int], for_ns: int) -> None:
    """Until one is readable, at most `for_ns`; may return up to SPIN_NS early, so that the caller looks again."""
    try:
        select.select(descriptors, [], [], max(0, for_ns - SPIN_NS) / SECOND_NS)
    except OSError as gone:
        raise PortLost(str(gone)) from gone


def open_port(settings: LineSettings, wake: Wake) -> SerialPort:
    """Open, lock and set the port and throw away what it had heard; EdgeFailure says in one line why it cannot be."""
    try:
        return SerialPort(_opened(settings), wake)
    except (OSError, termios.error, ValueError) as failed:  # serial.SerialException is an OSError
        raise _failure(settings, failed) from failed


def _opened(settings: LineSettings) -> serial.Serial:
    parity = "none" if _is_pseudo_terminal(settings.port) else settings.parity
    # Opening also locks, before anything is changed, and throws away what had come (pyserial, serialposix.open).
    tty = serial.Serial(
        port=settings.port, baudrate=settings.baud, parity=PARITIES[parity], stopbits=settings.stop_bits,
        timeout=0, exclusive=True,
    )  # fmt: skip
    try:
        _tell_silence_from_the_end(tty.fileno())
    except BaseException:
        tty.close()
        raise
    return tty


def _is_pseudo_terminal(path: str) -> bool:
    """Linux refuses the parity bit on a pseudo-terminal (tcsetattr: EINVAL for PARENB), so there it is left out."""
    status = Path(path).stat()
    if not stat.S_ISCHR(status.st_mode):
        raise OSError(errno.ENOTTY, "not a character device")
    return os.major(status.st_rdev) in PTY_MAJORS


def _tell_silence_from_the_end(fd: int) -> None:
    """With VMIN 0 a read gives 0 bytes for silence and for a pulled adapter alike; with VMIN 1 silence is EAGAIN."""
    attributes = termios.tcgetattr(fd)
    attributes[6][termios.VMIN], attributes[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    fcntl.fcntl(fd, fcntl.F_SETFL, fcntl.fcntl(fd, fcntl.F_GETFL) | os.O_NONBLOCK)


def _failure(settings: LineSettings, failed: Exception) -> EdgeFailure:
    name = settings.port
    match _number(failed):
        case errno.ENOENT | errno.ENXIO | errno.ENODEV | errno.ENOTDIR | errno.EIO:  # EIO: a name without hardware
            hint = "is the adapter plugged in? `ls /dev/serial/by-path` shows what is"
            return EdgeFailure(f"port {name}: no such device", hint=hint, again=True)
        case errno.EACCES | errno.EPERM:
            hint = f"this user must be in the group that owns it: `ls -lL {name}` shows it (often dialout)"
            return EdgeFailure(f"port {name}: permission denied", hint=hint, again=True)
        case errno.EWOULDBLOCK | errno.EBUSY:
            hint = f"only one program may own a line: `fuser {name}` shows which one does"
            return EdgeFailure(f"port {name}: held by another program", hint=hint, again=True)
        case errno.ENOTTY:
            return EdgeFailure(f"port {name}: not a serial port", hint="give the path of a tty", again=False)
    setting = f"{settings.baud} baud, parity {settings.parity}, {settings.stop_bits} stop bits"
    what = f"port {name}: cannot be opened with {setting}: {failed}"
    return EdgeFailure(what, hint="check the line's settings", again=True)


def _number(failed: BaseException) -> int | None:
    """The errno, also where pyserial has put a termios.error into words."""
    if failed.args and isinstance(failed.args[0], int):
        return failed.args[0]
    return _number(failed.__context__) if failed.__context__ else None

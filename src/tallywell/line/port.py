"""A serial port as a descriptor that is never waited on blindly. Edge.

Everything that goes wrong with an open port becomes PortLost: the owner closes it at once (or the adapter comes back
under another name) and opens it again by its path.
"""

import errno
import fcntl
import os
import select
import stat
import struct
import termios
import threading
from contextlib import suppress
from pathlib import Path

import serial

from tallywell.line.links import Adapter, Links
from tallywell.line.port_failure import Doubtful, NoRs485, failure
from tallywell.line.timing import SECOND_NS, LineSettings, Rs485

AT_ONCE = 4096  # more than any line says between two looks
PTY_MAJORS = range(136, 144)  # Linux: Unix98 pseudo-terminal slaves
SPIN_NS = 80_000  # a sleeping select wakes some 50 us late (timer slack): the last stretch is looked at without sleep
LONGEST_WAIT_NS = 3600 * SECOND_NS  # a clock of the kernel's that was put wrong must not make select refuse the time
PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
BROKEN = (OSError, termios.error, ValueError)  # ValueError: a descriptor that is none any more, or beyond select's 1024
# Linux, include/uapi/asm-generic/ioctls.h, and struct serial_rs485 with its flags in include/uapi/linux/serial.h:
# flags, delay_rts_before_send and delay_rts_after_send (ms), and room for five numbers more.
TIOCGRS485, TIOCSRS485 = 0x542E, 0x542F
SER_RS485_ENABLED, SER_RS485_RTS_ON_SEND, SER_RS485_RTS_AFTER_SEND = 1 << 0, 1 << 1, 1 << 2
SERIAL_RS485 = struct.Struct("=8I")
UNPLUGGED = frozenset({errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF})


class PortLost(Exception):
    """The port is gone or does not work any more. `hint`: what to do."""

    def __init__(self, what: str, hint: str = "is the adapter plugged in?") -> None:
        super().__init__(what)
        self.hint = hint


def _lost(broken: BaseException) -> PortLost:
    """Whatever an operating system or a driver may answer about a port that is open is one thing here."""
    number = broken.errno if isinstance(broken, OSError) else None
    return PortLost("the device is gone" if number in UNPLUGGED else os.strerror(number) if number else str(broken))


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
            for descriptor in (self.reader, self._writer) if self._writer >= 0 else ():
                with suppress(OSError):
                    os.close(descriptor)
            self._writer = -1


class SerialPort:
    """An open port. `read` gives what is there, `wait` ends when something is there, or the wake rings, or in time.

    `device`: which device it is, links followed.
    """

    device = ""

    def __init__(self, tty: serial.Serial, wake: Wake, device: str) -> None:
        self._tty = tty
        self._fd = tty.fileno()
        self._wake = wake
        self.device = device

    def read(self) -> bytes:
        """What has come since; b"" when nothing has."""
        try:
            chunk = os.read(self._fd, AT_ONCE)
        except BlockingIOError:
            return b""
        except BROKEN as broken:
            raise _lost(broken) from broken
        if not chunk:
            raise PortLost("the adapter was pulled out (end of file)")
        return chunk

    def write(self, frame: bytes) -> None:
        try:
            taken = os.write(self._fd, frame)
        except BROKEN as broken:
            raise _lost(broken) from broken
        if taken != len(frame):
            raise PortLost(f"the port took {taken} of {len(frame)} bytes")

    def wait(self, for_ns: int) -> None:
        wait_for([self._fd, self._wake.reader], for_ns)

    def close(self) -> None:
        with suppress(*BROKEN):  # it may be gone already
            self._tty.close()


def wait_for(descriptors: list[int], for_ns: int) -> None:
    """Until one is readable, at most `for_ns`; may return up to SPIN_NS early, so that the caller looks again."""
    try:
        select.select(descriptors, [], [], min(max(0, for_ns - SPIN_NS), LONGEST_WAIT_NS) / SECOND_NS)
    except BROKEN as broken:
        raise _lost(broken) from broken


class SerialOpener:
    """Opens one line's port, again and again, and never another adapter than the one it opened first.

    A link is followed anew each time. A name that the kernel numbers (/dev/ttyUSB0) may be another adapter's when ours
    comes back: so the links that lead to it are noted when it is first opened, and from then on it is opened by these.
    """

    def __init__(self, links: Links | None = None) -> None:
        self._links = links or Links()
        self._adapter: Adapter | None = None

    def __call__(self, settings: LineSettings, wake: Wake) -> SerialPort:
        """Open, lock and set the port, throw away what it had heard. PortAway says in one line why it cannot be."""
        path = settings.port
        try:
            path = self._path(settings.port)
            port = SerialPort(_opened(settings, path), wake, os.path.realpath(path))
            if self._adapter is None:
                numbered = not Path(settings.port).is_symlink()
                self._adapter = self._links.adapter(port.device) if numbered else Adapter()
        except BROKEN as failed:  # serial.SerialException is an OSError
            raise failure(settings, failed, self._links, path) from failed
        return port

    def _path(self, written: str) -> str:
        if self._adapter is None or not self._adapter.known:
            return written
        found = self._links.find(self._adapter)
        if found is None:
            raise Doubtful
        return found


def _opened(settings: LineSettings, path: str) -> serial.Serial:
    parity = "none" if _is_pseudo_terminal(path) else settings.parity
    # Opening also locks, before anything is changed, and throws away what had come (pyserial, serialposix.open).
    tty = serial.Serial(
        port=path, baudrate=settings.baud, parity=PARITIES[parity], stopbits=settings.stop_bits,
        timeout=0, exclusive=True,
    )  # fmt: skip
    try:
        _tell_silence_from_the_end(tty.fileno())
        if settings.rs485 is not None:
            _switch_direction(tty.fileno(), settings.rs485)
    except BaseException:
        with suppress(*BROKEN):
            tty.close()
        raise
    return tty


def rs485_bytes(how: Rs485) -> bytes:
    """struct serial_rs485: the driver raises RTS for as long as it sends, or lowers it."""
    flags = SER_RS485_ENABLED | (SER_RS485_RTS_ON_SEND if how.rts_on_send else SER_RS485_RTS_AFTER_SEND)
    return SERIAL_RS485.pack(flags, how.before_ms, how.after_ms, 0, 0, 0, 0, 0)


def _switch_direction(fd: int, how: Rs485) -> None:
    """Have the driver do it, and see that it does: it may answer with what it can instead of what was asked.

    pyserial's own way makes a ValueError without a number of each refusal, and does not look.
    """
    wanted = rs485_bytes(how)
    set_as = bytearray(wanted)
    try:
        fcntl.ioctl(fd, TIOCSRS485, wanted)
        fcntl.ioctl(fd, TIOCGRS485, set_as)
    except OSError as refused:
        if refused.errno in UNPLUGGED:
            raise
        raise NoRs485(refused.errno) from refused
    done = SERIAL_RS485.unpack(set_as)
    if done[0] & 0b111 != SERIAL_RS485.unpack(wanted)[0] & 0b111:
        raise NoRs485(errno.EINVAL, "it does not switch RTS as asked")


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

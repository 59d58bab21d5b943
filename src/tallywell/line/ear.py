"""The owner of a serial port that is only listened to. Edge.

Nothing can be written: the descriptor is open for reading alone, so the kernel refuses a write, and neither the port
nor its owner has a way to send. Beyond opening and setting it, no control line is touched.
"""

import fcntl
import os
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Protocol

from tallywell.line.away import Change, PortAway, Presence, Reason
from tallywell.line.links import Links
from tallywell.line.overheard import Overhearing, Unused
from tallywell.line.port import PortLost, SerialOpener, Wake, wait_for
from tallywell.line.port_failure import failure
from tallywell.line.timing import SECOND_NS, LineSettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Outcome
from tallywell.readings.traffic import Tap, Traffic, Way

AT_ONCE = 4096
LONGEST_WAIT_NS = SECOND_NS // 4  # so often it is seen that the port is empty, and whether there is news
# Bytes that may have lain in the port for longer (the machine slept, or this program stood still) have no time.
STALE_NS = SECOND_NS


class Heard(Protocol):
    """An open port that can only be read. PortLost where it is none any more. `device`: which it is."""

    @property
    def device(self) -> str: ...
    def read(self) -> bytes: ...
    def wait(self, for_ns: int) -> None: ...
    def close(self) -> None: ...


class HeardPort:
    """A serial port that is open for reading alone, and locked."""

    def __init__(self, descriptor: int, device: str, wake: Wake) -> None:
        assert fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY, "nothing may be sent here"
        self.device = device
        self._descriptor = descriptor
        self._wake = wake

    def read(self) -> bytes:
        """What has come since; b"" when nothing has."""
        try:
            chunk = os.read(self._descriptor, AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError as gone:
            raise PortLost(os.strerror(gone.errno or 0).lower()) from gone
        if not chunk:
            raise PortLost("the adapter was pulled out (end of file)")
        return chunk

    def wait(self, for_ns: int) -> None:
        wait_for([self._descriptor, self._wake.reader], for_ns)

    def close(self) -> None:
        with suppress(OSError):  # it may be gone already
            os.close(self._descriptor)


Opener = Callable[[LineSettings, Wake], Heard]


def listening_opener() -> Opener:
    """What opens this line, again and again. It is found and set as any other port; then another descriptor, for
    reading alone, takes the place of the one that could write.
    """
    serial = SerialOpener()

    def opened(settings: LineSettings, wake: Wake) -> HeardPort:
        port = serial(settings, wake)
        try:
            flags = os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC
            descriptor = os.open(port.device, flags)
        except OSError as failed:
            raise failure(settings, failed, Links(), port.device) from failed
        finally:
            port.close()  # its lock goes with it
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as failed:
            os.close(descriptor)
            raise failure(settings, failed, Links(), port.device) from failed
        return HeardPort(descriptor, port.device, wake)

    return opened


class Ear:
    """One thread listens; `stop` may come from any other. `delays_ns`: the longest delay of each unit that is known.

    A lost port is closed at once and opened again by its path, after 50 ms, doubling to 0.5 s while it fails. `trouble`
    says why it is away. `changes` are for the log and the record: each going once, each return once.
    """

    def __init__(
        self, settings: LineSettings, clock: Clock, delays_ns: Mapping[int, int], open_as: Opener | None = None
    ) -> None:
        self.settings = settings
        self.tap: Tap | None = None  # is told all that is heard; may be set from any thread
        self._clock = clock
        self._open_as = open_as or listening_opener()
        self._wake = Wake()
        self._stopped = False
        self._port: Heard | None = None
        self._machine = Overhearing(settings, clock.boot_ns(), delays_ns)
        self._looked_ns = clock.boot_ns()  # when the port was last seen empty
        self._presence = Presence(clock.boot_ns())

    @property
    def trouble(self) -> PortAway | None:
        """Why the port is away; None while it is open or was not tried yet."""
        return self._presence.trouble

    @property
    def tally(self) -> Counter[Unused]:
        """What passed and was no reading, since listening began."""
        return self._machine.tally

    def listen(self, until_ns: int) -> tuple[Outcome, ...]:
        """Wait for the ends of exchanges that are overheard: those that ended together, or none by `until_ns`."""
        while not self._stopped:
            if found := self._machine.take():
                return found
            if self._clock.boot_ns() >= until_ns:
                break
            self._turn(until_ns)
        return self._machine.take()

    def changes(self) -> tuple[Change, ...]:
        """What happened to the port since this was asked last, in order."""
        return self._presence.changes()

    def stop(self) -> None:
        """End the listening at once. From any thread."""
        self._stopped = True
        self._wake.ring()

    def close(self) -> None:
        """Let go of the port. To be called by the thread that listens, or when it has ended."""
        self.stop()
        self._let_go()
        self._wake.close()

    def _turn(self, until_ns: int) -> None:
        try:
            port = self._port or self._open()
            if port is None:
                wait_ns = min(self._presence.retry_at_ns, until_ns) - self._clock.boot_ns()
                wait_for([self._wake.reader], wait_ns)
            else:
                self._hear(port, until_ns)
        except PortLost as lost:
            self._away(PortAway(f"{self.settings.called} was lost: {lost}", Reason.GONE, lost.hint))

    def _hear(self, port: Heard, until_ns: int) -> None:
        """`now` is read before the port is: what was not there then had not come by `now`."""
        machine, boot_ns = self._machine, self._clock.boot_ns
        now_ns = boot_ns()
        chunk = port.read()
        seen_ns = boot_ns()
        if chunk and (tap := self.tap) is not None:
            tap(Traffic(seen_ns, Way.HEARD, chunk))
        if chunk and seen_ns - self._looked_ns > STALE_NS:
            machine.lost(seen_ns)
        elif chunk:
            machine.receive(chunk, seen_ns)
        if len(chunk) < AT_ONCE:
            self._looked_ns = now_ns
        machine.expire(now_ns)
        if not chunk:
            until_ns = min(until_ns, machine.deadline(), now_ns + LONGEST_WAIT_NS)
            port.wait(until_ns - boot_ns())

    def _open(self) -> Heard | None:
        now_ns = self._clock.boot_ns()
        if now_ns < self._presence.retry_at_ns:
            return None
        try:
            port = self._port = self._open_as(self.settings, self._wake)
        except PortAway as failed:
            self._away(failed)
            return None
        now_ns = self._looked_ns = self._clock.boot_ns()
        self._machine.lost(now_ns)
        self._presence.trouble = None
        self._presence.back(port.device, now_ns)
        return port

    def _away(self, why: PortAway) -> None:
        self._let_go()
        now_ns = self._clock.boot_ns()
        self._machine.lost(now_ns)
        self._presence.away(why, now_ns)

    def _let_go(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            port.close()

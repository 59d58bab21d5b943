"""The owner of a port that is only listened to, on pseudo-terminals: what it hears, and that it cannot send."""

import fcntl
import inspect
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tallywell.line import ear as ear_module
from tallywell.line import frame
from tallywell.line.away import Back, Lost, Reason
from tallywell.line.ear import STALE_NS, Ear, HeardPort, listening_opener
from tallywell.line.overheard import Unused
from tallywell.line.port import Wake
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Outcome, Read
from tallywell.schedule.system_clock import SystemClock

pytestmark = pytest.mark.alone

READ = Read(4, 0, 2)
ASKED, ANSWERED = frame.request(17, READ), frame.reply(17, 4, b"\x00\x01\x00\x02")
MS = 1_000_000
BAUD = 115_200


@dataclass
class Cable:
    """A pseudo-terminal whose other end the test holds, under a link that stays."""

    link: Path
    near: int = -1
    far: int = -1

    def plug(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        os.set_blocking(self.near, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self.far))

    def pull(self) -> None:
        self.link.unlink(missing_ok=True)
        os.close(self.near)
        os.close(self.far)

    def say(self, *frames: bytes) -> None:
        for one in frames:
            os.write(self.near, one)
            time.sleep(0.004)

    def sent(self) -> bytes:
        """What the program under test has written."""
        try:
            return os.read(self.near, 4096)
        except BlockingIOError:
            return b""


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    found = Cable(tmp_path / "port")
    found.plug()
    yield found
    found.pull()


@pytest.fixture
def ear(cable: Cable) -> Iterator[Ear]:
    found = Ear(LineSettings(str(cable.link), BAUD, latency_ns=2 * MS), SystemClock(), {17: 20 * MS})
    yield found
    found.close()


def until(ear: Ear, wanted: Callable[[Outcome], bool], said: Callable[[], None], seconds: float = 10) -> Outcome:
    """Say it again and again until it is heard: the ear opens the port at its first turn, and is in doubt then."""
    clock, end_s = SystemClock(), time.monotonic() + seconds
    while time.monotonic() < end_s:
        said()
        for outcome in ear.listen(clock.boot_ns() + 60 * MS):
            if wanted(outcome):
                return outcome
    raise AssertionError(f"not heard: {ear.tally} {ear.trouble}")


def test_what_passes_is_heard_and_nothing_is_sent(cable: Cable, ear: Ear) -> None:
    outcome = until(ear, lambda one: one.data is not None, lambda: cable.say(ASKED, ANSWERED))
    assert (outcome.ask.address, outcome.ask.read, outcome.data) == (17, READ, b"\x00\x01\x00\x02")
    assert outcome.first_ns
    assert 0 <= outcome.first_ns - outcome.sent_ns < 1_000 * MS
    assert cable.sent() == b""


def test_the_descriptor_cannot_be_written(cable: Cable) -> None:
    wake = Wake()
    port = listening_opener()(LineSettings(str(cable.link), BAUD), wake)
    assert isinstance(port, HeardPort)
    assert not hasattr(port, "write")
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.write(port._descriptor, b"\x00")
    writable = os.open(os.ttyname(cable.far), os.O_RDWR | os.O_NOCTTY)
    with pytest.raises(AssertionError):
        HeardPort(writable, "", wake)
    with pytest.raises(BlockingIOError):  # no other program owns it meanwhile
        fcntl.flock(writable, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(writable)
    port.close()
    wake.close()


def test_no_file_of_the_listening_has_a_way_to_write() -> None:
    source = inspect.getsource(ear_module)
    assert ".write(" not in source
    assert "O_RDWR" not in source
    assert "O_WRONLY" not in source


def test_pulled_and_put_back(cable: Cable, ear: Ear) -> None:
    until(ear, lambda one: one.data is not None, lambda: cable.say(ASKED, ANSWERED))
    assert ear.changes() == ()
    cable.pull()
    clock = SystemClock()
    end_s = time.monotonic() + 10
    while ear.trouble is None and time.monotonic() < end_s:
        ear.listen(clock.boot_ns() + 20 * MS)
    (lost,) = ear.changes()
    assert isinstance(lost, Lost)
    assert lost.first is Reason.GONE
    cable.plug()
    until(ear, lambda one: one.data is not None, lambda: cable.say(ASKED, ANSWERED))
    (back,) = [change for change in ear.changes() if isinstance(change, Back)]
    assert back.lost.at_ns < back.at_ns
    assert ear.trouble is None
    assert ear.tally[Unused.LOST] >= 2


def test_no_port_is_told_once_and_waits_are_kept(tmp_path: Path) -> None:
    ear = Ear(LineSettings(str(tmp_path / "none"), BAUD), SystemClock(), {})
    clock = SystemClock()
    before_ns = clock.boot_ns()
    assert ear.listen(before_ns + 300 * MS) == ()
    assert clock.boot_ns() - before_ns >= 299 * MS
    (lost,) = ear.changes()
    assert isinstance(lost, Lost)
    assert "no such device" in str(lost.why)
    ear.close()


def test_stop_ends_a_wait_at_once(cable: Cable, ear: Ear) -> None:
    thread = threading.Thread(target=lambda: ear.listen(SystemClock().boot_ns() + 3_600_000 * MS))
    thread.start()
    time.sleep(0.05)
    ear.stop()
    thread.join(5)
    assert not thread.is_alive()
    assert ear.listen(2**62) == ()


class LateClock(SystemClock):
    """May be moved on: as a machine that slept, or a program that stood still."""

    slept_ns = 0

    def boot_ns(self) -> int:
        return super().boot_ns() + self.slept_ns


def test_bytes_that_lay_there_for_an_unknown_time_have_no_time(cable: Cable) -> None:
    clock = LateClock()
    ear = Ear(LineSettings(str(cable.link), BAUD, latency_ns=2 * MS), clock, {17: 20 * MS})
    until(ear, lambda one: one.data is not None, lambda: cable.say(ASKED, ANSWERED))
    time.sleep(0.2)
    ear.listen(clock.boot_ns() + 5 * MS)
    lost = ear.tally[Unused.LOST]
    cable.say(ASKED, ANSWERED)
    clock.slept_ns = 2 * STALE_NS
    assert not [one for one in ear.listen(clock.boot_ns() + 60 * MS) if one.data is not None]
    assert ear.tally[Unused.LOST] == lost + 1
    ear.close()

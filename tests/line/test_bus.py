"""The owner of a port on real pseudo-terminals: lost, held, missing, stopped."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial

from tallywell.line import frame
from tallywell.line.bus import Bus
from tallywell.line.port import SerialPort
from tallywell.line.timing import LineSettings
from tallywell.readings.clocks import Sync, Wake
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure

if TYPE_CHECKING:
    from tests.line.conftest import Paced, Pair

    PacedOf = Callable[[LineSettings], Paced]

pytestmark = pytest.mark.alone

MS = 1_000_000
ASK = Ask(17, Read(3, 0x6B, 3), longest_delay_ns=200 * MS)
WORDS = bytes.fromhex("022b00000064")


class BootClock:
    """Only what a bus needs of a clock: the kernel's own time."""

    def boot_ns(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def utc_ns(self) -> int:
        return time.time_ns()

    def sync(self) -> Sync:
        return Sync(synchronised=False, half_width_ms=16_000)

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        wake.wait(max(0, until_boot_ns - self.boot_ns()) / 1e9)


def settings_of(path: str, baud: int = 19_200) -> LineSettings:
    return LineSettings(path, baud, "even")


def reply_to(request: bytes) -> bytes:
    found = frame.parse_request(request)
    return frame.reply(found[0], found[1].function, WORDS) if found and found[0] == 17 else b""


def test_an_answer_through_a_real_terminal(pair: Pair, paced_of: PacedOf) -> None:
    """Parity is set to even: a pseudo-terminal refuses the bit, and the port opens all the same."""
    paced_of(settings_of(pair.path)).answer(pair.master, reply_to)
    bus = Bus(settings_of(pair.path), BootClock())
    outcome = bus.exchange(ASK)
    assert (outcome.data, bus.trouble) == (WORDS, None)
    assert bus.exchange(Ask(18, ASK.read, 20 * MS)).fault is Fault.NO_ANSWER
    assert bus.exchange(ASK).data == WORDS
    bus.close()


def test_a_waking_through_a_real_terminal(pair: Pair, paced_of: PacedOf) -> None:
    paced_of(settings_of(pair.path)).answer(pair.master, reply_to)
    bus = Bus(settings_of(pair.path), BootClock())
    woken = bus.exchange(Ask(17, Read(ASK.read.function, ASK.read.register, 1), 50 * MS, expects_reply=False))
    assert (woken.data, woken.fault, woken.refused) == (b"", None, ())
    assert woken.ended_ns - woken.sent_ns >= 50 * MS, "the meter has this long to wake"
    assert bus.exchange(ASK).data == WORDS


def test_what_was_said_before_is_not_heard(pair: Pair, paced_of: PacedOf) -> None:
    """Bytes that came before the port was opened are flushed; those that came since start the silence again."""
    stale = frame.reply(17, 3, bytes(6))
    pair.write(b"flushed")
    bus = Bus(settings_of(pair.path), BootClock())
    bus.open()
    pair.write(stale)
    paced_of(settings_of(pair.path)).answer(pair.master, reply_to)
    outcome = bus.exchange(ASK)
    assert outcome.data == WORDS
    assert [refused.heard for refused in outcome.refused] == [stale]
    bus.close()


def test_an_answer_is_told_of_ahead_and_nothing_else_is(pair: Pair, paced_of: PacedOf) -> None:
    """Within the silence behind it, so that whom to ask next is decided when that is over."""
    paced_of(settings_of(pair.path)).answer(pair.master, reply_to)
    bus = Bus(settings_of(pair.path), BootClock())
    soon: list[Outcome] = []
    bus.ahead = soon.append
    outcome = bus.exchange(ASK)
    assert (outcome.data, soon) == (WORDS, [outcome])
    assert bus.exchange(Ask(18, ASK.read, 20 * MS)).fault is Fault.NO_ANSWER
    assert bus.exchange(Ask(17, Read(3, 0x6B, 2), 20 * MS)).fault is not None
    assert soon == [outcome]
    bus.close()


class StillClock(BootClock):
    """Moved by the port's waits alone."""

    now_ns = 0

    def boot_ns(self) -> int:
        return self.now_ns


class QuietPort(SerialPort):
    """Nobody ever answers; notes when it was written to."""

    def __init__(self, clock: StillClock) -> None:
        self.clock = clock
        self.writes: list[int] = []

    def read(self) -> bytes:
        return b""

    def write(self, frame: bytes) -> None:
        assert len(frame) == 8
        self.writes.append(self.clock.now_ns)

    def wait(self, for_ns: int) -> None:
        self.clock.now_ns += max(0, for_ns)

    def close(self) -> None:
        pass


def test_a_port_just_opened_is_given_a_whole_silence() -> None:
    """It may have been opened in the middle of a frame, however long ago the line was last heard."""
    clock = StillClock()
    port = QuietPort(clock)
    bus = Bus(settings_of("none"), clock, open_as=lambda *_: port)
    clock.now_ns = 10_000 * MS
    assert bus.exchange(ASK).fault is Fault.NO_ANSWER
    assert port.writes == [10_000 * MS + bus.settings.silence_ns]
    bus.close()


class TestStop:
    def test_a_running_exchange_ends_at_once(self, pair: Pair) -> None:
        """The meter has an hour to answer: without the wake this test would not end in time."""
        bus = Bus(settings_of(pair.path), BootClock())
        bus.open()
        outcomes: list[Outcome] = []
        patient = Ask(17, ASK.read, 3_600_000 * MS)
        thread = threading.Thread(target=lambda: outcomes.append(bus.exchange(patient)))
        thread.start()
        heard = b""
        while len(heard) < frame.REQUEST_LENGTH:
            heard += pair.read()
        bus.stop()
        thread.join(timeout=30)
        assert [outcome.fault for outcome in outcomes] == [Fault.STOPPED]
        assert outcomes[0].owes_until_ns is not None
        bus.close()

    def test_nothing_is_asked_after_it(self, pair: Pair) -> None:
        bus = Bus(settings_of(pair.path), BootClock())
        bus.stop()
        outcome = bus.exchange(ASK)
        assert (outcome.fault, outcome.owes_until_ns) == (Fault.STOPPED, None)
        bus.close()
        bus.stop()  # a thread that comes late does no harm
        bus.close()


class TestPortLost:
    def test_pulled_and_put_back_under_the_same_path(
        self, tmp_path: Path, pair: Pair, other_pair: Pair, paced_of: PacedOf
    ) -> None:
        port = tmp_path / "meters"
        port.symlink_to(pair.path)
        bus = Bus(settings_of(str(port)), BootClock())
        bus.open()
        pair.pull()
        lost = bus.exchange(ASK)
        assert lost.fault is Fault.PORT_LOST
        assert bus.trouble is not None
        assert "was lost" in str(bus.changes()[0].why)  # type: ignore[union-attr]  # a loss comes first
        assert bus.exchange(ASK if lost.owes_until_ns is None else Ask(18, ASK.read, MS)).fault is Fault.PORT_LOST
        assert "no such device" in str(bus.trouble)
        port.unlink()
        port.symlink_to(other_pair.path)
        paced_of(settings_of(str(port))).answer(other_pair.master, reply_to)
        if lost.owes_until_ns is not None:
            time.sleep(max(0, lost.owes_until_ns - BootClock().boot_ns()) / 1e9)
        assert bus.exchange(ASK).data == WORDS
        bus.close()

    def test_pulled_while_it_waits_for_the_answer(self, pair: Pair) -> None:
        bus = Bus(settings_of(pair.path), BootClock())
        bus.open()
        outcomes: list[Outcome] = []
        patient = Ask(17, ASK.read, 3_600_000 * MS)
        thread = threading.Thread(target=lambda: outcomes.append(bus.exchange(patient)))
        thread.start()
        while not pair.read():
            pass
        pair.pull()
        thread.join(timeout=30)
        assert [outcome.fault for outcome in outcomes] == [Fault.PORT_LOST]
        bus.close()

    def test_stop_ends_the_wait_for_the_next_try(self, tmp_path: Path) -> None:
        bus = Bus(settings_of(str(tmp_path / "none")), BootClock())
        assert bus.exchange(ASK).fault is Fault.PORT_LOST
        bus.stop()
        assert bus.exchange(ASK).fault is Fault.STOPPED
        bus.close()


class TestOneClearLine:
    def test_no_such_device(self, tmp_path: Path) -> None:
        with pytest.raises(EdgeFailure, match=r"port /.*/none: no such device; is the adapter plugged in"):
            Bus(settings_of(str(tmp_path / "none")), BootClock()).open()

    def test_not_a_serial_port(self, tmp_path: Path) -> None:
        plain = tmp_path / "plain"
        plain.write_text("not a tty")
        with pytest.raises(EdgeFailure, match="plain: not a serial port; give the path of a tty"):
            Bus(settings_of(str(plain)), BootClock()).open()

    def test_held_by_another_program(self, pair: Pair) -> None:
        first, second = (Bus(settings_of(pair.path), BootClock()) for _ in range(2))
        first.open()
        with pytest.raises(EdgeFailure, match="open already, as another line of this program"):
            second.open()
        first.close()
        second.open()
        second.close()

    def test_permission_denied(self, pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
        """The refusal is planted: a test that runs as root is refused nothing."""

        def refuse(**_: object) -> serial.Serial:
            raise serial.SerialException(errno.EACCES, "Permission denied")

        monkeypatch.setattr(serial, "Serial", refuse)
        with pytest.raises(EdgeFailure, match=r"permission denied; its group .* may not read and write it either"):
            Bus(settings_of(pair.path), BootClock()).open()

"""The clocks that stand in, and the kernel's own."""

import ctypes
import threading
import time
from pathlib import Path

import pytest

from tallywell.readings.clocks import Clock, Sync
from tallywell.schedule import system_clock
from tallywell.schedule.clock import ManualClock
from tallywell.schedule.jumping_clock import JumpingClock
from tallywell.schedule.system_clock import SystemClock

S = 1_000_000_000
HOUR, DAY = 3600 * S, 86_400 * S
START = 1_782_864_000 * S  # 2026-07-01 00:00 UTC


def set_wake() -> threading.Event:
    wake = threading.Event()
    wake.set()
    return wake


@pytest.mark.parametrize("clock", [ManualClock(5, START), JumpingClock(START), SystemClock()])
def test_a_wait_that_is_over_or_woken_returns_at_once(clock: Clock) -> None:
    before = clock.boot_ns()
    clock.wait(before - 1, threading.Event())
    clock.wait(before + 365 * DAY, set_wake())
    assert clock.boot_ns() - before < HOUR


class TestManual:
    def test_wait_moves_it(self) -> None:
        clock = ManualClock(5, START)
        clock.wait(10 * S, threading.Event())
        assert (clock.boot_ns(), clock.utc_ns()) == (10 * S, START + 10 * S - 5)

    def test_the_wall_steps_and_the_boot_clock_does_not(self) -> None:
        clock = ManualClock(5, START, Sync(synchronised=False, half_width_ms=16_000))
        clock.step_wall(-HOUR, Sync(synchronised=True, half_width_ms=3))
        assert (clock.boot_ns(), clock.utc_ns()) == (5, START - HOUR)
        assert clock.sync() == Sync(synchronised=True, half_width_ms=3)


class TestJumping:
    def test_a_month_of_waits(self) -> None:
        clock, wake = JumpingClock(START), threading.Event()
        for k in range(1, 31 * 96 + 1):
            clock.wait(k * 900 * S, wake)
            assert 0 <= clock.boot_ns() - k * 900 * S < 600 * S
        assert 0 <= clock.utc_ns() - START - 31 * DAY < 600 * S

    def test_nobody_jumps_while_another_works(self) -> None:
        """Two lines: the first sleeps for an hour; time leaps only when the second sleeps too, and to the sooner."""
        clock, wake = JumpingClock(START, participants=2), threading.Event()
        first = threading.Thread(target=clock.wait, args=(HOUR, wake))
        first.start()
        while not clock._waiting:
            time.sleep(0.001)
        assert clock.boot_ns() < HOUR
        clock.wait(HOUR // 2, wake)
        assert HOUR // 2 <= clock.boot_ns() < HOUR
        clock.participants = 1
        first.join(timeout=30)
        assert not first.is_alive()

    def test_two_lines_in_step(self) -> None:
        """Each polls at its own marks; neither ever finds that time has passed over a mark of its own."""
        clock, wake, worst = JumpingClock(START, participants=2), threading.Event(), []

        def line(every_ns: int) -> None:
            for k in range(1, 7 * DAY // every_ns + 1):
                clock.wait(k * every_ns, wake)
                worst.append(clock.boot_ns() - k * every_ns)
            clock.participants -= 1

        threads = [threading.Thread(target=line, args=(every_ns,)) for every_ns in (HOUR, 7 * HOUR // 4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=60)
        assert len(worst) == 168 + 96
        assert max(worst) < 600 * S

    def test_wake_from_another_thread(self) -> None:
        clock, wake = JumpingClock(START, participants=2), threading.Event()
        thread = threading.Thread(target=clock.wait, args=(DAY, wake))
        thread.start()
        wake.set()
        thread.join(timeout=30)
        assert not thread.is_alive()
        assert clock.boot_ns() < DAY

    def test_reboot(self) -> None:
        clock = JumpingClock(START)
        clock.wait(DAY, threading.Event())
        old = clock.boot_id
        clock.reboot(2 * HOUR, unsynchronised_ns=HOUR, wrong_by_ns=-DAY)
        assert clock.boot_id != old
        assert clock.boot_ns() < HOUR
        assert clock.sync().synchronised is False
        assert 0 <= clock.utc_ns() - (START + DAY + 2 * HOUR - DAY) < HOUR
        clock.wait(HOUR, threading.Event())
        assert clock.sync().synchronised is True
        assert 0 <= clock.utc_ns() - (START + DAY + 3 * HOUR) < HOUR


class TestSystem:
    def test_boot_clock_is_the_kernels(self) -> None:
        """/proc/uptime is CLOCK_BOOTTIME to 10 ms (proc(5))."""
        clock = SystemClock()
        before = clock.boot_ns()
        uptime_ns = round(float(Path("/proc/uptime").read_text().split()[0]) * S)
        assert before - S // 50 <= uptime_ns <= clock.boot_ns() + S // 50

    def test_wall_clock(self) -> None:
        before = time.time_ns()
        assert before <= SystemClock().utc_ns() <= time.time_ns()

    def test_layout_of_timex(self) -> None:
        """adjtimex(2): int modes; long offset, freq, maxerror, esterror; int status; 208 bytes on 64 bits."""
        long = ctypes.sizeof(ctypes.c_long)
        assert system_clock._Timex.maxerror.offset == 3 * long
        assert system_clock._Timex.status.offset == 5 * long
        assert ctypes.sizeof(system_clock._Timex) >= 208

    def test_sync_is_the_kernels_maximum_error(self) -> None:
        sync = SystemClock().sync()
        assert sync.synchronised == (sync.half_width_ms < 16_000)
        assert sync.half_width_ms >= 0

    def test_waits_until_the_instant(self) -> None:
        clock = SystemClock()
        until = clock.boot_ns() + S // 50
        clock.wait(until, threading.Event())
        assert clock.boot_ns() >= until

    def test_boot_id(self) -> None:
        assert len(system_clock.boot_id()) == 36

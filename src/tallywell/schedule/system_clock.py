"""The kernel's clocks. Edge."""

import ctypes
import time
from pathlib import Path

from tallywell.readings.clocks import Sync, Wake

SLICE_S = 2.0  # a thread's wait stands still while the machine sleeps: so soon after waking is the boot clock looked at
SYNCHRONISED_BELOW_US = 16_000_000  # the kernel's own limit (NTP_PHASE_LIMIT), also used by systemd-timesyncd
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2). `long` has the width of the machine, and ctypes pads as the C compiler does.

    On 32-bit machines the exported symbol `adjtimex` still takes the layout with 32-bit times.
    """

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),  # microseconds
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 32),  # constant to tai with its padding, and room to spare
    )


class SystemClock:
    """CLOCK_BOOTTIME orders (it counts suspended time), CLOCK_REALTIME shows, adjtimex tells whether to believe it."""

    def __init__(self) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)

    def boot_ns(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def utc_ns(self) -> int:
        return time.clock_gettime_ns(time.CLOCK_REALTIME)

    def sync(self) -> Sync:
        """Synchronised = the kernel's maximum error is below its limit.

        STA_UNSYNC is not looked at: a time service that does not set the hardware clock (chrony without rtcsync) never
        clears it. Modes 0 only reads, so no privilege is needed; where even that is forbidden, nothing is believed.
        """
        timex = _Timex(modes=0)
        if self._libc.adjtimex(ctypes.byref(timex)) < 0:
            return Sync(synchronised=False, half_width_ms=SYNCHRONISED_BELOW_US // 1000)
        return Sync(synchronised=timex.maxerror < SYNCHRONISED_BELOW_US, half_width_ms=-(-timex.maxerror // 1000))

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        """Until the instant, or until the wake is set."""
        while not wake.is_set():
            left_ns = until_boot_ns - self.boot_ns()
            if left_ns <= 0:
                return
            wake.wait(min(left_ns / 1_000_000_000, SLICE_S))


def boot_id() -> str:
    """The kernel's name for this boot (a uuid)."""
    return BOOT_ID.read_text(encoding="ascii").strip()

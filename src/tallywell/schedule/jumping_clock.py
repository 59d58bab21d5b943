"""A clock whose waits jump: a month of polling runs in seconds while exchanges keep their real time. Edge (threads)."""

import threading
import time
import uuid

from tallywell.readings.clocks import Sync, Wake

NEVER_RIGHT = Sync(synchronised=False, half_width_ms=16_000)
SLICE_S = 0.02  # how soon a wake is noticed that nobody announces


class JumpingClock:
    """The real boot clock plus an offset; begins at boot time 0 with `start_utc_ns` as the true time.

    Only `wait` jumps, and only when `participants` threads wait (one for each line) and none of them has been woken:
    then to the earliest instant waited for. So no thread's exchange times out because another one slept. `utc_ns` is
    what the wall clock shows: wrong by `wrong_by_ns` while the boot is younger than `unsynchronised_ns`, right after.
    """

    def __init__(
        self,
        start_utc_ns: int,
        *,
        participants: int = 1,
        unsynchronised_ns: int = 0,
        wrong_by_ns: int = 0,
        half_width_ms: int = 10,
    ) -> None:
        self.participants = participants
        self._half_width_ms = half_width_ms
        self._changed = threading.Condition()
        self._waiting: dict[int, tuple[int, Wake]] = {}  # thread -> the instant it waits for, and what ends that
        self._boot(start_utc_ns, unsynchronised_ns, wrong_by_ns)

    def _boot(self, utc_ns: int, unsynchronised_ns: int, wrong_by_ns: int) -> None:
        self.boot_id = str(uuid.uuid4())
        self._offset_ns = -_real_ns()
        self._utc_at_boot_ns = utc_ns
        self._unsynchronised_ns = unsynchronised_ns
        self._wrong_by_ns = wrong_by_ns

    def boot_ns(self) -> int:
        return _real_ns() + self._offset_ns

    def utc_ns(self) -> int:
        wrong_by_ns = 0 if self.sync().synchronised else self._wrong_by_ns
        return self.true_utc_ns() + wrong_by_ns

    def true_utc_ns(self) -> int:
        return self._utc_at_boot_ns + self.boot_ns()

    def sync(self) -> Sync:
        if self.boot_ns() < self._unsynchronised_ns:
            return NEVER_RIGHT
        return Sync(synchronised=True, half_width_ms=self._half_width_ms)

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        me = threading.get_ident()
        with self._changed:
            self._waiting[me] = until_boot_ns, wake
            try:
                while not wake.is_set() and self.boot_ns() < until_boot_ns:
                    if not self._jump():
                        self._changed.wait(SLICE_S)
            finally:
                del self._waiting[me]

    def _jump(self) -> bool:
        """To the earliest instant waited for, if all wait and it is still to come."""
        ahead_ns = min(until_ns for until_ns, _ in self._waiting.values()) - self.boot_ns()
        if len(self._waiting) < self.participants or ahead_ns <= 0:
            return False
        if any(wake.is_set() for _, wake in self._waiting.values()):
            self._changed.notify_all()
            return False
        self._offset_ns += ahead_ns
        self._changed.notify_all()
        return True

    def reboot(self, gap_ns: int, *, unsynchronised_ns: int | None = None, wrong_by_ns: int = 0) -> None:
        """A power outage of `gap_ns`: a new boot (id and clock begin anew) while the true time goes on.

        Nobody may wait meanwhile: an instant of the old boot means nothing in the new one.
        """
        with self._changed:
            assert not self._waiting, "a thread waits for an instant of the boot that has ended"
            young_ns = self._unsynchronised_ns if unsynchronised_ns is None else unsynchronised_ns
            self._boot(self.true_utc_ns() + gap_ns, young_ns, wrong_by_ns)


def _real_ns() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

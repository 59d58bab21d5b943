"""A clock whose waits jump: a month of polling runs in seconds while exchanges keep their real time. Edge (threads)."""

from tallywell.readings.clocks import Sync, Wake


class JumpingClock:
    """The real boot clock plus an offset. Only `wait` jumps, and only when all `participants` threads wait."""

    def __init__(
        self, start_utc_ns: int, *, participants: int = 1, unsynchronised_ns: int = 0, half_width_ms: int = 10
    ) -> None:
        raise NotImplementedError

    @property
    def boot_id(self) -> str:
        raise NotImplementedError

    def boot_ns(self) -> int:
        raise NotImplementedError

    def utc_ns(self) -> int:
        raise NotImplementedError

    def sync(self) -> Sync:
        raise NotImplementedError

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        raise NotImplementedError

    def reboot(self, gap_ns: int, *, wrong_by_ns: int = 0) -> None:
        """A power outage of `gap_ns`: a new boot whose boot clock starts near 0 while the true time goes on."""
        raise NotImplementedError

"""The kernel's clocks. Edge."""

from tallywell.readings.clocks import Sync, Wake


class SystemClock:
    """CLOCK_BOOTTIME orders, CLOCK_REALTIME shows, adjtimex tells whether the latter is to be believed."""

    def boot_ns(self) -> int:
        raise NotImplementedError

    def utc_ns(self) -> int:
        raise NotImplementedError

    def sync(self) -> Sync:
        raise NotImplementedError

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        raise NotImplementedError


def boot_id() -> str:
    raise NotImplementedError

"""A clock that stands in for the system's. Pure: this one is moved by hand."""

from tallywell.readings.clocks import Sync, Wake

RIGHT = Sync(synchronised=True, half_width_ms=10)


class ManualClock:
    """Stands still until moved: by `advance`, or by `wait`, which moves it to the instant waited for."""

    def __init__(self, boot_ns: int = 0, utc_ns: int = 0, sync: Sync = RIGHT) -> None:
        self._boot_ns = boot_ns
        self._utc_minus_boot_ns = utc_ns - boot_ns
        self._sync = sync

    def boot_ns(self) -> int:
        return self._boot_ns

    def utc_ns(self) -> int:
        return self._boot_ns + self._utc_minus_boot_ns

    def sync(self) -> Sync:
        return self._sync

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        if not wake.is_set():
            self._boot_ns = max(self._boot_ns, until_boot_ns)

    def advance(self, by_ns: int) -> None:
        assert by_ns >= 0, "a boot clock does not go back"
        self._boot_ns += by_ns

    def step_wall(self, by_ns: int, sync: Sync | None = None) -> None:
        """The wall clock is set: forward or back, and perhaps known to be right from now on."""
        self._utc_minus_boot_ns += by_ns
        self._sync = sync or self._sync

"""Clocks that stand in for the system's. Pure: this one is moved by hand."""

from tallywell.readings.clocks import Sync, Wake


class ManualClock:
    """Stands still until moved: `advance(ns)`, or `wait`, which moves it to the instant waited for."""

    def __init__(self, boot_ns: int = 0, utc_ns: int = 0, sync: Sync = Sync(True, 10)) -> None:  # noqa: B008 (frozen)
        raise NotImplementedError

    def boot_ns(self) -> int:
        raise NotImplementedError

    def utc_ns(self) -> int:
        raise NotImplementedError

    def sync(self) -> Sync:
        raise NotImplementedError

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        raise NotImplementedError

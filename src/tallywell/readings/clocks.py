"""The clock as the rooms see it. Integer nanoseconds; the boot clock orders, the wall clock only shows."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Sync:
    """Whether the wall clock is known to be right, and within what half width (ms) if so."""

    synchronised: bool
    half_width_ms: int


class Wake(Protocol):
    """What ends a wait early (threading.Event fits)."""

    def is_set(self) -> bool: ...
    def wait(self, timeout: float | None = None) -> bool: ...


class Clock(Protocol):
    """System, manual and jumping clocks have this shape. Only `wait` may jump."""

    def boot_ns(self) -> int: ...
    def utc_ns(self) -> int: ...
    def sync(self) -> Sync: ...
    def wait(self, until_boot_ns: int, wake: Wake) -> None: ...


@dataclass(frozen=True, slots=True)
class When:
    """A dated instant within a boot. `boot` numbers the boots of the record in order; `utc_ms` None = cannot be dated.

    `within_ms` is the half width of the date: anchor's half width + 500 ppm of the distance to it.
    """

    boot: int
    boot_ms: int
    utc_ms: int | None
    within_ms: int

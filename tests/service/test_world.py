"""Both clocks at one instant, whatever comes between the looks."""

from dataclasses import dataclass, field

from tallywell.readings.clocks import Sync, Wake
from tallywell.service.anchoring import Instant
from tallywell.service.world import World

HOUR_NS = 3_600_000_000_000
MS_NS = 1_000_000


@dataclass
class SleepyClock:
    """Sleeps so long before its n-th look at the wall clock; each look takes a microsecond."""

    sleeps: list[int]
    now_ns: int = 0
    looks: int = field(default=0)

    def boot_ns(self) -> int:
        self.now_ns += 1000
        return self.now_ns

    def utc_ns(self) -> int:
        self.now_ns += self.sleeps[self.looks] if self.looks < len(self.sleeps) else 0
        self.looks += 1
        return self.now_ns + 1_784_000_000_000 * MS_NS

    def sync(self) -> Sync:
        raise NotImplementedError

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        raise NotImplementedError


def seen_by(clock: SleepyClock) -> Instant:
    return World(clock, "boot", print).instant()


def test_the_machine_sleeping_between_the_two_looks_is_no_step_of_the_clock() -> None:
    assert seen_by(SleepyClock([])).wall_minus_boot_ms == 1_784_000_000_000
    assert seen_by(SleepyClock([HOUR_NS])).wall_minus_boot_ms == 1_784_000_000_000


def test_on_a_machine_that_never_comes_to_rest_the_closest_look_counts() -> None:
    sleeps = [900 * MS_NS, 40 * MS_NS, *[700 * MS_NS] * 100]
    clock = SleepyClock(sleeps)
    assert seen_by(clock).wall_minus_boot_ms == 1_784_000_000_040
    assert clock.looks < 20, "it does not look for ever"

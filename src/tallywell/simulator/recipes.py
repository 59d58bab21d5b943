"""What befalls a simulated field, as data: who is silent when, when a total goes round, when the reader has no power.

Each is a value with UTC milliseconds in it, so a scenario can be written down, printed and replayed. A half-open span
[from, to) as everywhere.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.simulator.profile import HOUR_MS, Profile

DAY_MS = 24 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Silent:
    """The meter does not answer (its port is off); it counts on. `to_ms` None: for good."""

    from_ms: int
    to_ms: int | None = None

    def holds(self, utc_ms: int) -> bool:
        return self.from_ms <= utc_ms and (self.to_ms is None or utc_ms < self.to_ms)


@dataclass(frozen=True, slots=True)
class Outage:
    """The reader's side is without power: nobody asks. The meters feed themselves and count on."""

    from_ms: int
    to_ms: int

    def holds(self, utc_ms: int) -> bool:
        return self.from_ms <= utc_ms < self.to_ms


@dataclass(frozen=True, slots=True)
class Rollover:
    """The books' total goes round to zero with the first count that passes after `at_ms`."""

    at_ms: int

    def first_count(self, profile: Profile, capacity: int) -> int:
        """The count at the profile's beginning from which it comes out so."""
        passed = int(profile.volume(self.at_ms))
        return (capacity - 1 - passed) % capacity


def silent_at(silences: Iterable[Silent], utc_ms: int) -> bool:
    return any(silence.holds(utc_ms) for silence in silences)

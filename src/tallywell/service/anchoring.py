"""When the wall clock is believed (pure). One anchor at the first good synchronisation, at each step, then hourly.

A time service may step the clock first and vouch for it a moment later: the anchor of that step comes as soon as the
clock is vouched for and tells another time than the last anchor.

An hourly anchor keeps the drift small: a single one would be off by 4.4 h after a year at 500 ppm, the worst that the
kernel's clock discipline allows (adjtimex(2), MAXFREQ).
"""

from dataclasses import dataclass, replace

from tallywell.readings.clocks import Sync

HOUR_MS = 3_600_000
STEP_MS = 500  # adjtimex slews anything smaller than this (NTP's step threshold is 128 ms; slewing is no step)


@dataclass(frozen=True, slots=True)
class Instant:
    """The two clocks read together."""

    boot_ms: int
    wall_ms: int

    @property
    def wall_minus_boot_ms(self) -> int:
        return self.wall_ms - self.boot_ms


@dataclass(frozen=True, slots=True)
class Dating:
    """What is known of this boot's time: the wall's distance as last seen, and the last anchor if there is one."""

    wall_minus_boot_ms: int
    anchor_boot_ms: int | None = None
    anchor_utc_ms: int | None = None

    def utc_ms(self, boot_ms: int) -> int | None:
        """The dated time of `boot_ms`, None while this boot has no anchor."""
        if self.anchor_boot_ms is None or self.anchor_utc_ms is None:
            return None
        return self.anchor_utc_ms + boot_ms - self.anchor_boot_ms


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the clocks found: the new state, whether the wall stepped (by how much), whether to anchor."""

    dating: Dating
    stepped_ms: int
    anchor: bool


def look(dating: Dating, now: Instant, sync: Sync) -> Look:
    """Compare both clocks with what was known. Call it about once a second and before the first poll."""
    moved = now.wall_minus_boot_ms - dating.wall_minus_boot_ms
    stepped = moved if abs(moved) > STEP_MS else 0
    anchor = sync.synchronised and (stepped != 0 or _anchor_is_old(dating, now) or _tells_another_time(dating, now))
    seen = replace(dating, wall_minus_boot_ms=now.wall_minus_boot_ms)
    if anchor:
        seen = replace(seen, anchor_boot_ms=now.boot_ms, anchor_utc_ms=now.wall_ms)
    return Look(seen, stepped, anchor)


def _anchor_is_old(dating: Dating, now: Instant) -> bool:
    return dating.anchor_boot_ms is None or now.boot_ms - dating.anchor_boot_ms >= HOUR_MS


def _tells_another_time(dating: Dating, now: Instant) -> bool:
    dated = dating.utc_ms(now.boot_ms)
    return dated is not None and abs(now.wall_ms - dated) > STEP_MS

"""When a row was, from the anchors of its boot. Integers only; an uncertainty is rounded up.

A boot is dated as a whole or not at all: rows after its first anchor from the last anchor before them, earlier rows
from that first anchor, and a boot without any anchor from what a person stated of its clock.
"""

from dataclasses import dataclass

from tallywell.readings.clocks import When
from tallywell.readings.facts import Anchor, Entry

DRIFT_PPM = 500  # the worst that a free-running quartz of a small computer is taken to do; adjtimex(2) slews up to this


@dataclass(frozen=True, slots=True)
class Stated:
    """An entry of kind `clock`: at `boot_ms` of boot `boot_id` it was `it_is_ms` (UTC), give or take `within_ms`."""

    boot_id: str
    boot_ms: int
    it_is_ms: int
    within_ms: int


def utc_at(anchor: Anchor, boot_ms: int) -> int:
    """The date that a row of the anchor's boot gets (poll.utc_ms at insertion is this, from the last anchor)."""
    return anchor.utc_ms + (boot_ms - anchor.boot_ms)


def within_at(half_width_ms: int, distance_ms: int) -> int:
    """Half width + 500 ppm of the distance, rounded up."""
    return half_width_ms - (-abs(distance_ms) * DRIFT_PPM // 1_000_000)


def stated(entry: Entry) -> Stated | None:
    """What an entry of kind `clock` says; None for any other kind, or where it lacks a part."""
    raise NotImplementedError


def when(boot: int, boot_ms: int, utc_ms: int | None, anchor: Anchor | None, said: Stated | None) -> When:
    """The row's date: its own, else the anchor's, else as stated, else none. `anchor` must be of the row's boot."""
    raise NotImplementedError

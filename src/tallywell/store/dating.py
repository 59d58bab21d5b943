"""When a row was, from the anchors of its boot. Integers only; an uncertainty is rounded up.

A boot is dated as a whole or not at all: rows after its first anchor from the last anchor before them, earlier rows
from that first anchor, and a boot without any anchor from what a person stated of its clock.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace

from tallywell.readings.clocks import When
from tallywell.readings.facts import Anchor, Entry

DRIFT_PPM = 500  # the worst that a free-running quartz of a small computer is taken to do; adjtimex(2) slews up to this
UNKNOWN_MS = 60_000  # of a dated row whose anchor is not in the record, which should not be


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
    """What an entry of kind `clock` says; None for any other kind, or where it lacks a part.

    Content: {"it_is_ms": UTC, "within_ms": n, "boot_id": ..., "boot_ms": ...}, all of the instant it was typed.
    """
    if entry.kind != "clock":
        return None
    content = json.loads(entry.content)
    numbers = [content.get(name) for name in ("boot_ms", "it_is_ms", "within_ms")]
    boot_id = content.get("boot_id")
    if not isinstance(boot_id, str) or not all(type(number) is int for number in numbers):
        return None
    return Stated(boot_id, *numbers)


def in_force(entries: Iterable[Entry]) -> dict[str, Stated]:
    """What stands about each boot's clock, by boot id: the latest word that no later entry replaces."""
    entries = tuple(entries)
    replaced = {entry.replaces for entry in entries}
    said = (stated(entry) for entry in entries if entry.uuid not in replaced)
    return {one.boot_id: one for one in said if one}


@dataclass(frozen=True, slots=True)
class Redate:
    """An entry of kind `redate`: the dated rows `first_seq` to `last_seq` were in truth `shift_ms` later, give or take
    `within_ms`. The rows stay as they are; rows without a date stay without one.
    """

    first_seq: int
    last_seq: int
    shift_ms: int
    within_ms: int

    def holds(self, seq: int) -> bool:
        return self.first_seq <= seq <= self.last_seq


def redates(entries: Iterable[Entry]) -> tuple[Redate, ...]:
    """Those that no later entry replaces, the newest first: it holds where several do."""
    entries = tuple(entries)
    replaced = {entry.replaces for entry in entries}
    found = (_redate(entry) for entry in entries if entry.kind == "redate" and entry.uuid not in replaced)
    return tuple(one for one in found if one)[::-1]


def _redate(entry: Entry) -> Redate | None:
    content = json.loads(entry.content)
    numbers = [content.get(name) for name in ("first_seq", "last_seq", "shift_ms", "within_ms")]
    return Redate(*numbers) if all(type(number) is int for number in numbers) else None


def redated(found: When, seq: int, redates_: tuple[Redate, ...]) -> When:
    """A row's date as a person put it right."""
    holding = next((one for one in redates_ if one.holds(seq)), None)
    if holding is None or found.utc_ms is None:
        return found
    return replace(found, utc_ms=found.utc_ms + holding.shift_ms, within_ms=holding.within_ms)


def when(boot: int, boot_ms: int, utc_ms: int | None, anchor: Anchor | None, said: Stated | None) -> When:
    """The row's date: its own, else the anchor's, else as stated, else none. `anchor` must be of the row's boot."""
    if anchor:
        own = utc_at(anchor, boot_ms) if utc_ms is None else utc_ms
        return When(boot, boot_ms, own, within_at(anchor.half_width_ms, boot_ms - anchor.boot_ms))
    if utc_ms is not None:
        return When(boot, boot_ms, utc_ms, UNKNOWN_MS)
    if said:
        own = said.it_is_ms + (boot_ms - said.boot_ms)
        return When(boot, boot_ms, own, within_at(said.within_ms, boot_ms - said.boot_ms))
    return When(boot, boot_ms, None, 0)


def boot_start(anchor: Anchor) -> int:
    """The UTC instant at which the anchor's boot began: everything of earlier boots was before it."""
    return utc_at(anchor, 0)


def stated_start(said: Stated) -> int:
    """The same by a person's word."""
    return said.it_is_ms - said.boot_ms

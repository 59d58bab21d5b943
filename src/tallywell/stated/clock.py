"""What time it is, where the machine cannot know: {"it_is_ms": .., "within_ms": .., "boot_id": "..", "boot_ms": ..}."""

from tallywell.stated.content import Content, EntryError


def clock_content(it_is_ms: int, within_ms: int, boot_id: str, boot_ms: int) -> Content:
    """At `boot_ms` of that boot it was `it_is_ms` (UTC), give or take `within_ms`.

    It dates only rows that have no date. EntryError where the width is none.
    """
    if within_ms <= 0:
        raise EntryError("within: say how far off your own clock may be, such as 2min")
    return {"it_is_ms": it_is_ms, "within_ms": within_ms, "boot_id": boot_id, "boot_ms": boot_ms}

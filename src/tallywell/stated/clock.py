"""Times that a person states.

clock   {"it_is_ms": .., "within_ms": .., "boot_id": "..", "boot_ms": ..}                what time it is
redate  {"first_seq": .., "last_seq": .., "shift_ms": .., "within_ms": .., "because": ".."}    dates that were wrong
"""

from tallywell.stated.content import Content, EntryError, needed


def clock_content(it_is_ms: int, within_ms: int, boot_id: str, boot_ms: int) -> Content:
    """At `boot_ms` of that boot it was `it_is_ms` (UTC), give or take `within_ms`.

    It dates only rows that have no date. EntryError where the width is none.
    """
    if within_ms <= 0:
        raise EntryError("within: say how far off your own clock may be, such as 2min")
    return {"it_is_ms": it_is_ms, "within_ms": within_ms, "boot_id": boot_id, "boot_ms": boot_ms}


def redate_content(seqs: tuple[int, int], shift_ms: int, within_ms: int, because: str) -> Content:
    """The dated rows from one number to another were in truth `shift_ms` later (below zero: earlier)."""
    if seqs[0] > seqs[1]:
        raise EntryError("from: no row of the record lies in that stretch")
    if not shift_ms:
        raise EntryError('shift: say by how much the dates were wrong, such as "+1 h"')
    if within_ms <= 0:
        raise EntryError("within: say how far off the new dates may be, such as 2min")
    reason = needed(because, "because", "a date is disputed with its reason")
    numbers: Content = {"first_seq": seqs[0], "last_seq": seqs[1], "shift_ms": shift_ms, "within_ms": within_ms}
    return numbers | {"because": reason}

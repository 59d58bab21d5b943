"""An entry is taken back: {"withdrawn": "visit", "because": "entered twice"}, and "to" where that was a move.

The entry that it names in `replaces` is replaced by nothing, and both stay on record. What the withdrawn one had itself
replaced stays replaced.
"""

from tallywell.readings.facts import Entry
from tallywell.readings.statements import Withdrawn
from tallywell.stated.content import Content, EntryError, Kept, about_ms, needed

WITHDRAW = "withdraw"


def withdrawn_content(kind: str, because: str, to: str | None = None) -> Content:
    """`kind` of the entry that is taken back; `to`: the other point of a move."""
    reason = needed(because, "because", "say why it is taken back; it is kept with the reason")
    found: Content = {"withdrawn": kind, "because": reason}
    return found if to is None else found | {"to": to}


def withdrawn(entry: Entry) -> Withdrawn:
    kept = Kept.of(entry)
    if entry.replaces is None:
        raise EntryError(f"entry {entry.uuid}: it says not which entry it takes back; enter it again")
    said = kept.text("withdrawn"), entry.replaces, kept.text("because")
    return Withdrawn(entry.uuid, about_ms(entry), *said, entry.author)

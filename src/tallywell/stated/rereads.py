"""A corrected map for a stretch of history: {"map": text, "sha256": .., "name": .., "first_seq": .., "last_seq": ..,
"from_ms": .., "to_ms": .., "because": ".."}.

The map's whole text is kept, so that the record can be read without the file. The polls are named by their numbers,
since the dates of some may still move.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.readings.facts import Entry
from tallywell.stated.content import Content, EntryError, Kept, needed


@dataclass(frozen=True, slots=True)
class Reread:
    """Polls `first_seq` to `last_seq` of a point mean what this map says. `from_ms`, `to_ms`: their dates, for showing.

    `seq`: of the entry; of several the last one that holds a poll is in force for it.
    """

    uuid: str
    seq: int
    first_seq: int
    last_seq: int
    from_ms: int
    to_ms: int
    name: str
    text: str
    because: str
    author: str

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.text.encode()).hexdigest()

    def holds(self, seq: int) -> bool:
        return self.first_seq <= seq <= self.last_seq


def reread_content(of: Reread) -> Content:
    if of.first_seq > of.last_seq:
        raise EntryError("from: no poll of the point lies in that stretch")
    return {
        "map": of.text,
        "sha256": of.sha256,
        "name": of.name,
        "first_seq": of.first_seq,
        "last_seq": of.last_seq,
        "from_ms": of.from_ms,
        "to_ms": of.to_ms,
        "because": needed(of.because, "because", "say what was wrong with the map that was in force"),
    }


def reread(entry: Entry) -> Reread:
    kept = Kept.of(entry)
    seqs, dates = (kept.whole("first_seq"), kept.whole("last_seq")), (kept.whole("from_ms"), kept.whole("to_ms"))
    said = kept.text("name"), kept.text("map"), kept.text("because"), entry.author
    return Reread(entry.uuid, entry.seq, *seqs, *dates, *said)


def in_force_at(rereads: Iterable[Reread], seq: int) -> Reread | None:
    """The one that holds this poll; the last word of several."""
    holding = [one for one in rereads if one.holds(seq)]
    return max(holding, key=lambda one: one.seq) if holding else None

"""Which entry on record a person means to correct or to take back, and whether that may be. Reads only.

An entry is corrected by one of its own kind, about the same point: a hand reading in the place of an installation would
leave the point without its meter, and nobody would have said so.
"""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.readings.facts import Entry
from tallywell.service.local_time import shown
from tallywell.stated.content import Content, EntryError, Kept, about_ms, replaced_by
from tallywell.stated.told import families
from tallywell.stated.withdrawn import WITHDRAW
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

SHOWN_OF_UUID = 8


@dataclass(frozen=True, slots=True)
class Named:
    """An entry that still stands, with the names of the points that it is about (none: of the whole site)."""

    entry: Entry
    content: Content
    points: tuple[str, ...]

    def said(self, zone: ZoneInfo) -> str:
        """ "fb3a4da2 is the installation at north, 2026-03-01 08:00:00 -07:00, by ana"."""
        at = f" at {' and '.join(self.points)}" if self.points else ""
        when = shown(about_ms(self.entry), zone)
        return f"{self.entry.uuid[:SHOWN_OF_UUID]} is the {self.entry.kind}{at}, {when}, by {self.entry.author}"


def standing(record: RecordFolder, beginning: str) -> Named:
    """The one entry whose uuid begins so. EntryError: there is none, or several, or it is corrected already."""
    with _entries(record) as reader:
        entries, names = reader.entries(), reader.points()
    found = [one for one in entries if beginning and one.uuid.startswith(beginning)]
    if not found:
        raise EntryError(f"the record holds no entry {beginning!r}; `tallywell entries` lists them")
    if len(found) > 1:
        raise EntryError(f"{len(found)} entries begin with {beginning!r}; give more of it")
    (entry,) = found
    later = replaced_by(entries).get(entry.uuid)
    if later is not None:
        raise EntryError(_corrected_already(entry, later))
    if entry.kind == WITHDRAW:
        raise EntryError(f"{entry.uuid[:SHOWN_OF_UUID]} is itself a withdrawal; enter what is true anew")
    content = _content(entry)
    here = names.get(entry.point or 0)
    other = str(content["to"]) if entry.kind == "moved" and "to" in content else None
    return Named(entry, content, tuple(one for one in (here, other) if one))


def may_replace(named: Named, kind: str, content: Content, points: tuple[str, ...], zone: ZoneInfo) -> None:
    """Whether an entry of this kind, content and points may stand in its place. EntryError says what is wrong."""
    again = f"correct it with `tallywell {named.entry.kind}`, or take it back with `tallywell withdraw`"
    if not families(named.entry.kind, named.content) & families(kind, content):
        raise EntryError(f"{named.said(zone)}; {_a(kind)} does not correct that; {again}")
    if (named.points or points) and not set(named.points) & set(points):
        here = " and ".join(points) or "the whole site"
        raise EntryError(f"{named.said(zone)}; this one is about {here}; {again}")


def _corrected_already(entry: Entry, later: Entry) -> str:
    name, by = entry.uuid[:SHOWN_OF_UUID], later.uuid[:SHOWN_OF_UUID]
    if later.kind == WITHDRAW:
        return f"{name} is withdrawn by {by} already; enter what is true anew, without --replaces"
    return f"{name} is replaced by {by} already; correct that one"


def _a(kind: str) -> str:
    return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


def _content(entry: Entry) -> Content:
    """Of one that cannot be read, nothing: it may be corrected all the same."""
    try:
        return Kept.of(entry).content
    except EntryError:
        return {}


def _entries(record: RecordFolder) -> Reader:
    if not record.db.exists():
        raise EntryError("the record holds no entries yet; there is nothing to correct")
    return Reader(record)

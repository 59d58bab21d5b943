"""The content of an entry: a table of texts, whole numbers and yes or no, made and read again in one place.

An entry is kept as it was written: digits of the face, not counts of the books, since a corrected map may change them.
"""

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from tallywell.readings.facts import Entry
from tallywell.reports.face import Face, face_count

Content = dict[str, object]
_GROUPING = re.compile(r"[,_ ]")


class EntryError(ValueError):
    """An entry's content cannot be taken; the text says what was got and what to do."""


def about_ms(entry: Entry) -> int:
    """The instant that the entry speaks of: as stated, else when it was written (as the clock showed it then)."""
    return entry.shown_ms if entry.about_ms is None else entry.about_ms


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that stand, in order of seq: those that a later one replaces are gone."""
    listed = tuple(entries)
    gone = replaced_by(listed)
    return tuple(entry for entry in listed if entry.uuid not in gone)


def replaced_by(entries: Iterable[Entry]) -> dict[str, Entry]:
    """The entries that do not stand, by uuid, each with the one that replaced it.

    Two corrections of one entry may have waited in the inbox at once, so that nobody was told: the last word holds.
    """
    first: dict[str, str] = {}  # of each correction, what it goes back to
    newest: dict[str, Entry] = {}
    found: dict[str, Entry] = {}
    for entry in sorted(entries, key=lambda one: one.seq):
        if entry.replaces:
            root = first[entry.uuid] = first.get(entry.replaces, entry.replaces)
            found[entry.replaces] = entry
            if root in newest:
                found.setdefault(newest[root].uuid, entry)
            newest[root] = entry
    return found


def of_face(shows: str, face: Face, field: str) -> str:
    """Digits as the face shows them, checked; EntryError names the field."""
    try:
        return face_digits(shows, face)
    except ValueError as wrong:
        raise EntryError(f"{field}: {wrong}") from None


def face_digits(shows: str, face: Face) -> str:
    """What a person copied from a face, without commas or blanks between thousands. ValueError says what is wrong."""
    face_count(face, shows)
    bare = _GROUPING.sub("", shows.strip())
    if "." not in bare and len(bare) > face.digits:
        raise ValueError(f"{shows!r} has {len(bare)} digits, the face {face.digits}; look at them again")
    return bare


def needed(text: str | None, field: str, what: str) -> str:
    """A text that must be there and say something."""
    if text is None or not text.strip():
        raise EntryError(f"{field}: {what}")
    return text.strip()


@dataclass(frozen=True, slots=True)
class Kept:
    """The content of one entry. What is missing or of another type raises EntryError, which names the entry."""

    entry: Entry
    content: dict[str, Any]

    @classmethod
    def of(cls, entry: Entry) -> "Kept":
        again = "enter it again with --replaces"
        try:
            content = json.loads(entry.content)
        except ValueError:
            raise EntryError(f"entry {entry.uuid}: its content is not JSON; {again}") from None
        if not isinstance(content, dict):
            raise EntryError(f"entry {entry.uuid}: its content is no table of names and values; {again}")
        return cls(entry, content)

    @property
    def note(self) -> str:
        written = self.content.get("note")
        return written if isinstance(written, str) else ""

    def text(self, field: str) -> str:
        found = self.content.get(field)
        if not isinstance(found, str) or not found.strip():
            raise self.wrong(field, f"is not text (got {found!r})")
        return found

    def text_or_none(self, field: str) -> str | None:
        return None if self.content.get(field) is None else self.text(field)

    def whole(self, field: str) -> int:
        found = self.content.get(field)
        if type(found) is not int:
            raise self.wrong(field, f"is no whole number (got {found!r})")
        return found

    def whole_or_none(self, field: str) -> int | None:
        return None if self.content.get(field) is None else self.whole(field)

    def is_so(self, field: str) -> bool:
        return self.content.get(field) is True

    def digits(self, field: str, face: Face) -> int:
        """What the face shows, as a whole number of its last digit."""
        shows = self.text(field)
        try:
            return face_count(face, shows)
        except ValueError as wrong:
            raise EntryError(f"entry {self.entry.uuid}: {field}: {wrong}") from None

    def wrong(self, field: str, what: str) -> EntryError:
        return EntryError(f"entry {self.entry.uuid}: {field} {what}; enter it again with --replaces")

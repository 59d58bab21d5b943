"""What the content of an entry says, kind by kind. Pure: content in, ledger facts out; content made here is read here.

    visit          {"shows": "00092545", "note": ""}                            a hand reading, as the face shows it
    installation   {"serial": "A-1042", "first_count": "00000012", "note": ""}  first_count null: not noted
    clock          {"it_is_ms": 1784059500000, "within_ms": 120000, "boot_id": "...", "boot_ms": 81234}

An entry is kept as it was written: digits of the face, not counts of the books, since a corrected map may change them.
"""

import json
from collections.abc import Iterable
from typing import Any

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import HandReading, Installed, Scale
from tallywell.reports.face import Face, face_count, in_books

KINDS = frozenset({"clock", "installation", "visit"})  # what may be entered; the record keeps the kind as text

Content = dict[str, str | None]


class EntryError(ValueError):
    """An entry's content cannot be taken; the text says what was got and what to do."""


def visit_content(shows: str, face: Face, note: str = "") -> Content:
    """Content of a `visit`. `shows` is what the face shows. EntryError says what is wrong."""
    _checked(shows, face, "shows")
    return {"shows": shows.strip(), "note": note}


def installation_content(serial: str, first_count: str | None, face: Face, note: str = "") -> Content:
    """Content of an `installation`: `first_count` as the face shows it, None where nobody noted it."""
    if not serial.strip():
        raise EntryError("serial: an installation names the meter's serial number; read it on the plate")
    if first_count is not None:
        _checked(first_count, face, "first_count")
    return {"serial": serial.strip(), "first_count": None if first_count is None else first_count.strip(), "note": note}


def clock_content(it_is_ms: int, within_ms: int, boot_id: str, boot_ms: int) -> dict[str, int | str]:
    """Content of a `clock`: at `boot_ms` of that boot it was `it_is_ms` (UTC), give or take `within_ms`.

    It dates only rows that have no date. EntryError where the width is none.
    """
    if within_ms <= 0:
        raise EntryError("within: say how far off your own clock may be, such as 2min")
    return {"it_is_ms": it_is_ms, "within_ms": within_ms, "boot_id": boot_id, "boot_ms": boot_ms}


def hand_reading(entry: Entry, face: Face, scale: Scale) -> HandReading:
    """A `visit` as the ledger takes it, in the books' counts. EntryError names the entry."""
    shows = _content(entry).get("shows")
    total = in_books(face, _count(entry, face, shows, "shows"), scale)
    return HandReading(entry.uuid, about_ms(entry), total, entry.author, scale)


def installed(entry: Entry, face: Face, scale: Scale) -> Installed:
    """An `installation` as the ledger takes it, its first count in the books' counts. EntryError names the entry."""
    content = _content(entry)
    serial, first = content.get("serial"), content.get("first_count")
    if not isinstance(serial, str) or not serial.strip():
        raise EntryError(f"entry {entry.uuid}: serial is missing; enter the installation again with replaces")
    if first is None:
        return Installed(entry.uuid, about_ms(entry), None, serial)
    total = in_books(face, _count(entry, face, first, "first_count"), scale)
    high = max(total.count, total.high - 1)  # at `total.high` itself the face shows the next digit already
    return Installed(entry.uuid, about_ms(entry), total.count, serial, scale, total.low, high)


def note(entry: Entry) -> str:
    """The remark written with the entry, empty where there is none."""
    written = _content(entry).get("note")
    return written if isinstance(written, str) else ""


def shows_of(entry: Entry) -> str:
    """The digits as written, for showing only."""
    content = _content(entry)
    written = content.get("shows", content.get("first_count"))
    return written if isinstance(written, str) else ""


def about_ms(entry: Entry) -> int:
    """The instant that the entry speaks of: as stated, else when it was written (as the clock showed it then)."""
    return entry.shown_ms if entry.about_ms is None else entry.about_ms


def _checked(shows: str, face: Face, field: str) -> None:
    try:
        face_count(face, shows)
    except ValueError as wrong:
        raise EntryError(f"{field}: {wrong}") from None


def _count(entry: Entry, face: Face, shows: object, field: str) -> int:
    if not isinstance(shows, str):
        raise EntryError(f"entry {entry.uuid}: {field} is not text (got {shows!r}); enter it again with replaces")
    try:
        return face_count(face, shows)
    except ValueError as wrong:
        raise EntryError(f"entry {entry.uuid}: {field}: {wrong}") from None


def _content(entry: Entry) -> dict[str, Any]:
    try:
        content = json.loads(entry.content)
    except ValueError:
        raise EntryError(f"entry {entry.uuid}: its content is not JSON; enter it again with replaces") from None
    if not isinstance(content, dict):
        raise EntryError(
            f"entry {entry.uuid}: its content is no table of names and values; enter it again with replaces"
        )
    return content


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that stand, in order of seq: those that a later one replaces are gone."""
    listed = tuple(entries)
    replaced = {entry.replaces for entry in listed if entry.replaces}
    return tuple(entry for entry in listed if entry.uuid not in replaced)

"""A hand reading: {"shows": "00092545", "agency": false, "note": ""}."""

from dataclasses import dataclass

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import HandReading, Scale
from tallywell.reports.face import Face, face_capacity_in_books, in_books
from tallywell.stated.content import Content, Kept, about_ms, of_face


@dataclass(frozen=True, slots=True)
class Visited:
    """Somebody stood before the meter. `agency`: it was the agency's own person."""

    uuid: str
    about_ms: int
    shows: str
    author: str
    note: str
    agency: bool
    reading: HandReading


def visit_content(shows: str, face: Face, note: str = "", *, agency: bool = False) -> Content:
    """`shows`: what the face shows. EntryError says what is wrong."""
    return {"shows": of_face(shows, face, "shows"), "agency": agency, "note": note}


def visited(entry: Entry, face: Face, scale: Scale) -> Visited:
    kept = Kept.of(entry)
    total = in_books(face, kept.digits("shows", face), scale)
    goes_round = face_capacity_in_books(face, scale)
    reading = HandReading(entry.uuid, about_ms(entry), total, entry.author, scale, int(goes_round))
    shows = kept.text("shows").strip()
    return Visited(entry.uuid, about_ms(entry), shows, entry.author, kept.note, kept.is_so("agency"), reading)

"""Shutdown and startup of a season: {"shows": "00092545" or null, "note": ""}.

Each shutdown lasts until the next startup of its point. A startup without a shutdown before it, and a shutdown that
comes while the season is shut already, begin and end nothing.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import FaceCount, Scale, Season
from tallywell.reports.face import Face, face_capacity_in_books, in_books
from tallywell.stated.content import Content, Kept, about_ms, of_face

SHUTDOWN, STARTUP = "shutdown", "startup"


@dataclass(frozen=True, slots=True)
class Turned:
    """One of the two, read again. `shows`: the face's digits as entered."""

    entry: Entry
    about_ms: int
    face: FaceCount | None
    shows: str = ""
    note: str = ""


def season_content(shows: str | None, face: Face | None, note: str = "") -> Content:
    """`shows` None: nobody looked at the face."""
    digits = None if shows is None or face is None else of_face(shows, face, "shows")
    return {"shows": digits, "note": note}


def turned(entry: Entry, face: Face, scale: Scale) -> Turned:
    kept = Kept.of(entry)
    if kept.content.get("shows") is None:
        return Turned(entry, about_ms(entry), None)
    counted = FaceCount(in_books(face, kept.digits("shows", face), scale), scale, face_capacity_in_books(face, scale))
    return Turned(entry, about_ms(entry), counted, kept.text("shows").strip(), kept.note)


def seasons(turns: Iterable[Turned]) -> tuple[Season, ...]:
    """Paired by their dates."""
    found: list[Season] = []
    shut: Turned | None = None
    for one in sorted(turns, key=lambda turn: (turn.about_ms, turn.entry.seq)):
        if one.entry.kind == SHUTDOWN:
            shut = shut or one
        elif shut is not None:
            found.append(Season(shut.entry.uuid, shut.about_ms, one.about_ms, shut.face, one.face))
            shut = None
    if shut is not None:
        found.append(Season(shut.entry.uuid, shut.about_ms, None, shut.face))
    return tuple(found)

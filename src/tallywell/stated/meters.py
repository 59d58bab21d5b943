"""Which meter hangs where: installations, change-outs, moves, resets, and answers to the ledger's question.

installation  {"serial": "A-1042", "converter": null, "first_count": "00000012", "note": ""}   null: not noted
changeout     the same, and {"old_final": "00092545", "old_face": null, "seal_removed": null, "seal": null,
              "sensor_kept": false}             old_final null: unreadable; old_face {"one_count": "1 m3", "digits": 7}
moved         {"to": "south-discharge", "serial": "A-1042", "final": "00092545", "first_count": "00092545", "note": ""}
settle        {"rounds": 2, "note": ""}, or {"reset": true, "first_count": "00000000", "note": ""}
"""

from dataclasses import dataclass, replace

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Answer, Change, FaceCount, Installed, Scale, Settled
from tallywell.readings.units import measure
from tallywell.reports.decimals import plain
from tallywell.reports.face import Face, face_capacity_in_books, in_books
from tallywell.stated.content import Content, EntryError, Kept, about_ms, needed, of_face

UNREADABLE = "unreadable"
_SERIAL = "a meter is entered with its serial number; read it on the plate"


@dataclass(frozen=True, slots=True)
class Meter:
    """A change as it was entered, for a report: digits as written, None = not noted. `other`: the other point of a
    move.
    """

    uuid: str
    about_ms: int
    change: Change
    serial: str
    author: str
    first_count: str | None = None
    converter: str | None = None
    old_final: str | None = None
    seal_removed: str | None = None
    seal: str | None = None
    sensor_kept: bool = False
    other: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class ChangeOut:
    """What is noted when one meter takes the place of another. `old_final` None: unreadable.

    `old_face`: where the old meter's face counted otherwise than the one that the site file tells of now.
    """

    serial: str
    first_count: str | None
    old_final: str | None
    converter: str | None = None
    old_face: Face | None = None
    seal_removed: str | None = None
    seal: str | None = None
    sensor_kept: bool = False
    note: str = ""


def installation_content(
    serial: str, first_count: str | None, face: Face, note: str = "", converter: str | None = None
) -> Content:
    """`first_count` as the face shows it, None where nobody noted it. EntryError says what is wrong."""
    return {
        "serial": needed(serial, "serial", _SERIAL),
        "converter": converter,
        "first_count": None if first_count is None else of_face(first_count, face, "first_count"),
        "note": note,
    }


def changeout_content(change: ChangeOut, face: Face) -> Content:
    """`face`: the new meter's."""
    old = change.old_face or face
    written = {"one_count": f"{plain(old.one_count.number)} {old.one_count.unit}", "digits": old.digits}
    return installation_content(change.serial, change.first_count, face, change.note, change.converter) | {
        "old_final": None if change.old_final is None else of_face(change.old_final, old, "old_final"),
        "old_face": None if change.old_face is None else written,
        "seal_removed": change.seal_removed,
        "seal": change.seal,
        "sensor_kept": change.sensor_kept,
    }


@dataclass(frozen=True, slots=True)
class Move:
    """A meter goes from one point to another; its face shows the same there unless `first_count` says otherwise."""

    to: str
    serial: str
    final: str
    first_count: str | None = None
    note: str = ""


def moved_content(move: Move, here: Face, there: Face) -> Content:
    """`here`, `there`: the faces that the site file tells of at the two points."""
    first = move.final if move.first_count is None else move.first_count
    return {
        "to": move.to,
        "serial": needed(move.serial, "serial", _SERIAL),
        "final": of_face(move.final, here, "final"),
        "first_count": of_face(first, there, "first_count"),
        "note": move.note,
    }


def settle_content(face: Face, *, rounds: int | None = None, first_count: str | None = None, note: str = "") -> Content:
    """How often the totalizer went round, or (`rounds` None) that it was reset, to `first_count` (None: to zero)."""
    if rounds is None:
        shows = "0" if first_count is None else first_count
        return {"reset": True, "first_count": of_face(shows, face, "first_count"), "note": note}
    if rounds < 0:
        raise EntryError(f"rounds: a totalizer goes round 0 times or more, not {rounds}")
    return {"rounds": rounds, "note": note}


# --- read again


def meter(entry: Entry, here: str) -> Meter:
    """As entered, for the point named `here`."""
    kept = Kept.of(entry)
    if entry.kind == "moved":
        return _moved_meter(entry, kept, here)
    first, serial = kept.text_or_none("first_count"), kept.text("serial")
    found = Meter(entry.uuid, about_ms(entry), Change.INSTALLED, serial, entry.author, first, note=kept.note)
    found = replace(found, converter=kept.text_or_none("converter"))
    if entry.kind == "installation":
        return found
    return replace(
        found,
        change=Change.CHANGED,
        old_final=kept.text_or_none("old_final") or UNREADABLE,
        seal_removed=kept.text_or_none("seal_removed"),
        seal=kept.text_or_none("seal"),
        sensor_kept=kept.is_so("sensor_kept"),
    )


def _moved_meter(entry: Entry, kept: Kept, here: str) -> Meter:
    to = kept.text("to")
    found = Meter(entry.uuid, about_ms(entry), Change.REMOVED, kept.text("serial"), entry.author, note=kept.note)
    if to == here:
        return replace(found, change=Change.MOVED_HERE, first_count=kept.text("first_count"))
    return replace(found, old_final=kept.text("final"), other=to)


def installed(entry: Entry, face: Face, scale: Scale, here: str) -> Installed:
    """As the ledger takes it, in the books' counts."""
    kept, change = Kept.of(entry), _change(entry, here)
    serial = "" if change is Change.RESET else kept.text("serial")
    final = _final(kept, change, face, scale)
    if change is Change.REMOVED or kept.content.get("first_count") is None:
        return Installed(entry.uuid, about_ms(entry), None, serial, change=change, final=final)
    total = in_books(face, kept.digits("first_count", face), scale)
    high = max(total.count, total.high - 1)  # at `total.high` itself the face shows the next digit already
    counts = (total.count, serial, scale, total.low, high)
    converter = kept.text_or_none("converter")
    found = Installed(entry.uuid, about_ms(entry), *counts, change=change, converter=converter, final=final)
    return replace(found, goes_round=face_capacity_in_books(face, scale))


def _change(entry: Entry, here: str) -> Change:
    if entry.kind == "moved":
        return Change.MOVED_HERE if Kept.of(entry).text("to") == here else Change.REMOVED
    return {"changeout": Change.CHANGED, "settle": Change.RESET}.get(entry.kind, Change.INSTALLED)


def _final(kept: Kept, change: Change, face: Face, scale: Scale) -> FaceCount | None:
    field = {Change.CHANGED: "old_final", Change.REMOVED: "final"}.get(change)
    if field is None or kept.content.get(field) is None:
        return None
    old = _old_face(kept) or face
    return FaceCount(in_books(old, kept.digits(field, old), scale), scale, face_capacity_in_books(old, scale))


def _old_face(kept: Kept) -> Face | None:
    written = kept.content.get("old_face")
    if written is None:
        return None
    try:
        return Face(measure(written["one_count"], "volume"), int(written["digits"]))
    except (KeyError, TypeError, ValueError):
        raise kept.wrong("old_face", f"says no step and digits (got {written!r})") from None


def settled(entry: Entry) -> Settled:
    """How often the totalizer went round; an answer that it was reset is an `installed`."""
    return Settled(entry.uuid, about_ms(entry), Kept.of(entry).whole("rounds"))


def answer(entry: Entry) -> Answer:
    """Either of the two, with whose it is."""
    kept = Kept.of(entry)
    rounds = None if is_reset(entry) else kept.whole("rounds")
    return Answer(entry.uuid, about_ms(entry), rounds, entry.author, entry.shown_ms, kept.note)


def is_reset(entry: Entry) -> bool:
    return entry.kind == "settle" and Kept.of(entry).is_so("reset")

"""What the commands that state something have in common: the face, what is corrected, and what became of it."""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from tallywell.commandline.site import author, called_wrongly, instant, now_ms, point_named, sound_site
from tallywell.reports.decimals import plain
from tallywell.reports.face import Face, face_count
from tallywell.service.entering import Fate, Statement, enter, entries_named, replaced_already
from tallywell.service.files import Loaded
from tallywell.service.local_time import shown
from tallywell.service.site import Point, Site
from tallywell.stated.content import Content, EntryError

MINUTE_MS = 60_000
SHOWN_OF_UUID = 8


def opened(options: argparse.Namespace) -> tuple[Loaded, Site, Point]:
    """The site, and the point that the command is about."""
    loaded, site = sound_site(options.site)
    return loaded, site, point_named(site, options.point)


def face_of(point: Point) -> Face:
    """How the point's meter shows its total; a map without a total ends the command with 2."""
    from tallywell.service.following import face_of as stated_or_derived

    if point.map.books is None:
        raise called_wrongly(f"{point.name}: its map {point.map_name} has no total that a face could show")
    return stated_or_derived(point)[0]


def digits_of(face: Face) -> Callable[[str], object]:
    """Checks what a person copied from that face."""
    return lambda text: face_count(face, text)


def content_of(make: Callable[[], Content]) -> Content:
    """Content that cannot be kept ends the command with 2."""
    try:
        return make()
    except EntryError as wrong:
        raise called_wrongly(str(wrong)) from None


def stated(options: argparse.Namespace, loaded: Loaded, site: Site, point: Point, content: Content) -> Statement:
    """The statement that the command is for, about the time given."""
    return stated_about(options, loaded, point.name, instant(site, options.at) or now_ms(), content)


def stated_about(
    options: argparse.Namespace, loaded: Loaded, point: str | None, about_ms: int, content: Content
) -> Statement:
    """With what it corrects and why."""
    replaces, because = corrected(options, loaded)
    kept = dict(content) if because is None else dict(content) | {"replaced_because": because}
    return Statement(options.kind, point, about_ms, author(options), kept, replaces)


def corrected(options: argparse.Namespace, loaded: Loaded) -> tuple[str | None, str | None]:
    """The entry that is corrected, by the beginning of its name, and the reason."""
    if options.replaces is None:
        return None, None
    if not (options.correcting or "").strip():
        raise called_wrongly('--replaces: an entry is replaced with its reason; add --correcting "what was wrong"')
    return replaced_uuid(loaded.record, options.replaces), options.correcting.strip()


def replaced_uuid(record: Path, beginning: str) -> str:
    found = entries_named(record, beginning) if beginning else ()
    if len(found) == 1:
        if later := replaced_already(record, found[0]):
            raise called_wrongly(
                f"--replaces: {found[0][:SHOWN_OF_UUID]} is replaced by {later[:SHOWN_OF_UUID]} already"
            )
        return found[0]
    if not found:
        raise called_wrongly(f"--replaces: the record holds no entry {beginning!r}; `tallywell entries` lists them")
    raise called_wrongly(f"--replaces: {len(found)} entries begin with {beginning!r}; give more of it")


def said_of_face(point: Point, shows: str, face: Face) -> str:
    """The volume that digits stand for, so that a slip is seen at once."""
    volume = face_count(face, shows) * face.one_count.number
    return f"{point.name}: {shows} is {plain(volume)} {face.one_count.unit}{_fewer(shows, face)}"


def _fewer(shows: str, face: Face) -> str:
    """A digit that was left out makes a tenth of the count; zeros that were left out make no difference."""
    typed = sum(character.isdigit() for character in shows)
    return f"; {typed} digits, where the face has {face.digits}" if typed < face.digits and "." not in shows else ""


def entered(loaded: Loaded, site: Site, statement: Statement) -> int:
    """Enter it and say what became of it."""
    if statement.about_ms is not None and statement.kind != "clock" and statement.about_ms > now_ms() + MINUTE_MS:
        when, now = shown(statement.about_ms, site.zone), shown(now_ms(), site.zone)
        print(f"warning: {when} is still to come by this machine's clock ({now}); if it is wrong, enter it again with")
        print("  --replaces and the name below")
    uuid, outlook = enter(loaded.record, statement, tuple(site.points))
    if outlook.fate is Fate.TAKEN:
        print(f"{statement.kind} entered as {outlook.seq}, {uuid}")
        return 0
    if outlook.fate is Fate.QUEUED:
        print(f"{uuid} queued: it lies in the inbox and will be taken when the daemon gets to it")
        return 0
    print(f"refused: {outlook.why}", file=sys.stderr)
    return 1

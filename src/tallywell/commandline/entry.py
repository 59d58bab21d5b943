"""What the commands that state something have in common: the face, and what became of the entry."""

import argparse
import sys
from collections.abc import Callable

from tallywell.commandline.site import author, called_wrongly, instant, now_ms
from tallywell.reports.decimals import plain
from tallywell.reports.face import Face, face_count
from tallywell.service.entering import Fate, Statement, enter, is_entered
from tallywell.service.files import Loaded
from tallywell.service.local_time import shown
from tallywell.service.site import Point, Site
from tallywell.stated.content import Content, EntryError

MINUTE_MS = 60_000


def face_of(point: Point) -> Face:
    """How the point's meter shows its total; a map without a total ends the command with 2."""
    from tallywell.service.books import face_of as stated_or_derived

    if point.map.books is None:
        raise called_wrongly(f"{point.name}: its map {point.map_name} has no total that a face could show")
    return stated_or_derived(point)[0]


def stated(options: argparse.Namespace, site: Site, point: Point, content: Callable[[], Content]) -> Statement:
    """The statement that the command is for; content that cannot be kept ends the command with 2."""
    try:
        kept = content()
    except EntryError as wrong:
        raise called_wrongly(str(wrong)) from None
    about = instant(site, options.at) or now_ms()
    return Statement(options.kind, point.name, about, author(options), dict(kept), options.replaces)


def _fewer(shows: str, face: Face) -> str:
    """A digit that was left out makes a tenth of the count; zeros that were left out make no difference."""
    typed = sum(character.isdigit() for character in shows)
    return f"; {typed} digits, where the face has {face.digits}" if typed < face.digits and "." not in shows else ""


def entered(
    loaded: Loaded, site: Site, statement: Statement, shows: str | None = None, face: Face | None = None
) -> int:
    """Enter it and say what became of it, with the volume that the digits stand for."""
    if statement.replaces is not None and not is_entered(loaded.record, statement.replaces):
        raise called_wrongly(f"--replaces: the record holds no entry {statement.replaces!r}; it was printed when made")
    if shows is not None and face is not None:
        volume = face_count(face, shows) * face.one_count.number
        print(f"{statement.point}: {shows} is {plain(volume)} {face.one_count.unit}{_fewer(shows, face)}")
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

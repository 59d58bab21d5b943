"""What shutdown and startup have in common."""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site


def season_arguments(parser: argparse.ArgumentParser, kind: str, when: str) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind=kind)
    parser.add_argument("points", metavar="POINT", nargs="*", help="the points")
    parser.add_argument("--all", action="store_true", help="all points of the site")
    parser.add_argument("--shows", metavar="DIGITS", help="what the face showed (of one point)")
    statement_arguments(parser, when)


def turn(options: argparse.Namespace) -> int:
    """Enter it for each point named; 1 where one was refused."""
    from tallywell.commandline.site import called_wrongly, point_named, sound_site

    loaded, site = sound_site(options.site)
    if options.all == bool(options.points):
        raise called_wrongly("name the points, or say --all")
    points = [point_named(site, name) for name in (options.points or site.points)]
    if options.shows is not None and len(points) > 1:
        raise called_wrongly("--shows: each meter has a face of its own; enter the points one by one")
    return max(_turn(options, loaded, site, point) for point in points)


def _turn(options: argparse.Namespace, loaded: "Loaded", site: "Site", point: "Point") -> int:
    from tallywell.commandline.entry import content_of, entered, face_of, said_of_face, stated
    from tallywell.stated.seasons import season_content

    face = face_of(point) if options.shows is not None else None
    statement = stated(
        options, loaded, site, point, content_of(lambda: season_content(options.shows, face, options.note))
    )
    if options.shows is not None and face is not None:
        print(said_of_face(point, options.shows, face))
    for odd in _odd(loaded, point, options.kind, statement.about_ms or 0, statement.replaces):
        print(f"warning: {point.name}: {odd}", file=sys.stderr)
    return entered(loaded, site, statement)


def _odd(loaded: "Loaded", point: "Point", kind: str, about_ms: int, replaces: str | None) -> list[str]:
    """What does not pair with the entries that stand."""
    from tallywell.service.entering import entries_in_force
    from tallywell.stated.content import about_ms as about
    from tallywell.stated.seasons import SHUTDOWN, STARTUP

    turns = [
        one
        for one in entries_in_force(loaded.record, point.name)
        if one.kind in (SHUTDOWN, STARTUP) and one.uuid != replaces and about(one) <= about_ms
    ]
    shut = bool(turns) and max(turns, key=lambda one: (about(one), one.seq)).kind == SHUTDOWN
    if kind == STARTUP and not shut:
        return ["it was not shut down before then; a startup alone begins nothing"]
    if kind == SHUTDOWN and shut:
        return ["it is shut down already by an entry before then; this one begins nothing"]
    return []

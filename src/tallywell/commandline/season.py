"""What shutdown and startup have in common."""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.entering import Statement
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site


def season_arguments(parser: argparse.ArgumentParser, kind: str, when: str) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind=kind)
    parser.add_argument("points", metavar="POINT", nargs="*", help="the points")
    parser.add_argument(
        "--all", action="store_true", help="all points of the site, but those for which it says nothing"
    )
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
    from tallywell.commandline.entry import content_of, echoed, entered, face_of, stated
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.seasons import season_content

    face = face_of(point) if options.shows is not None else None
    content = content_of(lambda: season_content(options.shows, face, options.note))
    statement = stated(options, loaded, site, point, content)
    odd = tuple(f"{point.name}: {one}" for one in _odd(loaded, site, point, statement))
    if odd and options.all:
        print(f"{odd[0]}; nothing was entered for it", file=sys.stderr)
        return 0
    counts = [] if face is None else [Count("shows", str(content["shows"]), face, Side.BOTH)]
    return entered(loaded, site, statement, odd=(*odd, *echoed(loaded, site, statement, counts)))


def _odd(loaded: "Loaded", site: "Site", point: "Point", statement: "Statement") -> list[str]:
    """What does not pair with the entries that stand."""
    from tallywell.service.entering import entries_in_force
    from tallywell.service.local_time import shown
    from tallywell.stated.content import about_ms
    from tallywell.stated.seasons import SHUTDOWN, STARTUP

    assert statement.about_ms is not None
    turns = [
        one
        for one in entries_in_force(loaded.record, point.name)
        if one.kind in (SHUTDOWN, STARTUP) and one.uuid != statement.replaces and about_ms(one) <= statement.about_ms
    ]
    last = max(turns, key=lambda one: (about_ms(one), one.seq), default=None)
    shut = last is not None and last.kind == SHUTDOWN
    if statement.kind == STARTUP and not shut:
        return ["it was not shut down before then; a startup alone begins nothing"]
    if statement.kind == SHUTDOWN and shut and last is not None:
        since = shown(about_ms(last), site.zone)
        return [f"it is shut down already, since {since} by entry {last.uuid[:8]}; this one begins nothing"]
    return []

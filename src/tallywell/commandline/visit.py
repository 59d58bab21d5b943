"""Put a hand reading on record: what the face of the meter showed when somebody stood before it.

Type the digits as they stand, fixed zeros included. The entry goes through the record's inbox, so it may be made while
the daemon runs; it is never edited, only replaced by a later one (--replaces).
"""

import argparse

SUMMARY = "a hand reading, as the meter's face shows it"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="visit")
    parser.add_argument("point", metavar="POINT", help="the point whose meter was read")
    parser.add_argument("--shows", metavar="DIGITS", required=True, help="what the face shows, all digits")
    statement_arguments(parser, "it was read")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.entry import entered, face_of, stated
    from tallywell.commandline.site import point_named, sound_site
    from tallywell.stated.visits import visit_content

    loaded, site = sound_site(options.site)
    point = point_named(site, options.point)
    face = face_of(point)
    statement = stated(options, site, point, lambda: visit_content(options.shows, face, options.note))
    return entered(loaded, site, statement, options.shows, face)

"""Put a hand reading on record: what the face of the meter showed when somebody stood before it.

Type the digits as they stand, fixed zeros included. The entry goes through the record's inbox, so it may be made while
the daemon runs; it is never edited, only replaced by a later one (--replaces).
"""

import argparse

SUMMARY = "a hand reading, as the meter's face shows it"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import at_argument, author_argument, site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", help="the point whose meter was read")
    parser.add_argument("--shows", metavar="DIGITS", required=True, help="what the face shows, all digits")
    at_argument(parser, "it was read")
    author_argument(parser)
    parser.add_argument("--note", default="", help="a remark")
    parser.add_argument("--replaces", metavar="UUID", help="the entry that this one corrects")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.entry import entered, face_of
    from tallywell.commandline.site import author, called_wrongly, instant, now_ms, point_named, sound_site
    from tallywell.service.entering import Statement
    from tallywell.service.entries import EntryError, visit_content

    loaded, site = sound_site(options.site)
    point = point_named(site, options.point)
    face = face_of(point)
    try:
        content = visit_content(options.shows, face, options.note)
    except EntryError as wrong:
        raise called_wrongly(str(wrong)) from None
    about = instant(site, options.at) or now_ms()
    statement = Statement("visit", point.name, about, author(options), dict(content), options.replaces)
    return entered(loaded, site, statement, options.shows, face)

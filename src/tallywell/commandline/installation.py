"""Put on record which meter hangs at a point from when on, and what its face showed at that moment.

Without it the books begin at the first reading, and the report says that the installation was not entered.
"""

import argparse

SUMMARY = "which meter hangs at a point, from when, and its first count"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import at_argument, author_argument, site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", help="the point where the meter hangs")
    parser.add_argument("--serial", required=True, help="the serial number on the meter's plate")
    parser.add_argument("--shows", metavar="DIGITS", help="what the face showed then, all digits (default: not noted)")
    at_argument(parser, "it was installed")
    author_argument(parser)
    parser.add_argument("--note", default="", help="a remark")
    parser.add_argument("--replaces", metavar="UUID", help="the entry that this one corrects")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.entry import entered, face_of
    from tallywell.commandline.site import author, called_wrongly, instant, now_ms, point_named, sound_site
    from tallywell.service.entering import Statement
    from tallywell.service.entries import EntryError, installation_content

    loaded, site = sound_site(options.site)
    point = point_named(site, options.point)
    face = face_of(point)
    try:
        content = installation_content(options.serial, options.shows, face, options.note)
    except EntryError as wrong:
        raise called_wrongly(str(wrong)) from None
    about = instant(site, options.at) or now_ms()
    statement = Statement("installation", point.name, about, author(options), dict(content), options.replaces)
    return entered(loaded, site, statement, options.shows, face)

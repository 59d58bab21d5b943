"""Put on record that a meter was taken from one point and put in at another: one entry for both.

The books of the first point end at the final count, those of the other begin at the first count, which is the same
unless --first-count says otherwise.
"""

import argparse

SUMMARY = "a meter was taken from one point to another"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="moved")
    parser.add_argument("point", metavar="POINT", help="the point that it was taken from")
    parser.add_argument("--to", metavar="POINT", help="the point that it was put in at")
    parser.add_argument("--serial", help="the serial number on its plate")
    parser.add_argument("--final", metavar="DIGITS", help="what its face showed when it was taken away")
    parser.add_argument("--first-count", metavar="DIGITS", help="what it showed first at the other (default: the same)")
    statement_arguments(parser, "it was moved")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, digits_of, entered, face_of, opened, said_of_face, stated
    from tallywell.commandline.site import called_wrongly, point_named
    from tallywell.stated.meters import Move, moved_content

    loaded, site, point = opened(options)
    asking = Asking()
    to = point_named(site, asking.need(options.to, "--to", "the point that it was put in at"))
    if to.name == point.name:
        raise called_wrongly(f"--to: {to.name} is where it was taken from; name the other point")
    here, there = face_of(point), face_of(to)
    serial = asking.need(options.serial, "--serial", "the serial number on its plate")
    final = asking.need(options.final, "--final", "what its face showed when it was taken away", digits_of(here))
    move = Move(to.name, serial, final, options.first_count, options.note)
    statement = stated(options, loaded, site, point, content_of(lambda: moved_content(move, here, there)))
    print(said_of_face(point, final, here))
    return entered(loaded, site, statement)

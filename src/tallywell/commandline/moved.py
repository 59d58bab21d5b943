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
    from tallywell.commandline.asking import Asking, one_of
    from tallywell.commandline.entry import content_of, digits_of, echoed, entered, opened, stated
    from tallywell.commandline.site import called_wrongly, moment_check, point_named
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.meters import Move, moved_content

    loaded, site, point = opened(options)
    asking = Asking(options.to, options.serial, options.final)
    options.at = asking.when(options.at, "it was moved", moment_check(site))
    others = [name for name in site.points if name != point.name]
    if not others:
        raise called_wrongly(f"{point.name} is the only point of the site; there is no other to move a meter to")
    check = None if options.to else one_of(*others)
    to = point_named(site, asking.need(options.to, "--to", "the point that it was put in at", check))
    if to.name == point.name:
        raise called_wrongly(f"--to: {to.name} is where it was taken from; name the other point")
    here, there = digits_of(point), digits_of(to)
    serial = asking.need(options.serial, "--serial", "the serial number on its plate")
    final = asking.need(options.final, "--final", "what its face showed when it was taken away", here)
    first = asking.may(options.first_count, "--first-count", "what it showed first at the other", there, "the same")
    move = Move(to.name, serial, final, first, options.note)
    content = content_of(lambda: moved_content(move, here.face, there.face))
    statement = stated(options, loaded, site, point, content)
    taken = [Count("final", str(content["final"]), here.face, Side.BEFORE)]
    put_in = [Count("first_count", str(content["first_count"]), there.face, Side.SINCE)]
    odd = echoed(loaded, site, statement, taken, serial=serial, taken=True)
    odd += echoed(loaded, site, statement, put_in, serial=serial, at=to)
    if first is None and here.face != there.face:
        odd += (f"{to.name}: its face is another, so that the same digits stand for another volume; look at `display`",)
    return entered(loaded, site, statement, asking, odd=odd, counts=[*taken, *put_in])

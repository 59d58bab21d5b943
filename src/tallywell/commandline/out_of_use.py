"""Put on record that nothing is pumped at a point, from a day on, and why: an agency asks for the reason of a zero."""

import argparse

SUMMARY = "nothing is pumped at a point, from when to when, and why"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="out-of-use")
    parser.add_argument("point", metavar="POINT", help="the point")
    parser.add_argument("--from", dest="first", metavar="DATE", help="the first day, such as 2026-01-01")
    parser.add_argument("--to", dest="last", metavar="DATE", help="the last day (default: until further notice)")
    parser.add_argument("--because", metavar="TEXT", help="why nothing is pumped")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from datetime import timedelta

    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, entered, opened, stated_about
    from tallywell.commandline.site import day_of
    from tallywell.ledger.periods import midnight_ms
    from tallywell.stated.notes import out_of_use_content

    loaded, site, point = opened(options)
    asking = Asking(options.first, options.because)
    first = day_of(asking.need(options.first, "--from", "the first day, such as 2026-01-01", day_of))
    last = asking.may(options.last, "--to", "the last day, such as 2026-03-31", day_of, "until further notice")
    because = asking.need(options.because, "--because", "why nothing is pumped")
    begin_ms = midnight_ms(first, site.zone)
    end_ms = None if last is None else midnight_ms(day_of(last) + timedelta(days=1), site.zone)
    content = content_of(lambda: out_of_use_content(begin_ms, end_ms, because))
    return entered(loaded, site, stated_about(options, loaded, point.name, begin_ms, content), asking)

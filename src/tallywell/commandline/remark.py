"""Put a remark about a point on record; the report of its time prints it."""

import argparse

SUMMARY = "a remark about a point, for its report"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import at_argument, author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="remark")
    parser.add_argument("point", metavar="POINT", help="the point")
    parser.add_argument("text", metavar="TEXT", nargs="?", help="what is to be said")
    at_argument(parser, "it is about")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, entered, opened, stated
    from tallywell.commandline.site import moment_check
    from tallywell.stated.notes import remark_content

    loaded, site, point = opened(options)
    asking = Asking(options.text)
    options.at = asking.when(options.at, "it is about", moment_check(site))
    text = asking.need(options.text, "TEXT", "what is to be said")
    statement = stated(options, loaded, site, point, content_of(lambda: remark_content(text)))
    return entered(loaded, site, statement, asking)

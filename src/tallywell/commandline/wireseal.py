"""Put on record what became of a wire seal: put on, found whole, found broken, or taken off."""

import argparse

SUMMARY = "a wire seal was put on, found whole or broken, or taken off"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="wireseal")
    parser.add_argument("point", metavar="POINT", help="the point whose meter it is on")
    parser.add_argument("--number", help="the number on the seal")
    became = parser.add_mutually_exclusive_group()
    for flag in ("put-on", "found-whole", "found-broken", "taken-off"):
        became.add_argument(f"--{flag}", dest="state", action="store_const", const=flag.replace("-", " "))
    statement_arguments(parser, "that was")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking, one_of
    from tallywell.commandline.entry import content_of, entered, opened, stated
    from tallywell.commandline.site import moment_check
    from tallywell.stated.notes import SealState, wireseal_content

    loaded, site, point = opened(options)
    asking, states = Asking(options.number, options.state), tuple(SealState)
    options.at = asking.when(options.at, "that was", moment_check(site))
    number = asking.need(options.number, "--number", "the number on the seal")
    flags = "--put-on, --found-whole, --found-broken or --taken-off"
    state = asking.need(options.state, flags, "what became of it", one_of(*states))
    content = content_of(lambda: wireseal_content(number, SealState(state), options.note))
    return entered(loaded, site, stated(options, loaded, site, point, content), asking)

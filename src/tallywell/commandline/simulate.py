"""Stands in for the field: every line of the site becomes a pseudo-terminal with meters that count invented water, and
a line through a host a TCP port of this machine.

Writes SITE's text beside it as NAME.simulated.yaml, with the simulated ports and a record of its own, so that a site
file can be tried before the hardware exists. Runs until Ctrl-C. Started again, the totals go on as if it had never
stopped (but for --rollover and --resting, which begin anew).

Bytes take the time that they take at the line's baud. --trouble plays what goes wrong on a real line, by recipe:
"--trouble late_queued:north-discharge" at one meter, "--trouble noise" on all lines, "--trouble bad_crc:20" at another
rate. --list-troubles says which there are, and how a poll tells of each.
"""

import argparse
from collections.abc import Sequence

SUMMARY = "stand in for the field: simulated meters on pseudo-terminals"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)
    add = parser.add_argument
    add("--silent", metavar="POINT", action="append", default=[], help="this meter does not answer (it counts on)")
    add("--back-after", metavar="SECONDS", type=_seconds, help="the silent meters answer again after so long")
    add("--rollover", metavar="POINT", action="append", default=[], help="this total goes round to zero in a minute")
    add("--resting", metavar="POINT", action="append", default=[], help="this pump stands still")
    trouble = "play this trouble, at one meter or at all, at its own rate or another; may be given again"
    add("--trouble", metavar="RECIPE[:POINT][:RATE]", action="append", default=[], help=trouble)
    add("--list-troubles", action=_ListTroubles, nargs=0, help="say which recipes there are, and end")
    add("--seed", default="1", help="another seed, other water and other chance (default 1)")
    add("--seconds", metavar="SECONDS", type=_seconds, help="end after so long (default: run until Ctrl-C)")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.field import stand
    from tallywell.commandline.site import point_named, sound_site
    from tallywell.commandline.troubles import troubles_asked

    loaded, site = sound_site(options.site)
    for name in (*options.silent, *options.rollover, *options.resting):
        point_named(site, name)
    stand(options.site, loaded, site, options, troubles_asked(options.trouble, site))
    return 0


class _ListTroubles(argparse.Action):
    """As --help does: it needs no site file."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[object] | None,
        option_string: str | None = None,
    ) -> None:
        from tallywell.commandline.troubles import listing

        print(listing())
        parser.exit()


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = -1.0
    if not 0 < seconds < 1e8:
        raise argparse.ArgumentTypeError(f"must be a number of seconds above zero (got {text!r})")
    return seconds

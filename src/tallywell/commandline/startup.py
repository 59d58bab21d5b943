"""Put on record that a point was started up after a season that was shut down.

Look at the face on the way (--shows): equal counts at shutdown and startup make every day in between an explicit zero;
different ones are reported as they are, and never spread over the season.
"""

import argparse

SUMMARY = "the season begins: readings are expected again"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.season import season_arguments

    season_arguments(parser, "startup", "it was started up")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.season import turn

    return turn(options)

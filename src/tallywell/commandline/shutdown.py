"""Put on record that a point was shut down for the season: until its startup nobody expects a
reading, and silence is no gap.

Look at the face on the way (--shows): equal counts at shutdown and startup make every day in between an explicit zero;
different ones are reported as they are, and never spread over the season.
"""

import argparse

SUMMARY = "the season ends: nobody expects readings until the startup"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.season import season_arguments

    season_arguments(parser, "shutdown", "it was shut down")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.season import turn

    return turn(options)

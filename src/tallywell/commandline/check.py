"""Look for faults in a site file and in every register map that it names, and show what its lines will have to carry.

Each fault is printed as file:line:column, what, what it got, what to do; all of them at once. Where there is none, the
plan follows: what is read how often and what it costs on the wire, how much of each line is in use, and how long each
total lasts. Nothing is polled and nothing is written. Exit 1 when there is a fault; warnings do not count.
"""

import argparse
import sys

SUMMARY = "look for faults in a site file and its register maps, and show what will be read"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.calls import placed
    from tallywell.commandline.plan import plan
    from tallywell.service.files import load_site

    loaded = load_site(options.site)
    for problem in loaded.problems:
        print(placed(problem, sys.stdout))
    faults = sum(not problem.warning for problem in loaded.problems)
    warnings = len(loaded.problems) - faults
    if faults or loaded.site is None:
        print(f"{_of(faults, 'fault')}, {_of(warnings, 'warning')}")
        return 1
    besides = f", with {_of(warnings, 'warning')}" if warnings else ""
    print(f"{options.site} is in order{besides}: {loaded.site.name}, {loaded.site.time_zone}")
    for row in plan(loaded.site):
        print(row)
    return 0


def _of(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"

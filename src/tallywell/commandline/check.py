"""Look for faults in a site file and in every register map that it names; show all of them at once.

Each is printed as file:line:column, what, what it got, what to do. Nothing is polled and nothing is written. Exit 1
when there is a fault; warnings do not count.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.site import Point, Site

SUMMARY = "look for faults in a site file and the register maps it names"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.service.files import load_site

    loaded = load_site(options.site)
    for problem in loaded.problems:
        print(problem)
    faults = sum(not problem.warning for problem in loaded.problems)
    warnings = len(loaded.problems) - faults
    if faults or loaded.site is None:
        print(f"{_of(faults, 'fault')}, {_of(warnings, 'warning')}")
        return 1
    besides = f", with {_of(warnings, 'warning')}" if warnings else ""
    print(f"{options.site} is in order{besides}: {loaded.site.name}, {loaded.site.time_zone}")
    for row in table(loaded.site):
        print(row)
    return 0


def _of(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def table(site: "Site") -> list[str]:
    """One row for each point: where it hangs, how often it is read, and in how many reads."""
    rows = [
        ("point", "line", "address", "map", "every", "reads a poll"),
        *(_row(point) for point in site.points.values()),
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _row(point: "Point") -> tuple[str, ...]:
    from tallywell.registers.blocks import reads

    plan = reads(point.map)
    words = sum(read.words for read in plan)
    every = _exactly(point.every_ms)
    name = f"{point.map.name} ({point.map.revision})"
    return point.name, point.line, str(point.address), name, every, f"{len(plan)} ({_of(words, 'word')})"


def _exactly(ms: int) -> str:
    """A time between polls in the greatest unit that leaves nothing over: "1 min", "90 s", "1.5 s"."""
    sizes = ((86_400_000, "day"), (3_600_000, "h"), (60_000, "min"))
    return next((f"{ms // size} {unit}" for size, unit in sizes if ms % size == 0), f"{ms / 1000:g} s")

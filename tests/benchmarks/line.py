"""This program beside general-purpose Modbus libraries as masters of one simulated line, paced at the real baud rate.

    .venv/bin/python -m tests.benchmarks.line                  both tables, about 40 minutes
    .venv/bin/python -m tests.benchmarks.line --only speed     how fast, how silent, at what cost: about 15 minutes
    .venv/bin/python -m tests.benchmarks.line --only troubles --trouble-seconds 10      every recipe for a shorter time
    .venv/bin/python -m tests.benchmarks.line --write          put the tables into the docs

Needs `pip install -e '.[benchmarks]'`; libmodbus takes part where libmodbus.so.5 is present (Debian: libmodbus5). What
is not installed is left out. Two meters with three equally long blocks each are asked round and round, each master in a
process of its own beside the line's own. Every accepted block is held against what that meter held when it answered
this very request.
"""

import argparse
import os
import platform
import statistics
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tallywell import __version__
from tallywell.simulator.trouble import RECIPES
from tests.benchmarks.line_cell import Found, Task, in_own_process
from tests.benchmarks.line_masters import BARE, MASTERS, OURS, present

PAGE = Path(__file__).parents[2] / "docs" / "explanation" / "line-benchmark.md"
BAUDS = (9_600, 19_200, 115_200)
TARGETS = {9_600: 1.01, 19_200: 1.02, 115_200: 1.04}
TROUBLE_BAUD = COST_BAUD = 19_200
# Torn and frozen values stand in sound frames, which no master can tell; a meter asked without pause never sleeps.
LEFT_OUT = {"torn_words", "torn_parts", "frozen", "asleep"}
SPEED_S, TROUBLE_S, REPEATS = 6.0, 60.0, 5
QUIET_LOAD = 0.5
Cells = dict[str, Found]  # by master


def main(words: Sequence[str]) -> None:
    options = arguments().parse_args(words)
    masters = [name for name in options.masters if name == OURS or present(name)]
    loads = [os.getloadavg()[0]]
    made: dict[str, str] = {}
    if options.only != "troubles":
        made["speed"] = speed(masters, options.seconds, options.repeats, loads)
    if options.only != "speed":
        made["troubles"] = troubles(masters, options.recipes, options.trouble_seconds, loads)
    made["machine"] = machine(masters, loads, options)
    for table in made.values():
        print(f"\n{table}")
    if options.write:
        write(made)


def arguments() -> argparse.ArgumentParser:
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    names = [name for name in MASTERS if name != BARE]
    add = parser.add_argument
    add("--only", choices=("speed", "troubles"))
    add("--seconds", type=float, default=SPEED_S, help=f"of one run of speed ({SPEED_S:g})")
    add("--trouble-seconds", type=float, default=TROUBLE_S, help=f"of each recipe of trouble ({TROUBLE_S:g})")
    add("--repeats", type=int, default=REPEATS, help=f"of each run of speed, one master after another ({REPEATS})")
    add("--masters", nargs="+", choices=names, default=names, metavar="NAME", help=", ".join(names))
    add("--recipes", nargs="+", choices=RECIPES, default=[n for n in RECIPES if n not in LEFT_OUT], metavar="RECIPE")
    add("--write", action="store_true", help=f"replace the tables in {PAGE.name}")
    return parser


# --- how fast


def speed(masters: Sequence[str], seconds: float, repeats: int, loads: list[float]) -> str:
    """Medians over the repetitions; the masters take turns within each, so that what else runs meets all of them."""
    runs: dict[int, list[Cells]] = {baud: [] for baud in BAUDS}
    insisting: list[Cells] = []
    for number in range(repeats):
        for baud in BAUDS:
            runs[baud].append(turns([*masters, BARE] if baud == COST_BAUD else masters, baud, seconds, loads))
        if number == 0:
            insisting.append(turns(masters, COST_BAUD, seconds, loads, insists=True))
    return "\n".join(speed_rows(masters, runs, insisting[0]))


def turns(
    masters: Iterable[str], baud: int, seconds: float, loads: list[float], *, insists: bool = False
) -> dict[str, Found]:
    found = {}
    for master in masters:
        found[master] = one = in_own_process(Task(master, baud, seconds, insists=insists))
        loads.append(os.getloadavg()[0])
        if master != BARE:
            told = f"{one.hasty} of {one.requests} before the silence, {one.missed} of {one.polls} missed"
            note(f"{baud:7} baud  {master:15} {one.ratio:.3f}  {told}{', meters insist' if insists else ''}")
    return found


def speed_rows(masters: Sequence[str], runs: dict[int, list[Cells]], insisting: Cells) -> list[str]:
    rows = [heading("", masters)]
    for baud, repeated in runs.items():
        cells = [ratio([cells[master] for cells in repeated]) for master in masters]
        rows.append(row(f"cycle / wire limit at {baud:,} baud", cells))
    missed = [f"{insisting[m].missed} of {insisting[m].polls}" for m in masters]
    rows.append(row(f"polls missed at {COST_BAUD:,} where meters insist on the silence", missed))
    cost = runs[COST_BAUD]
    for what, of in (
        (f"CPU s for 1,000 polls at {COST_BAUD:,}", lambda found: found.cpu_s_per_1000),
        (f"resident MiB (bare Python {median(cost, BARE, lambda f: f.mib):.1f})", lambda found: found.mib),
        ("grown in 1,000 polls, MiB", lambda found: found.mib_per_1000),
    ):
        digits = 1 if "resident" in what else 2
        rows.append(row(what, [f"{median(cost, master, of):.{digits}f}" for master in masters]))
    return rows


def ratio(repeated: Sequence[Found]) -> str:
    """The median, and how many requests left before the silence had passed."""
    hasty, requests = sum(found.hasty for found in repeated), sum(found.requests for found in repeated)
    least = statistics.median(found.ratio for found in repeated)
    wrong = sum(found.accepted - found.right for found in repeated)
    return (
        f"{least:.3f}"
        + (f", breaks it: {hasty} of {requests}" if hasty else "")
        + (f", {wrong} wrong" if wrong else "")
    )


def median(repeated: Sequence[Cells], master: str, of: Callable[[Found], float]) -> float:
    return statistics.median(of(cells[master]) for cells in repeated)


# --- on a bad line


def troubles(masters: Sequence[str], recipes: Iterable[str], seconds: float, loads: list[float]) -> str:
    """Every recipe at its own rate; the masters side by side, each on a line of its own with the same chance."""
    rows = [heading("wrong / accepted (missed)", masters)]
    for recipe in recipes:
        tasks = [Task(master, TROUBLE_BAUD, seconds, recipe) for master in masters]
        with ThreadPoolExecutor(len(tasks)) as at_once:
            found = list(at_once.map(in_own_process, tasks))
        loads.append(os.getloadavg()[0])
        rows.append(row(f"`{recipe}`", [of_trouble(one) for one in found]))
        kinds = [f"{m} {one.wrong}" for m, one in zip(masters, found, strict=True) if one.wrong]
        note(f"{rows[-1]}  {'; '.join(kinds)}")
    return "\n".join(rows)


def of_trouble(found: Found) -> str:
    wrong = found.accepted - found.right
    return f"{f'**{wrong}**' if wrong else '0'} / {found.accepted} ({found.missed})"


# --- in the docs' form


def heading(first: str, masters: Sequence[str]) -> str:
    return f"{row(first, masters)}\n|{' --- |' * (len(masters) + 1)}"


def row(first: str, cells: Iterable[str]) -> str:
    return f"| {' | '.join([first, *cells])} |"


def machine(masters: Sequence[str], loads: Sequence[float], options: argparse.Namespace) -> str:
    libraries = {master.split()[0]: present(master) for master in masters if master != OURS}
    versions = ", ".join(f"{name} {version}" for name, version in libraries.items())
    cores = f"{os.cpu_count()} cores" if os.cpu_count() != 1 else "1 core"
    busy = " **Measured on a busy machine.**" if loads[0] > QUIET_LOAD else ""
    runs = f"{options.repeats} repetitions of {options.seconds:g} s; {options.trouble_seconds:g} s a trouble"
    return (
        f"{OURS} {__version__}; {versions or 'no library'}. Python {platform.python_version()}, "
        f"{platform.system()} {platform.release().split('-')[0]}, {platform.machine()}, {cores}; load average "
        f"{loads[0]:.1f} before, {max(loads):.1f} at most. {runs}.{busy}"
    )


def write(made: dict[str, str]) -> None:
    """Each table stands between `<!-- NAME -->` and `<!-- end -->`."""
    text = PAGE.read_text(encoding="utf-8")
    for name, table in made.items():
        before, begin, rest = text.partition(f"<!-- {name} -->\n")
        assert begin, f"{PAGE} has no place for {name}"
        _, end, behind = rest.partition("<!-- end -->")
        text = f"{before}{begin}\n{table}\n\n{end}{behind}"
    PAGE.write_text(text, encoding="utf-8")


def note(what: str) -> None:
    print(what, file=sys.stderr, flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])

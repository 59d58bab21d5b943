"""A month of three invented wells in less than a minute, from the wire to the report, beside the truth.

Real frames and silences on a pseudo-terminal, the daemon itself, a record on the disk; only the waits between two
polls are left out. Into the month fall a power cut of 37 hours, a totalizer that goes round, and a meter that is silent
across the month's end. Everything lies in a folder afterwards. Ends with 1 where the truth is outside the reported
bounds.
"""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.ledger.periods import Period

SUMMARY = "a month of invented wells in less than a minute, beside the truth"
BAR = 40


def arguments(parser: argparse.ArgumentParser) -> None:
    from pathlib import Path

    add = parser.add_argument
    add("--folder", type=Path, default=Path("tallywell-demo"), help="where the files go (default: ./tallywell-demo)")
    add("--anew", action="store_true", help="delete an earlier demo in that folder although entries were made in it")
    add("--month", type=_month, default="2026-03", help="which month (default 2026-03: the clocks change in it)")
    add("--days", metavar="N", type=int, help="only the month's first N days, 3 at least")
    add("--seed", default="1", help="another seed, other water (default 1)")


def run(options: argparse.Namespace) -> int:
    import shlex

    from tallywell.service.demo import play
    from tallywell.service.demo_truth import side_by_side

    period = _period(options)
    progress = _Progress()
    demo = play(options.folder, period, options.seed, progress.show, anew=options.anew)
    progress.end()
    print(demo.text)
    print("\n".join(["", "Reported and true, in counts of each meter's total:", "", *side_by_side(demo.sides)]))
    print("\n".join(["", "files:", *(f"  {path}" for path in demo.files)]))
    print(f"next: tallywell report {shlex.quote(str(demo.files[0]))} {_period_options(options)}")
    if all(side.inside for side in demo.sides):
        return 0
    print("tallywell demo: the truth lies outside the reported bounds; this is a fault of the program", file=sys.stderr)
    return 1


def _month(text: str) -> "Period":
    from tallywell.ledger.periods import month

    try:
        return month(text)
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(str(wrong)) from None


def _period(options: argparse.Namespace) -> "Period":
    from datetime import timedelta

    from tallywell.commandline.site import called_wrongly
    from tallywell.ledger.periods import between

    whole: Period = options.month
    if options.days is None:
        return whole
    longest = (whole.end - whole.first).days
    if not 3 <= options.days <= longest:
        raise called_wrongly(f"tallywell demo: --days must be 3 to {longest} (got {options.days})")
    return between(whole.first, whole.first + timedelta(days=options.days - 1))


def _period_options(options: argparse.Namespace) -> str:
    period = _period(options)
    return f"--month {period.name}" if options.days is None else f"--from {period.first} --to {period.name[-10:]}"


class _Progress:
    """A bar on a terminal; elsewhere a line for each tenth and for each thing that happens."""

    def __init__(self) -> None:
        self._bar = sys.stdout.isatty()
        self._tenths = self._percent = -1

    def show(self, done: int, whole: int, what: str) -> None:
        if what:
            self._line(what)
        percent = min(100, 100 * done // whole)
        if self._bar and (what or percent != self._percent):
            filled = BAR * percent // 100
            print(f"\r[{'#' * filled}{'.' * (BAR - filled)}] {done:,} of {whole:,} readings", end="", flush=True)
        elif not self._bar and percent // 10 != self._tenths:
            print(f"{done:,} of {whole:,} readings", flush=True)
        self._percent, self._tenths = percent, percent // 10

    def end(self) -> None:
        print(flush=True)

    def _line(self, what: str) -> None:
        wipe = "\r\033[K" if self._bar else ""  # to the line's beginning, and clear it (ECMA-48, EL)
        print(f"{wipe}{what}", flush=True)

"""What most commands begin with: the site file, its point, a local time."""

import argparse
import re
import sys
from pathlib import Path

from tallywell.commandline.calls import fitted, placed

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SITE_HELP = "the site file (YAML)"


def site_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", metavar="SITE", type=Path, help=SITE_HELP)


def map_argument(parser: argparse.ArgumentParser, name: str = "map") -> None:
    parser.add_argument(name, metavar=name.upper(), type=Path, help="the register map (YAML)")


def sound_site(path: Path) -> "tuple[Loaded, Site]":
    """The site file, read; where it is at fault, its faults are shown and the command ends with 1."""
    from tallywell.service.files import load_site

    loaded = load_site(path)
    if loaded.site is None:
        for problem in loaded.problems:
            print(placed(problem, sys.stderr), file=sys.stderr)
        if loaded.text:
            print(fitted(f"mend it; `tallywell check {path}` says when it is in order"), file=sys.stderr)
        raise SystemExit(1)
    return loaded, loaded.site


def point_named(site: "Site", name: str) -> "Point":
    """The point of that name; an unknown one ends the command with 2 and a suggestion."""
    if name in site.points:
        return site.points[name]
    from difflib import get_close_matches

    of_well = [one.name for one in site.points.values() if name in {share.well for share in one.wells}]
    if of_well:
        raise called_wrongly(f"{name!r} is a well; name the point that measures it: {' or '.join(of_well)}")
    near = get_close_matches(name, site.points, n=1)
    meant = f"did you mean {near[0]!r}?" if near else f"the site has {', '.join(site.points)}"
    raise called_wrongly(f"there is no point {name!r}; {meant}")


def called_wrongly(message: str) -> SystemExit:
    """Say what is wrong with the call; raise what this returns."""
    print(fitted(message), file=sys.stderr)
    return SystemExit(2)


def author_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", help="who states it (default: your user name)")


def statement_arguments(parser: argparse.ArgumentParser, what: str) -> None:
    """What every statement about a meter has: when, by whom, a remark, and what it corrects."""
    at_argument(parser, what)
    author_argument(parser)
    parser.add_argument("--note", default="", help="a remark")
    replacing_arguments(parser)


def replacing_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--replaces", metavar="UUID", help="the entry that this one corrects (its beginning will do)")
    parser.add_argument("--correcting", metavar="TEXT", help="with --replaces: what was wrong with it")


def author(options: argparse.Namespace) -> str:
    return str(options.by or user())


def user() -> str:
    """The user's name; the number where the machine has no name for it, as in a container or a bare unit."""
    import getpass
    import os

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # OSError since Python 3.13
        return f"user {os.getuid()}"


def at_argument(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument(
        "--at", metavar="TIME", help=f'when {what}, "14:05" or "2026-07-01 14:05", local (default: now)'
    )


def instant(site: "Site", text: str | None, flag: str = "--at") -> int | None:
    """UTC ms of a local time as typed; None where none was; a time that cannot be meant ends the command with 2."""
    if text is None:
        return None
    try:
        return moment_check(site)(text)
    except ValueError as wrong:
        raise called_wrongly(f"{flag}: {wrong}") from None


def moment_check(site: "Site", *, dates: bool = False) -> "Callable[[str], int]":
    """Reads a local time as typed, or says with ValueError what is wrong. `dates`: a date alone is its first moment."""
    from tallywell.service.local_time import from_ms, parse

    def check(text: str) -> int:
        whole = f"{text.strip()} 00:00" if dates and re.match(r"\s*\d{4}-\d\d-\d\d\s*\Z", text) else text
        return parse(whole, site.zone, from_ms(now_ms(), site.zone).date())

    return check


def day_of(text: str) -> "date":
    """A local date as typed; ValueError says what is wrong."""
    from datetime import date

    from tallywell.service.local_time import YEARS

    try:
        found = date.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r} is no date; write it as 2026-07-01") from None
    if found.year not in YEARS:
        raise ValueError(f"{text!r} is no date that can be meant; look at the year")
    return found


def now_ms() -> int:
    import time

    return time.time_ns() // 1_000_000

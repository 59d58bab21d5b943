"""Show what passes over the lines: who is asked what, when the answer comes, what is refused and why. Ctrl-C ends it.

Where the daemon runs, this only looks on while it polls; otherwise this command polls by the site file itself, and
stores nothing. At the end there is a row for each meter: how many answers were good, how slow the slowest was, what was
missed, and, where the site file says with `pump_running` or `running_above` how to know, how often that was while the
pump ran and while it stood: a drive's noise shows only while it runs.

`--keep` writes all of it to a file of plain text, which `--replay` takes through the same rules again, on any machine.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.files import Loaded
    from tallywell.service.frames import Rows, Told
    from tallywell.service.site import AnyLine, Site
    from tallywell.service.world import World

SUMMARY = "show what is asked, heard and refused on the lines"


def arguments(parser: argparse.ArgumentParser) -> None:
    from pathlib import Path

    from tallywell.commandline.site import site_argument

    site_argument(parser)
    parser.add_argument("--line", metavar="NAME", help="this line only")
    parser.add_argument("--refused", action="store_true", help="show only what was missed or refused")
    parser.add_argument("--seconds", metavar="N", type=_seconds, help="end after so long (default: until Ctrl-C)")
    parser.add_argument("--keep", metavar="FILE", type=Path, help="write what passes to this new file, too")
    parser.add_argument("--replay", metavar="FILE", type=Path, help="show a kept file instead")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.site import called_wrongly, sound_site

    loaded, site = sound_site(options.site)
    lines = _lines(site, options.line)
    if options.replay is None:
        return _watched(options, loaded, site, lines)
    if options.keep is not None or options.seconds is not None:
        raise called_wrongly("a kept file is shown as it is: --keep and --seconds do not go with --replay")
    return _replayed(options, site)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0 < seconds < 1e9:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds above 0")
    return seconds


def _lines(site: "Site", name: str | None) -> "list[AnyLine]":
    from tallywell.commandline.site import called_wrongly

    if name is None:
        return list(site.lines.values())
    if name not in site.lines:
        raise called_wrongly(f"there is no line {name!r}; the site has {', '.join(site.lines)}")
    return [site.lines[name]]


def _watched(options: argparse.Namespace, loaded: "Loaded", site: "Site", lines: "list[AnyLine]") -> int:
    from tallywell.line.kept import Trace
    from tallywell.schedule.system_clock import SystemClock, boot_id
    from tallywell.service.frames import Told, bounded, head_now, kept_in, until
    from tallywell.service.world import World

    world = World(SystemClock(), boot_id(), print)
    with kept_in(options.keep) as keep:
        rows = _of(_rows(loaded, site, lines, world), {line.name for line in lines})
        head = head_now(site, lines, world)
        trace = Trace(bounded(rows, head, keep, until(options.seconds)), "what passes")
        _print(Told(trace, site, only_refused=options.refused))
    return 0


def _rows(loaded: "Loaded", site: "Site", lines: "list[AnyLine]", world: "World") -> "Rows":
    from tallywell.service.entering import daemon_runs
    from tallywell.service.frames import daemons_rows, own_rows

    if daemon_runs(loaded.record):
        print("the daemon polls; this only looks on. Ctrl-C ends it.", flush=True)
        return daemons_rows(loaded.record, print)
    print("no daemon runs: polling by the site file, nothing is stored. Ctrl-C ends it.", flush=True)
    return own_rows(site, lines, world, owed=loaded.record.exists())


def _of(rows: "Rows", names: set[str]) -> "Rows":
    for row in rows:
        words = row.split(maxsplit=2)
        if len(words) < 2 or words[1] in names:
            yield row


def _replayed(options: argparse.Namespace, site: "Site") -> int:
    from tallywell.service.frames import Told, kept_file

    with kept_file(options.replay) as trace:
        told = Told(trace, site, options.line, only_refused=options.refused)
        _print(told)
        if trace.cut_off:
            print("the file breaks off within its last row, which is left out")
    otherwise = sum(len(replay.otherwise) for replay in told.replays.values())
    if otherwise:
        print(f"{otherwise} of these exchanges ended otherwise when they were kept")
    hasty = sum(replay.hasty for replay in told.replays.values())
    if hasty:
        print(f"{hasty} of these requests were sent sooner than they would be today")
    return 1 if otherwise else 0


def _print(told: "Told") -> None:
    from tallywell.service.telling import summary

    try:
        for said in told.lines():
            if said:
                print("\n".join(said), flush=True)
    except KeyboardInterrupt:
        print()
    print()
    print("\n".join(summary(list(told.tellings.values()))))

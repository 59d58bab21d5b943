"""Poll one point, or all, now; show everything decoded with the raw words beside it. Compare it with the display.

All that the map reads is polled, also what is otherwise read once or daily; settings that do not read as the map is
written for are named.

Where the daemon runs it does the polling, since one process owns the port; otherwise this command does. Either way
the reading is kept. On a line that is only listened to it waits until the other master asks, a minute at most. Exit 1
when a point could not be read.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.readings.facts import Poll
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SUMMARY = "poll now and show everything decoded, raw words beside it"

PATIENCE_S = 15.0
AFTER_S = 3.0  # until the daemon sees the ask, and stores what came of it


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", nargs="?", help="the point to read (default: all)")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.site import point_named, sound_site
    from tallywell.service.entering import daemon_runs

    loaded, site = sound_site(options.site)
    points = (point_named(site, options.point),) if options.point else tuple(site.points.values())
    if daemon_runs(loaded.record):
        good = [_asked(loaded, site, point) for point in points]
    else:
        good = [_shown(loaded, site, point, seq) for point, seq in _polled(loaded, site, points)]
    return 0 if all(good) else 1


def _asked(loaded: "Loaded", site: "Site", point: "Point") -> bool:
    """Print the reading that the daemon made for us, or why it made none; whether it is a good one."""
    from tallywell.commandline.site import user
    from tallywell.service.entering import Fate, ask

    listened = site.lines[point.line].listen_only
    patience_s = PATIENCE_S
    if listened:
        from tallywell.service.sampling import patience_ns

        patience_s = patience_ns(point) / 1e9 + AFTER_S
        print(f"{point.name}: waiting for up to {patience_s:.0f} s for the other master to ask", flush=True)
    outlook = ask(loaded.record, point.name, user(), patience_s)
    if outlook.seq is not None:
        return _shown(loaded, site, point, outlook.seq)
    if outlook.fate is Fate.QUEUED:
        done = "heard it asked for" if listened else "polled it"
        print(f"{point.name}: the daemon has not {done} within {patience_s:.0f} s; `tallywell status` says more")
    else:
        why = f" ({outlook.why})" if outlook.why else ""
        print(f"{point.name}: the daemon does not poll it{why}; it runs by an older site file: start it again")
    return False


def _polled(loaded: "Loaded", site: "Site", points: "tuple[Point, ...]") -> "list[tuple[Point, int]]":
    from tallywell.schedule.system_clock import SystemClock, boot_id
    from tallywell.service.once import poll_once
    from tallywell.service.world import World

    rows: tuple[Poll, ...] = poll_once(loaded, site, points, World(SystemClock(), boot_id(), print))
    return [(point, row.seq) for point, row in zip(points, rows, strict=True)]


def _shown(loaded: "Loaded", site: "Site", point: "Point", seq: int) -> bool:
    """Print one reading; whether it is a good one."""
    from tallywell.service.looking import beside, dated, decoded_poll
    from tallywell.service.reading_table import Noted, lines
    from tallywell.service.settings_noted import noted_settings
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    with Reader(RecordFolder(loaded.record)) as reader:
        found = dated(reader, seq, point)
        assert found is not None, "the poll was acknowledged"
        poll, _ = found
        settings = noted_settings(reader, point)
        noted = None if settings is None else Noted(*settings)
        others = beside(reader, poll)
        print("\n".join(lines(point, site, poll, decoded_poll(reader, poll), beside=others, noted=noted)))
    return poll.fault is None

"""Poll every meter of the site and keep every reading, until it is told to stop (Ctrl-C or SIGTERM).

The log line `stored N` means that reading N is on the disk and survives a power cut. The program only reads from
meters. One process at a time keeps a record; a second one says so and ends.
"""

import argparse

SUMMARY = "poll the meters and keep every reading, until stopped"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)


def run(options: argparse.Namespace) -> int:
    import signal
    import threading

    from tallywell.commandline.site import sound_site
    from tallywell.schedule.system_clock import SystemClock, boot_id
    from tallywell.service.daemon import Daemon
    from tallywell.service.world import World

    loaded, site = sound_site(options.site)
    daemon = Daemon(loaded, site, World(SystemClock(), boot_id(), log))

    def leave(_signal: int, _frame: object) -> None:
        # Not called here itself: an Event must not be set by the thread that may be waiting for it.
        threading.Thread(target=daemon.stop).start()

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # the terminal was closed; `nohup` ignores that
        signal.signal(signal.SIGHUP, leave)
    daemon.run()
    return 0


def log(text: str) -> None:
    """A log that cannot be written (its disk is full) must not end the reading of meters."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        raise
    except OSError:
        return

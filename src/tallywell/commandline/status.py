"""Say of each point, in one sentence, whether it is counting, what flows, and how old the last reading is; and of each
line that is asked for more than it has time for, or on which bytes come that nobody asked for, since when.

Exit 1 when something needs a look: no daemon, a silent meter, flow that is not counted, registers that are refused, an
overfull line, another master or noise.
"""

import argparse

SUMMARY = "one sentence per point: is it still counting?"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.site import sound_site
    from tallywell.schedule.system_clock import SystemClock, boot_id
    from tallywell.service.entering import daemon_runs
    from tallywell.service.in_force import in_force_now
    from tallywell.service.looking import states
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    loaded, site = sound_site(options.site)
    running = daemon_runs(loaded.record)
    if not running:
        print("The daemon is not running: nothing is being read now.")
    clock = SystemClock()
    now = (boot_id(), clock.boot_ns() // 1_000_000, clock.utc_ns() // 1_000_000)
    with Reader(RecordFolder(loaded.record)) as reader:
        states_found = states(reader, site, now)
        lines = in_force_now(reader, site).lines if running else ()
    for state in states_found:
        print(state.sentence)
    for sentence in lines:
        print(sentence)
    return 0 if running and not lines and all(state.well for state in states_found) else 1

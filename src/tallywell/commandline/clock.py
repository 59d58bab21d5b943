"""State what time it is, where the machine cannot know: a box without network or battery clock.

The statement dates the readings since the last start of the machine that no synchronised clock has dated. The latest
statement holds for all of them: a wrong one is put right by stating the time again.
"""

import argparse

SUMMARY = "what time it is, where the machine's clock is not to be believed"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, site_argument

    site_argument(parser)
    parser.add_argument("--it-is", metavar="TIME", required=True, help='"14:05" or "2026-07-01 14:05", local')
    parser.add_argument("--within", metavar="SPAN", default="2 min", help='how far off that may be (default: "2 min")')
    author_argument(parser)


def run(options: argparse.Namespace) -> int:
    import re

    from tallywell.commandline.entry import entered
    from tallywell.commandline.site import author, called_wrongly, instant, now_ms, sound_site
    from tallywell.readings.units import measure
    from tallywell.schedule.system_clock import SystemClock, boot_id
    from tallywell.service.entering import Statement
    from tallywell.service.local_time import shown
    from tallywell.stated.clock import clock_content
    from tallywell.stated.content import EntryError

    loaded, site = sound_site(options.site)
    it_is = instant(site, options.it_is, "--it-is") or now_ms()
    try:
        within = measure(re.sub(r"(?<=\d)(?=[a-z])", " ", options.within), "duration").si
        boot_ms = SystemClock().boot_ns() // 1_000_000
        content = clock_content(it_is, int(within * 1000), boot_id(), boot_ms)
    except (EntryError, ValueError) as wrong:
        raise called_wrongly(f"--within: {wrong}") from None
    print(f"it is {shown(it_is, site.zone)}; this machine's clock shows {shown(now_ms(), site.zone)}")
    if not re.match(r"\s*\d{4}-", options.it_is):
        print("the date is this machine's own, which stood still without power; where it is wrong, state date and time")
    return entered(loaded, site, Statement("clock", None, it_is, author(options), dict(content)))

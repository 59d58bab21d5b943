"""State what time it is, where the machine cannot know: a box without network or battery clock.

The statement dates the readings since the last start of the machine that no synchronised clock has dated, and says how
many rows of the record these are. The latest statement holds for all of them: a wrong one is put right by stating the
time again. A time that is far from this machine's clock, or before what is dated already, is warned of.
"""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tallywell.service.site import Site

DAY_MS = 86_400_000
SUMMARY = "what time it is, where the machine's clock is not to be believed"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, site_argument

    site_argument(parser)
    parser.add_argument("--it-is", metavar="TIME", required=True, help='"14:05" or "2026-07-01 14:05", local')
    parser.add_argument("--within", metavar="SPAN", default="2 min", help='how far off that may be (default: "2 min")')
    author_argument(parser)


def run(options: argparse.Namespace) -> int:
    import re

    from tallywell.commandline.calls import fitted
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
    for odd in _odd(loaded.record, site, it_is, boot_ms):
        print(fitted(f"warning: {odd}"), file=sys.stderr)
    print(fitted(_dates(loaded.record)))
    return entered(loaded, site, Statement("clock", None, it_is, author(options), dict(content)))


def _odd(record: "Path", site: "Site", it_is_ms: int, boot_ms: int) -> "Iterator[str]":
    """What speaks against that time: this machine's clock, and what the record has dated of earlier starts."""
    from tallywell.commandline.site import now_ms
    from tallywell.schedule.system_clock import boot_id
    from tallywell.service.local_time import shown
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    days = abs(it_is_ms - now_ms()) // DAY_MS
    if days:
        yield f"that is {days:,} {'day' if days == 1 else 'days'} from what this machine's clock shows"
    if not record.exists():
        return
    with Reader(RecordFolder(record)) as reader:
        rows = reader.rows_of(boot_id())
        before = reader.last_dated(None if rows is None else rows[0])
    started_ms = it_is_ms - boot_ms
    if before is not None and before[1].utc_ms is not None and before[1].utc_ms > started_ms:
        last, started = (shown(one, site.zone) for one in (before[1].utc_ms, started_ms))
        yield (
            f"the machine would have been started at {started}, but readings before that start are dated up to {last}; "
            "one of the two is wrong (`tallywell redate` puts dates right)"
        )


def _dates(record: "Path") -> str:
    """How many rows get their dates from it."""
    from tallywell.schedule.system_clock import boot_id
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    rows = None
    if record.exists():
        with Reader(RecordFolder(record)) as reader:
            rows = reader.rows_of(boot_id())
    if rows is None:
        return "it dates no row yet, as the record holds none since this start of the machine; it dates those to come"
    first, last, anchored = rows
    if anchored:
        return "it dates no row: a synchronised clock has dated those since this start of the machine"
    return f"it dates {last - first + 1:,} rows, {first:,} to {last:,}, and those to come until the next start"

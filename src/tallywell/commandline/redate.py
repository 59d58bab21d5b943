"""Put dates right that the record has wrong: a clock that was set wrongly and believed.

`clock` dates only rows that have no date; this disputes rows that have one. Give the stretch by the dates that it has
now, and by how much they are wrong. The rows stay as they came; reports use the new dates from then on, and say how
uncertain they are. A later one over the same rows holds instead; --replaces takes this one back.
"""

import argparse

SUMMARY = "put dates right that a wrong clock gave"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="redate")
    parser.add_argument("--from", dest="first", metavar="TIME", help="the first wrong date, as the record has it now")
    parser.add_argument("--to", dest="last", metavar="TIME", help="the last one")
    parser.add_argument(
        "--start", metavar="N", type=int, help="the start of the machine that is meant, where several are"
    )
    parser.add_argument("--shift", metavar="SPAN", help='how much later it was in truth: "+1 h"; "-30 min" for earlier')
    parser.add_argument("--within", metavar="SPAN", default="2 min", help='how far off that may be (default: "2 min")')
    parser.add_argument("--because", metavar="TEXT", help="how the dates came to be wrong")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, entered, stated_about
    from tallywell.commandline.site import called_wrongly, instant, sound_site
    from tallywell.service.local_time import shown
    from tallywell.stated.clock import redate_content
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import WIDER_MS, Reader

    loaded, site = sound_site(options.site)
    if not loaded.record.exists():
        raise called_wrongly("the record holds nothing yet")
    asking = Asking()
    first = instant(site, asking.need(options.first, "--from", "the first wrong date, as the record has it")) or 0
    last = instant(site, asking.need(options.last, "--to", "the last wrong date")) or 0
    shift = asking.need(options.shift, "--shift", 'how much later it was in truth, such as "+1 h"', _span_ms)
    because = asking.need(options.because, "--because", "how the dates came to be wrong")
    with Reader(RecordFolder(loaded.record)) as reader:
        begin, end = _of_one_start(list(reader.boots_in(*reader.seq_range(first + WIDER_MS, last - WIDER_MS))), options)
    shift_ms = _span_ms(shift)
    try:
        within_ms = _span_ms(options.within)
    except ValueError as wrong:
        raise called_wrongly(f"--within: {wrong}") from None
    content = content_of(lambda: redate_content((begin, end), shift_ms, within_ms, because))
    print(f"rows {begin} to {end}: {shown(first, site.zone)} becomes {shown(first + shift_ms, site.zone)}")
    return entered(loaded, site, stated_about(options, loaded, None, first, content))


def _of_one_start(boots: "list[tuple[int, int, int]]", options: argparse.Namespace) -> tuple[int, int]:
    """Dates of two starts of the machine may overlap where one of them is wrong: the rows of one are meant."""
    from tallywell.commandline.site import called_wrongly

    if options.start is not None:
        boots = [one for one in boots if one[0] == options.start]
    if not boots:
        raise called_wrongly("no row of the record lies in that stretch")
    if len(boots) > 1:
        listed = ", ".join(f"{boot} (rows {first} to {last})" for boot, first, last in boots)
        raise called_wrongly(f"these dates hold rows of several starts of the machine: {listed}; name one by --start")
    return boots[0][1:]


def _span_ms(text: str) -> int:
    """Milliseconds of "+1 h", "-30min"; ValueError says what is wrong."""
    import re

    from tallywell.readings.units import measure

    spaced = re.sub(r"(?<=\d)(?=[a-z])", " ", text.strip())
    return int(measure(spaced, "duration").si * 1000)

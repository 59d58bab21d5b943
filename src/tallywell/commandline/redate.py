"""Put dates right that the record has wrong: a clock that was set wrongly and believed.

`clock` dates only rows that have no date; this disputes rows that have one. Give the stretch by the dates that it has
now, and by how much the dates are wrong that the clock gave. Without --enter nothing is changed: it is shown which rows
move where, and which months have another volume then. The rows stay as they came; reports use the new dates from then
on, and say how uncertain they are. A later one over the same rows holds instead; --replaces corrects this one.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from pathlib import Path

    from tallywell.service.files import Loaded
    from tallywell.service.redating import Changed
    from tallywell.service.site import Site
    from tallywell.stated.content import Content

LONGEST_MS = 100 * 366 * 86_400_000
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
    parser.add_argument("--enter", action="store_true", help="put it on record (default: only show what it would do)")
    parser.add_argument("--because", metavar="TEXT", help="how the dates came to be wrong")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, corrected, entered, stated_about
    from tallywell.commandline.site import called_wrongly, instant, sound_site
    from tallywell.stated.clock import redate_content

    loaded, site = sound_site(options.site)
    if not loaded.record.exists():
        raise called_wrongly("the record holds nothing yet")
    asking = Asking()
    first = asking.need(options.first, "--from", "the first wrong date, as the record has it")
    last = asking.need(options.last, "--to", "the last wrong date")
    span = instant(site, first, "--from") or 0, instant(site, last, "--to") or 0
    shift = _span_ms(asking.need(options.shift, "--shift", 'how much later it was in truth, such as "+1 h"', _span_ms))
    rows = _rows(loaded.record, span, options)
    try:
        within_ms = _span_ms(options.within)
    except ValueError as wrong:
        raise called_wrongly(f"--within: {wrong}") from None
    content = content_of(lambda: redate_content(rows, shift, within_ms, options.because or "looked at"))
    replaces, _ = corrected(options, loaded)
    _show(loaded, content, replaces)
    if not options.enter:
        print("nothing is changed; with --enter and --because it is put on record")
        return 0
    because = asking.need(options.because, "--because", "how the dates came to be wrong")
    content = content_of(lambda: redate_content(rows, shift, within_ms, because))
    return entered(loaded, site, stated_about(options, loaded, None, span[0], content))


def _rows(record: "Path", span: tuple[int, int], options: argparse.Namespace) -> tuple[int, int]:
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import WIDER_MS, Reader

    with Reader(RecordFolder(record)) as reader:
        narrow = reader.seq_range(span[0] + WIDER_MS, span[1] - WIDER_MS)
        return _of_one_start(list(reader.boots_in(*narrow)), options)


def _show(loaded: "Loaded", content: "Content", replaces: str | None) -> None:
    """Which rows move where, and what that does to the volumes of months."""
    from tallywell.reports.table import Column, table
    from tallywell.service.local_time import shown
    from tallywell.service.redating import redating
    from tallywell.store.database import RecordFolder

    site = loaded.site
    assert site is not None
    found = redating(RecordFolder(loaded.record), site, content, replaces)
    for seq, now, then in found.ends:
        print(f"row {seq:,}: {shown(now, site.zone)} becomes {shown(then, site.zone)}")
    cells = [_cells(one, site) for one in found.months]
    columns = [Column("point"), Column("month"), *(Column(name, right=True) for name in ("now", "then", "change"))]
    print("\n".join(table([*columns, Column("")], cells, indent=2)) or "  no month has another volume then")


def _cells(one: "Changed", site: "Site") -> list[str]:
    from tallywell.reports.shown_units import volume_unit
    from tallywell.service.following import books_of, face_of

    point = site.points[one.point]
    unit = volume_unit(face_of(point)[0].one_count.unit, [books_of(point).scale.one_count_m3])
    now, then = ("nothing" if m3 is None else unit.number(m3) for m3 in (one.now_m3, one.then_m3))
    change = "" if one.now_m3 is None or one.then_m3 is None else unit.number(one.then_m3 - one.now_m3)
    return [one.point, one.month, now, then, change, unit.words]


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
    found = int(measure(spaced, "duration").si * 1000)
    if abs(found) > LONGEST_MS:
        raise ValueError(f"{text!r} is more than 100 years; look at the unit")
    return found

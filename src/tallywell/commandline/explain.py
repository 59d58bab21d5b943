"""Follow a number of the report back: from the volume of a day, a month or a moment to its intervals, to the readings,
to the raw words and the map. With pencil and paper the numbers can be checked on the way.

A day and a month show how the edges were cut and every run of readings; --at shows one interval with both its readings
as they came over the line.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Iterable

    from tallywell.ledger.intervals import Interval
    from tallywell.service.following import Followed
    from tallywell.service.site import Point, Site
    from tallywell.store.query import Reader

SUMMARY = "from a volume back to its intervals, readings, raw words and map"
WIDTH = 100


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", help="the point")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--day", metavar="DATE", help="a local day, such as 2026-07-14")
    what.add_argument("--month", metavar="YYYY-MM", help="a calendar month, such as 2026-07")
    what.add_argument("--at", metavar="TIME", help='the interval around a moment, "2026-07-14 10:05"')


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.site import called_wrongly, instant, point_named, sound_site
    from tallywell.service.accepted import accepted_site
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    loaded, _ = sound_site(options.site)
    if not loaded.record.exists():
        raise called_wrongly("the record holds nothing yet")
    with Reader(RecordFolder(loaded.record)) as reader:
        site = accepted_site(reader).site
        point = point_named(site, options.point)
        if point.map.books is None:
            raise called_wrongly(f"{point.name}: its map has no total, so there is no volume to explain")
        if options.at is not None:
            return _moment(reader, site, point, instant(site, options.at) or 0)
        return _stretch(reader, site, point, options)


def _stretch(reader: "Reader", site: "Site", point: "Point", options: argparse.Namespace) -> int:
    from tallywell.commandline.site import called_wrongly, day_of
    from tallywell.ledger.periods import between, edges_ms, month
    from tallywell.reports.dates import with_offset
    from tallywell.reports.shown_units import volume_unit
    from tallywell.service.explaining import explained, sentences
    from tallywell.service.following import books_of, face_of

    try:
        period = month(options.month) if options.month else between(day_of(options.day), day_of(options.day))
    except ValueError as wrong:
        raise called_wrongly(str(wrong)) from None
    edges = edges_ms(period, site.zone)
    span = edges[0], edges[-1]
    found = explained(reader, point, *span)
    counts = [piece.first.scale.one_count_m3 for piece in found.pieces] or [books_of(point).scale.one_count_m3]
    unit = volume_unit(face_of(point)[0].one_count.unit, counts)
    begin, end = (with_offset(edge, site.zone) for edge in span)
    print(f"{point.name}, {options.day or period.name}: {begin} to before {end}")
    _say(sentences(found, unit, site.zone))
    maps = ", ".join(f"{name} {sha256[:12]}" for sha256, name in found.followed.decoder.maps_used().items())
    print(f"register maps: {maps or 'none used'}")
    return 0


def _say(sentences: "Iterable[str]") -> None:
    from tallywell.reports.table import wrapped

    for sentence in sentences:
        indent = len(sentence) - len(sentence.lstrip())
        first, *rest = wrapped(sentence.lstrip(), WIDTH - indent - 2)
        print(" " * indent + first)
        for line in rest:
            print(" " * (indent + 2) + line)


def _moment(reader: "Reader", site: "Site", point: "Point", utc_ms: int) -> int:
    from tallywell.reports.dates import with_offset
    from tallywell.service.explaining import around, judged

    found, one = around(reader, point, utc_ms)
    if one is None:
        print(f"{point.name}: no two good readings lie around {with_offset(utc_ms, site.zone)}")
        return 1
    span = f"{with_offset(one.begin_ms, site.zone)} to {with_offset(one.end_ms, site.zone)}"
    print(f"{point.name}: {span}: {one.kind.value}")
    rounds = f" + {one.rollovers} x {one.scale.capacity:,}" if one.rollovers else ""
    print(f"{one.closing:,} - {one.opening:,}{rounds} = {one.posted:,} counts, between {one.low:,} and {one.high:,}")
    _say(f"  {sentence}" for sentence in judged(one))
    _readings(reader, site, point, one, found)
    return 0


def _readings(reader: "Reader", site: "Site", point: "Point", one: "Interval", found: "Followed") -> None:
    """Both readings as they came: words, where they were read, by which map, how they are dated."""
    from tallywell.registers.decode import decode
    from tallywell.reports.dates import duration, with_offset
    from tallywell.service.looking import dated
    from tallywell.service.reading_table import lines

    for reading in (one.first, one.last):
        print()
        if not reading.seq:
            at = with_offset(reading.when.utc_ms or 0, site.zone)
            print(f"{reading.total.count:,} counts, as a person stated for {at}")
            continue
        row = dated(reader, reading.seq, point)
        assert row is not None, "the ledger has read it"
        poll, when = row
        plan = found.decoder.plan(poll)
        assert plan.whole is not None, "the ledger has read it"
        shown = with_offset(when.utc_ms or 0, site.zone)
        clock = f"boot {when.boot}, {when.boot_ms:,} ms after its start"
        print(f"reading {poll.seq}: {shown}, right within {duration(when.within_ms)}; {clock}")
        print(f"map {plan.whole.name} revision {plan.whole.revision}, sha256 {plan.map_sha256[:12]}")
        print("\n".join(lines(point, site, poll, decode(plan.whole, plan.reads, poll.got, poll.raw or b""))))

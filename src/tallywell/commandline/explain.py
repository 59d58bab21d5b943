"""Follow a number of the report back: from the volume of a day, a month or a moment to its intervals, to the readings,
to the raw words and the map. With pencil and paper the numbers can be checked on the way.

A day and a month show how the edges were cut, where their bounds come from, every run of readings, and each entry that
bears on them; --at shows one interval with both its readings as they came over the line.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Iterable

    from tallywell.ledger.intervals import Interval
    from tallywell.readings.clocks import When
    from tallywell.readings.facts import Poll
    from tallywell.readings.quantities import Reading
    from tallywell.registers.quantity import RegisterMap
    from tallywell.reports.shown_units import RateUnit
    from tallywell.service.following import Followed
    from tallywell.service.site import Point, Site
    from tallywell.store.query import Reader

SUMMARY = "from a volume back to its intervals, readings, raw words and map"
_MAKES = ("one_count", "unit", "capacity", "factor", "offset", "low_part")
OTHER_MS = 5_000  # a clock that is put right bit by bit is no news


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
    from tallywell.service.explained_words import sentences
    from tallywell.service.explaining import explained
    from tallywell.service.following import books_of, face_of

    try:
        period = month(options.month) if options.month else between(day_of(options.day), day_of(options.day))
    except ValueError as wrong:
        raise called_wrongly(f"{'--month' if options.month else '--day'}: {wrong}") from None
    edges = edges_ms(period, site.zone)
    found = explained(reader, point, edges[0], edges[-1])
    counts = [piece.first.scale.one_count_m3 for piece in found.pieces] or [books_of(point).scale.one_count_m3]
    unit = volume_unit(face_of(point)[0].one_count.unit, counts)
    begin, end = (with_offset(edge, site.zone) for edge in (edges[0], edges[-1]))
    print(f"{point.name}, {options.day or period.name}: {begin} to before {end}")
    _say(sentences(found, unit, _rate(point), site.zone))
    maps = ", ".join(f"{name} {sha256[:12]}" for sha256, name in found.followed.decoder.maps_used().items())
    _say([f"register maps: {maps or 'none used'}"])
    return 0


def _rate(point: "Point") -> "RateUnit":
    from tallywell.registers.quantity import Kind
    from tallywell.reports.shown_units import rate_unit
    from tallywell.service.following import face_of

    flow = next((one.unit for one in point.map.quantities.values() if one.kind is Kind.FLOW), None)
    return rate_unit(face_of(point)[0].one_count.unit, flow)


def _say(sentences: "Iterable[str]") -> None:
    from tallywell.commandline.calls import fitted

    for sentence in sentences:
        print(fitted(sentence))


def _moment(reader: "Reader", site: "Site", point: "Point", utc_ms: int) -> int:
    from tallywell.ledger.intervals import NOTES
    from tallywell.reports.dates import with_offset
    from tallywell.reports.shown_units import volume_unit
    from tallywell.service.bearing import bearing
    from tallywell.service.explained_words import beside_it, judged, note, outside
    from tallywell.service.explaining import around, piece_of
    from tallywell.service.following import face_of

    moment = around(reader, point, utc_ms)
    one, found = moment.interval, moment.explained
    if one is None:
        print(f"{point.name}: no two good readings lie around {with_offset(utc_ms, site.zone)}")
        _say(outside(utc_ms, utc_ms, found.known_ms, site.zone))
        return 1
    _say(_interval(one, point, site))
    _say(f"  {sentence}" for sentence in judged(one, _rate(point)))
    _say(beside_it(piece_of(one, one.begin_ms, one.end_ms), site.zone))
    for aside in (piece for piece in found.pieces if piece.first.kind in NOTES):
        _say(f"  {sentence}" for sentence in note(aside, site.zone))
    _say(bearing(found.entries, found.stretch, volume_unit(face_of(point)[0].one_count.unit, []), site.zone))
    for reading in (one.first, one.last):
        print()
        _reading(reader, site, point, reading, found.followed)
    return 0


def _interval(one: "Interval", point: "Point", site: "Site") -> "Iterable[str]":
    from tallywell.ledger.intervals import POSTS
    from tallywell.reports.dates import with_offset

    rounds = f" + {one.rollovers} x {one.scale.capacity:,}" if one.rollovers else ""
    bounds = "" if one.low == one.high == one.posted else f", between {one.low:,} and {one.high:,}"
    span = f"{with_offset(one.begin_ms, site.zone)} to {with_offset(one.end_ms, site.zone)}"
    yield f"{point.name}: {span}: {one.kind.value}"
    counted = f"{one.closing:,} - {one.opening:,}{rounds} = {one.posted:,} counts"
    unposted = f"from {one.first.total.count:,} to {one.last.total.count:,} counts, none posted"
    yield f"{counted if one.kind in POSTS else unposted}{bounds}"


def _reading(reader: "Reader", site: "Site", point: "Point", reading: "Reading", found: "Followed") -> None:
    """One as it came: words, where they were read, by which map, how it is dated."""
    from dataclasses import replace

    from tallywell.registers.decode import decode
    from tallywell.reports.dates import with_offset
    from tallywell.service.looking import dated
    from tallywell.service.reading_table import meaning_lines

    at = with_offset(reading.when.utc_ms or 0, site.zone)
    if not reading.seq:
        _say([f"{reading.total.count:,} counts, as a person stated for {at}"])
        return
    row = dated(reader, reading.seq, point)
    assert row is not None, "the ledger has read it"
    poll, when = row
    plan = found.decoder.plan(poll)
    assert plan.whole is not None, "the ledger has read it"
    clock = f"boot {when.boot}, {when.boot_ms:,} ms after its start"
    _say([f"reading {poll.seq}: {at}, right within {_within(when.within_ms)}; {clock}{_shown(poll, when, site)}"])
    _say([f"map {plan.whole.name} revision {plan.whole.revision}, sha256 {plan.map_sha256[:12]}"])
    decoded = decode(plan.whole, plan.reads, poll.got, poll.raw or b"")
    print("\n".join(meaning_lines(replace(point, map=plan.whole), poll, decoded)))
    _say([f"  the books count {_counted(reading)}: {_meant(plan.whole)}"])


def _counted(of: "Reading") -> str:
    total = of.total
    between = "" if total.low == total.high else f", by its words between {total.low:,} and {total.high:,}"
    return f"{total.count:,}{between}"


def _meant(of: "RegisterMap") -> str:
    """How the words of the books' total make it."""
    from tallywell.registers.described import order_text, quantity_described, type_text

    assert of.books is not None, "the ledger has read it"
    said = quantity_described(of.books)
    parts = [type_text(of.books), order_text(of.books)] + [f"{key} {said[key]}" for key in _MAKES if key in said]
    return f"{of.books.name}, " + ", ".join(filter(None, parts))


def _within(ms: int) -> str:
    """Never less than it is."""
    from tallywell.reports.dates import MINUTE_MS, duration

    return f"{ms:,} ms" if ms < MINUTE_MS else duration(ms + MINUTE_MS - 1)


def _shown(poll: "Poll", when: "When", site: "Site") -> str:
    """What the machine's own clock showed, where that was another time."""
    from tallywell.reports.dates import with_offset

    if when.utc_ms is None or abs(poll.shown_ms - when.utc_ms) < OTHER_MS:
        return ""
    return f"; the machine's clock then had it {with_offset(poll.shown_ms, site.zone)}"

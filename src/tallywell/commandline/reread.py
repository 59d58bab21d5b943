"""Read history again under a corrected map: the raw words are kept, so a wrong map can be mended.

Shown first, and nothing changed: how many polls it concerns, which of them the corrected map cannot read, and every
month's volume before and after. With --enter it is put on record, with the reason; both maps stay there. Polls that
come later are read by the map in the site file: correct that one as well.

A map by which more than one in twenty of the polls that are readable now could not be read, or would follow from none
of their neighbours, does not fit: no volumes are shown, and it is entered with --although-unfit alone.

A reread that turns out wrong is replaced (--replaces), also by one with the map that was in force before.
"""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Callable
    from fractions import Fraction

    from tallywell.service.rereading import Effect
    from tallywell.service.site import Point, Site
    from tallywell.stated.rereads import Reread

SUMMARY = "read history again under a corrected map, and see what it does to volumes"
MOST_STEPS = 3


def arguments(parser: argparse.ArgumentParser) -> None:
    from pathlib import Path

    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="reread")
    parser.add_argument("point", metavar="POINT", help="the point")
    parser.add_argument("--map", metavar="MAP", type=Path, required=True, help="the corrected map (YAML)")
    parser.add_argument("--from", dest="first", metavar="TIME", help="from when (default: the point's first poll)")
    parser.add_argument("--to", dest="last", metavar="TIME", help="until when (default: the last poll on record)")
    parser.add_argument("--because", metavar="TEXT", help="with --enter: what was wrong with the map")
    parser.add_argument("--enter", action="store_true", help="put it on record")
    parser.add_argument(
        "--although-unfit", action="store_true", help="with --enter: also if the map does not fit these polls"
    )
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from dataclasses import replace

    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, corrected, entered, opened, stated_about
    from tallywell.commandline.map_file import sound_map
    from tallywell.commandline.site import called_wrongly, instant
    from tallywell.service.rereading import candidate, effect
    from tallywell.stated.rereads import reread_content
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    loaded, site, point = opened(options)
    kept, map_ = sound_map(options.map)
    if map_.books is None:
        raise called_wrongly(f"{options.map}: it has no total for the books")
    if not loaded.record.exists():
        raise called_wrongly(f"{point.name} was never polled; there is no history to read again")
    replaces, _ = corrected(options, loaded)
    span = instant(site, _moment(options.first), "--from"), instant(site, _moment(options.last), "--to")
    with Reader(RecordFolder(loaded.record)) as reader:
        found = candidate(reader, point, span, kept.kept, map_.name)
        if found.first_seq > found.last_seq:
            raise called_wrongly(f"no poll of {point.name} lies in that stretch")
        shown = effect(reader, site, point, found, replaces)
    _show(shown, found, site, point)
    if refused := _refused(shown, options):
        print(refused, file=sys.stderr if options.enter else sys.stdout)
        return 1 if options.enter else 0
    if not options.enter:
        print("nothing is changed; with --enter and --because it is put on record")
        return 0
    because = Asking().need(options.because, "--because", "what was wrong with the map that was in force")
    content = content_of(lambda: reread_content(replace(found, because=because)))
    return entered(loaded, site, stated_about(options, loaded, point.name, found.from_ms, content))


def _refused(found: "Effect", options: argparse.Namespace) -> str:
    """Why it is not put on record, whether that was asked for or not."""
    if found.same and options.replaces is None:
        return "there is nothing to enter"
    if found.fits or options.although_unfit:
        return ""
    return "nothing is changed; --enter is refused without --although-unfit while the map does not fit"


def _moment(text: str | None) -> str | None:
    """A date is its first moment."""
    return text if text is None or ":" in text else f"{text.strip()} 00:00"


def _show(found: "Effect", of: "Reread", site: "Site", point: "Point") -> None:
    """Whether the map fits comes first: volumes of the few polls that a wrong one reads by accident are none."""
    from tallywell.service.local_time import shown

    if not found.fits:
        _unfit(found)
    if found.same:
        _say("nothing differs: this map reads these polls just as the maps in force do")
    span = f"{shown(of.from_ms, site.zone)} to {shown(of.to_ms, site.zone)}"
    _say(f"{point.name}: {found.polls:,} polls, {span}, under {of.name} (sha256 {of.sha256[:12]})")
    if found.fits:
        for why, times in found.unread:
            _say(f"  {times:,} of them it cannot read: {_cause(why)}")
        if found.misfits:
            _say(f"  {found.misfits:,} of them follow from none of their neighbours under it")
    for seq, at_ms, before, after in found.first:
        _say(f"  poll {seq}, {shown(at_ms, site.zone)}: {before} -> {after}")
    if found.fits and not found.same:
        _volumes(found, site, point)


def _unfit(found: "Effect") -> None:
    _say(f"THIS MAP DOES NOT FIT: of {found.readable:,} polls that the maps in force read")
    for why, times in found.unread:
        _say(f"  {times:,} it cannot read: {_cause(why)}")
    if found.misfits:
        _say(f"  {found.misfits:,} follow from none of their neighbours, as numbers do that the words do not mean")
    _say("  so no volume is made of the rest; look at type, word order, register, digits and volume of one count")


def _cause(why: str) -> str:
    from tallywell.reports.words import FAULTS

    return FAULTS.get(why, why)


def _volumes(found: "Effect", site: "Site", point: "Point") -> None:
    from tallywell.reports.shown_units import volume_unit
    from tallywell.reports.table import Column, table
    from tallywell.service.following import face_of
    from tallywell.service.local_time import shown

    face, _ = face_of(point)
    unit = volume_unit(face.one_count.unit, [face.one_count.si])
    for one in found.steps[:MOST_STEPS]:
        span = f"{shown(one.begin_ms, site.zone)} and {shown(one.end_ms, site.zone)}"
        most = unit.text(one.high * one.scale.one_count_m3)
        _say(f"  between {span} the volume of one count would change: what ran there, at most {most}, is in no volume")
    if len(found.steps) > MOST_STEPS:
        _say(f"  and {len(found.steps) - MOST_STEPS:,} more such changes")
    rows = [[one.label, *_cells(one.before_m3, one.after_m3, unit.number)] for one in found.months]
    columns = [Column("month"), *(Column(name, right=True) for name in ("now", "corrected", "change"))]
    print("\n".join(table(columns, rows, indent=2)))
    print(f"  volumes in {unit.words}")


def _cells(before: "Fraction | None", after: "Fraction | None", number: "Callable[[Fraction], str]") -> list[str]:
    cells = ["no readings" if one is None else number(one) for one in (before, after)]
    if before is None or after is None:
        return [*cells, "none" if before is after else "not known"]
    return [*cells, number(after - before)]


def _say(sentence: str) -> None:
    from tallywell.commandline.calls import fitted

    print(fitted(sentence))

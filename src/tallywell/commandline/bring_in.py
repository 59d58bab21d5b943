"""Bring earlier hand readings in from a table: those of past years, or the end that was filed last.

The file is text with a heading, values parted by commas, semicolons or tabs, as spreadsheets save it:

  time,shows,by,note
  2025-01-01 08:00,00078120,A. Reader,year end as filed

`time` is local, with the time of day; `shows` what the face showed, all digits; `by` and `note` may be left out. Every
faulty row is named and nothing is entered unless all rows are sound. Each row is held against the register where that
was read around it; what differs, and what else may be a slip, is said and entered all the same, so look at it with
--dry-run first. Each becomes a visit; a row that was brought in before is not entered twice.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.bringing_in import Row
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SUMMARY = "earlier hand readings from a table (CSV)"


def arguments(parser: argparse.ArgumentParser) -> None:
    from pathlib import Path

    from tallywell.commandline.site import author_argument, site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", help="the point whose meter was read")
    parser.add_argument("file", metavar="FILE", type=Path, help="the table")
    parser.add_argument("--dry-run", action="store_true", help="show what would be entered, and enter nothing")
    author_argument(parser)


def run(options: argparse.Namespace) -> int:
    import sys

    from tallywell.commandline.calls import placed
    from tallywell.commandline.entry import face_of, opened
    from tallywell.commandline.site import author, called_wrongly
    from tallywell.service.bringing_in import faults_and_rows, statement_of, table_text
    from tallywell.service.entering import enter_all, entries_named

    loaded, site, point = opened(options)
    face = face_of(point)
    try:
        text = table_text(options.file.read_bytes(), options.file.name)
    except OSError as failed:
        raise called_wrongly(f"{options.file}: it cannot be read ({failed.strerror})") from None
    except ValueError as wrong:
        raise called_wrongly(f"{options.file}:{wrong}") from None
    faults, rows = faults_and_rows(text, str(options.file), face, site.zone)
    if faults:
        print(placed("\n".join(faults), sys.stderr), file=sys.stderr)
        print("nothing was entered; mend the rows and bring the file in again", file=sys.stderr)
        return 1
    on_record = set(entries_named(loaded.record, ""))
    known = {row.uuid(point.name) for row in rows} & on_record
    fresh = [row for row in rows if row.uuid(point.name) not in known]
    differ = _show(rows, fresh, loaded, point)
    if options.dry_run:
        print(f"{len(fresh)} would be entered, {len(known)} on record already{differ}")
        return 0
    statements = [(row.uuid(point.name), statement_of(row, point.name, author(options))) for row in fresh]
    taken = enter_all(loaded.record, statements, tuple(site.points))
    print(f"{taken} entered, {len(known)} on record already{differ}")
    if taken < len(fresh):
        print(f"{len(fresh) - taken} lie in the inbox and will be taken when the daemon gets to them")
    return 0


def _show(rows: "list[Row]", fresh: "list[Row]", loaded: "Loaded", point: "Point") -> str:
    """All rows with their volumes and how they compare; then, of what is to be entered, what may be a slip. Gives how
    many differ.
    """
    from contextlib import ExitStack

    from tallywell.commandline.calls import fitted
    from tallywell.commandline.site import now_ms
    from tallywell.service.brought_in import DIFFERS, NOT_READ, beside_register, odd_dates
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    assert loaded.site is not None
    zone, odd = loaded.site.zone, list[str]()
    with ExitStack() as opened:
        reader = opened.enter_context(Reader(RecordFolder(loaded.record))) if loaded.record.exists() else None
        beside = [NOT_READ if reader is None else beside_register(reader, point, row, zone) for row in rows]
        for row, one in zip(rows, beside, strict=True):
            said = [one.words] if one.short not in ("", "agrees") else []
            said += odd_dates(reader, point, row, now_ms(), zone) if row in fresh else []
            odd += [f"warning: {row.place}: {each}" for each in said]
    print(fitted("\n".join(_table(rows, [one.short or "not read" for one in beside], loaded.site))))
    if odd:
        print(fitted("\n".join(odd)))
    differ = sum(one.short == DIFFERS for one in beside)
    return f"; {differ} DIFFER from the register" if differ > 1 else "; 1 DIFFERS from the register" if differ else ""


def _table(rows: "list[Row]", compared: list[str], site: "Site") -> list[str]:
    from tallywell.reports.shown_units import volume_unit
    from tallywell.reports.table import Column, table
    from tallywell.service.local_time import shown

    one = rows[0].face.one_count
    unit = volume_unit(one.unit, [one.si])
    columns = [Column("time"), Column("shows", right=True), Column(unit.words, right=True), Column("register")]
    columns += [Column("by"), Column("note")]
    cells = [
        [shown(row.at_ms, site.zone), row.shows, unit.number(row.volume_m3), said, row.author, row.note]
        for row, said in zip(rows, compared, strict=True)
    ]
    return table(columns, cells, indent=2)

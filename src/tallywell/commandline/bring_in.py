"""Bring earlier hand readings in from a table: those of past years, or the end that was filed last.

The file is text with a heading, values parted by commas or semicolons, as spreadsheets save it:

  time,shows,by,note
  2025-01-01 08:00,00078120,A. Reader,year end as filed

`time` is local, `shows` what the face showed, all digits; `by` and `note` may be left out. Every faulty row is named
and nothing is entered unless all rows are sound. Each becomes a visit; a row that was brought in before is not entered
twice.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.bringing_in import Row

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

    from tallywell.commandline.entry import face_of, opened
    from tallywell.commandline.site import author, called_wrongly
    from tallywell.service.bringing_in import faults_and_rows, statement_of
    from tallywell.service.entering import enter_all, entries_named

    loaded, site, point = opened(options)
    face = face_of(point)
    try:
        text = options.file.read_text(encoding="utf-8-sig")
    except OSError as failed:
        raise called_wrongly(f"{options.file}: it cannot be read ({failed.strerror})") from None
    except UnicodeDecodeError:
        raise called_wrongly(f"{options.file}: it is not UTF-8; save the table as CSV UTF-8") from None
    faults, rows = faults_and_rows(text, str(options.file), face, site.zone)
    if faults:
        print("\n".join(faults), file=sys.stderr)
        print("nothing was entered; mend the rows and bring the file in again", file=sys.stderr)
        return 1
    on_record = set(entries_named(loaded.record, ""))
    known = {row.uuid(point.name) for row in rows} & on_record
    _show(rows, face.one_count.unit, site.zone)
    fresh = [row for row in rows if row.uuid(point.name) not in known]
    if options.dry_run:
        print(f"{len(fresh)} would be entered, {len(known)} on record already")
        return 0
    statements = [(row.uuid(point.name), statement_of(row, point.name, author(options))) for row in fresh]
    taken = enter_all(loaded.record, statements, tuple(site.points))
    print(f"{taken} entered, {len(known)} on record already")
    if taken < len(fresh):
        print(f"{len(fresh) - taken} lie in the inbox and will be taken when the daemon gets to them")
    return 0


def _show(rows: "list[Row]", unit: str, zone: object) -> None:
    from zoneinfo import ZoneInfo

    from tallywell.reports.decimals import plain
    from tallywell.reports.table import Column, table
    from tallywell.service.local_time import shown

    assert isinstance(zone, ZoneInfo)
    columns = [Column("time"), Column("shows", right=True), Column(unit, right=True), Column("by"), Column("note")]
    cells = [[shown(row.at_ms, zone), row.shows, plain(row.volume), row.author, row.note] for row in rows]
    print("\n".join(table(columns, cells, indent=2)))

"""Print the volumes of a period from the record: begin and end readings, volume, days, gaps, and all that is not plain.

It reads the record only, beside a running daemon or without one, and takes the site file's text from there. The period
is one of --month, --quarter, --year, --water-year, --dates, or --from with --to; its days are local days of the site.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date
    from pathlib import Path

    from tallywell.ledger.periods import Period
    from tallywell.reports.model import Report
    from tallywell.service.accepted import Accepted

NO_DATE = "let `tallywell run` poll; where nothing sets this machine's clock, state the time by `tallywell clock`"
SUMMARY = "the volumes of a month, a year or any days, as text or CSV"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)
    period = parser.add_argument_group("period")
    period.add_argument("--month", metavar="YYYY-MM", help="a calendar month, such as 2026-07")
    period.add_argument("--quarter", metavar="YYYY-Qn", help="a calendar quarter, such as 2026-Q3")
    period.add_argument("--year", metavar="YYYY", help="a calendar year, or with --year-from the one that ends in it")
    period.add_argument("--year-from", metavar="MM-DD", help="with --year: the first day of the year, such as 11-01")
    period.add_argument("--water-year", metavar="YYYY", help="1 October to 30 September, named by the year it ends in")
    period.add_argument(
        "--dates",
        metavar="DATE,DATE,...",
        help="unequal seasons in one report, each from its date to before the next; the last date belongs no more",
    )
    period.add_argument("--from", metavar="DATE", dest="first", help="the first day, such as 2026-07-01; with --to")
    period.add_argument("--to", metavar="DATE", dest="last", help="the last day, included")
    period.add_argument(
        "--between-readings",
        action="store_true",
        help="from each point's last reading at or before the begin to that at or before the end: no division",
    )
    parser.add_argument("--point", metavar="NAME", action="append", help="only this point; may be given again")
    parser.add_argument(
        "--unit", metavar="UNIT", help="unit of volume, such as acre_foot, gal, m3 (default: the face's)"
    )
    parser.add_argument(
        "--csv", metavar="FILE", help="write CSV to FILE instead of text to the screen; - is the screen"
    )


def run(options: argparse.Namespace) -> int:
    from tallywell.service.accepted import accepted_site
    from tallywell.service.books import period_report
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    period = _period(options)
    _known_unit(options.unit)
    with Reader(RecordFolder(_record(options.site))) as reader:
        accepted = accepted_site(reader)
        points = _points(options.point, accepted)
        report = period_report(reader, accepted, period, points, between=options.between_readings)
    _has_something(report)
    return _give(report, options)


def _record(path: "Path") -> "Path":
    """Where the record lies. A site file that is at fault now does not stand in the way of what was read long ago."""
    import sys

    from tallywell.commandline.site import sound_site
    from tallywell.service.files import load_site

    loaded = load_site(path)
    if loaded.site is None and loaded.record.exists():
        said = f"{path} has faults (`tallywell check {path}` shows them); the site file on record is used"
        print(said, file=sys.stderr)
        return loaded.record
    return sound_site(path)[0].record


def _period(options: argparse.Namespace) -> "Period":
    """The one period asked for; anything else ends the command with 2."""
    from functools import partial

    from tallywell.commandline.site import called_wrongly
    from tallywell.ledger import periods

    ways: dict[str, tuple[str | None, Callable[[str], Period]]] = {
        "--month": (options.month, periods.month),
        "--quarter": (options.quarter, periods.quarter),
        "--year": (options.year, partial(periods.year_from, options.year_from or "01-01")),
        "--water-year": (options.water_year, periods.water_year),
        "--dates": (options.dates, _seasons),
    }
    asked = [(name, text, read) for name, (text, read) in ways.items() if text is not None]
    ranged = options.first is not None or options.last is not None
    if len(asked) + ranged != 1:
        raise called_wrongly(
            "name one period: --month 2026-07, --quarter 2026-Q3, --year 2026, --water-year 2026, --dates, or --from "
            "with --to"
        )
    if options.year_from is not None and options.year is None:
        raise called_wrongly("--year-from says where a year begins; add --year 2026, the year it ends in")
    try:
        if ranged:
            return periods.between(_day("--from", options.first), _day("--to", options.last))
        name, text, read = asked[0]
        return read(text)
    except ValueError as wrong:
        raise called_wrongly(str(wrong) if ranged else f"{name}: {wrong}") from None


def _seasons(text: str) -> "Period":
    from tallywell.commandline.site import day_of
    from tallywell.ledger.periods import seasons

    return seasons([day_of(each) for each in text.split(",")])


def _day(option: str, text: str | None) -> "date":
    from tallywell.commandline.site import day_of

    if text is None:
        raise ValueError(
            f"{option} is missing; a range needs --from and --to, such as --from 2026-07-01 --to 2026-07-15"
        )
    try:
        return day_of(text)
    except ValueError as wrong:
        raise ValueError(f"{option}: {wrong}") from None


def _known_unit(unit: str | None) -> None:
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.units import VOLUMES

    if unit is None or unit in VOLUMES:
        return
    from difflib import get_close_matches

    near = get_close_matches(unit, VOLUMES, n=1)
    meant = f"did you mean {near[0]!r}? " if near else ""
    raise called_wrongly(f"--unit: {unit!r} is no unit of volume known here; {meant}known are {', '.join(VOLUMES)}")


def _points(names: list[str] | None, accepted: "Accepted") -> list[str] | None:
    from tallywell.commandline.site import called_wrongly, point_named

    for name in names or []:
        if point_named(accepted.site, name).map.books is None:
            raise called_wrongly(f"{name}: its map has no total, so there is no volume to report")
    return names


def _has_something(report: "Report") -> None:
    """A period wholly before or after the record says so, instead of a sheet full of unknowns."""
    from tallywell.readings.problems import EdgeFailure
    from tallywell.reports.dates import with_offset

    if report.as_of_ms is None:
        raise EdgeFailure("the record holds nothing with a date yet", hint=NO_DATE)
    if report.begin_ms > report.as_of_ms:
        raise EdgeFailure(
            f"the record ends {with_offset(report.as_of_ms, report.zone)}, before {report.period.name} begins",
            hint="ask for a period that has begun",
        )
    if report.starts_ms is not None and report.end_ms <= report.starts_ms:
        raise EdgeFailure(
            f"the record begins {with_offset(report.starts_ms, report.zone)}, after {report.period.name} has ended",
            hint="ask for a later period",
        )


def _give(report: "Report", options: argparse.Namespace) -> int:
    if options.csv is None:
        from tallywell.reports.text import text

        print(text(report, options.unit), end="")
        return 0
    from tallywell.reports.csv_layout import csv

    if options.csv == "-":
        import sys

        sys.stdout.flush()
        sys.stdout.buffer.write(csv(report, options.unit).encode())
        sys.stdout.buffer.flush()
        return 0
    from pathlib import Path

    if Path(options.csv).suffix.lower() in (".yaml", ".yml"):
        from tallywell.commandline.site import called_wrongly

        raise called_wrongly(
            f"--csv: {options.csv} is the name of a site file or map; name another file, such as july.csv"
        )
    _write(Path(options.csv), csv(report, options.unit).encode())
    print(f"wrote {options.csv}")
    return 0


def _write(path: "Path", content: bytes) -> None:
    """All of it or nothing: whoever looks at the file meanwhile never meets half a report."""
    import os
    import tempfile
    from pathlib import Path

    from tallywell.readings.problems import EdgeFailure

    beside = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as beside:
            beside.write(content)
            beside.flush()
            os.fsync(beside.fileno())
        Path(beside.name).chmod(0o644)
        Path(beside.name).replace(path)
    except OSError as why:
        if beside is not None:
            Path(beside.name).unlink(missing_ok=True)
        raise EdgeFailure(
            f"{path}: cannot be written ({why.strerror})", hint="name a folder that you may write to"
        ) from None

"""The CSV layout: golden, readable by the standard library's own reader, and safe in a spreadsheet."""

import csv as standard
from dataclasses import replace
from fractions import Fraction
from io import StringIO

from tallywell.reports.csv_layout import COLUMNS, csv
from tallywell.reports.model import PointReport, Report
from tallywell.reports.volume import Volume
from tests.reports.golden import same_as_golden


def rows_of(text: str) -> list[dict[str, str]]:
    """As RFC 4180 reads it, with every row as long as the header."""
    rows = list(standard.reader(StringIO(text, newline=""), strict=True))
    assert tuple(rows[0]) == COLUMNS
    assert {len(row) for row in rows} == {len(COLUMNS)}
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows[1:]]


def test_the_month_with_everything_in_it(july: Report) -> None:
    same_as_golden("july/report.csv", csv(july))


def test_lines_end_as_the_standard_says(july: Report) -> None:
    text = csv(july)
    assert text.endswith("\r\n")
    assert text.count("\n") == text.count("\r\n")


def test_the_days_of_exact_counts_add_up_to_the_volume(july: Report) -> None:
    rows = rows_of(csv(july, "gal"))
    days = [Fraction(row["value"]) for row in rows if row["section"] == "day"]
    (volume,) = [Fraction(row["value"]) for row in rows if (row["section"], row["item"]) == ("point", "volume")]
    assert len(days) == 31
    assert sum(days) == volume


def test_no_cell_begins_a_formula(july: Report) -> None:
    wicked = replace(july, site='=HYPERLINK("x")', points=(_wicked(july.points[0]),))
    rows = rows_of(csv(wicked))
    cells = [cell for row in rows for cell in row.values()]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    assert '\'=HYPERLINK("x")' in cells
    assert "'@well, one" in cells


def test_a_number_below_zero_is_a_number(july: Report) -> None:
    """A net total may fall, and a permit may be overdrawn: a spreadsheet must be able to add it."""
    less = Volume(Fraction(-5), Fraction(-6), Fraction(-4))
    rows = rows_of(csv(replace(july, points=(replace(july.points[0], volume=less),)), "m3"))
    (volume,) = [row for row in rows if row["item"] == "volume"]
    assert [Fraction(volume[name]) for name in ("value", "low", "high")] == [-5, -6, -4]


def _wicked(point: PointReport) -> PointReport:
    return replace(point, place=replace(point.place, well="@well, one", source="-2+3", location="\tx"))

"""The text layout: golden, within its width, and honest where nothing is known."""

import re
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from tallywell.ledger.periods import between, calendar_year, month, seasons
from tallywell.readings.units import VOLUMES
from tallywell.reports.csv_layout import csv
from tallywell.reports.model import Report
from tallywell.reports.table import WIDTH
from tallywell.reports.text import text
from tallywell.reports.text_point import MOST_DAYS
from tests.reports import stories
from tests.reports.golden import same_as_golden
from tests.reports.july import july_record
from tests.service.made_record import MAP, QUARTER_MS, SITE, at, made_record


def test_the_month_with_everything_in_it(july: Report) -> None:
    same_as_golden("july/report.txt", text(july))


def test_the_same_month_in_acre_feet(july: Report) -> None:
    same_as_golden("july/acre_feet.txt", text(july, "acre_foot"))


@pytest.mark.parametrize("unit", [None, *VOLUMES])
def test_no_line_is_wider_than_a_screen(july: Report, unit: str | None) -> None:
    lines = text(july, unit).splitlines()
    assert max(map(len, lines)) <= WIDTH
    assert all(line == line.rstrip() for line in lines)


def test_edges_inside_a_gap_fit_on_a_screen_and_show_their_bounds(tmp_path: Path) -> None:
    shown = text(july_record(tmp_path).report(between(date(2026, 7, 11), date(2026, 7, 11))))
    assert max(map(len, shown.splitlines())) <= WIDTH
    begin = shown.split("  Readings")[1].split("  How the volume")[0]
    assert begin.count("ESTIMATED inside a gap") == 2
    assert begin.count("at least") == begin.count("at most") == 2


def test_a_day_of_another_length_says_so(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-03-07 00:00")
    for number in range(3 * 24 * 4):
        made.read(made.begins_ms + number * 900_000, forward_total=number)
    shown = text(made.report(between(date(2026, 3, 7), date(2026, 3, 9))))
    assert [line.split()[0] for line in shown.splitlines() if "23 h long" in line] == ["2026-03-08"]


def test_a_long_period_is_shown_by_month(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-01-01 00:00")
    for number, day in enumerate(range(0, 366 * 24, 12)):
        made.read(made.begins_ms + day * 3_600_000, forward_total=number)
    report = made.report(calendar_year("2026"))
    assert len(report.points[0].days) == 365 > MOST_DAYS
    shown = text(report)
    assert "By month, US gal" in shown
    assert "2026-12-31" not in shown.split("By month")[1].split("Gaps")[0]


def test_a_count_as_entered_within_a_quarter_of_an_hour_fits_on_a_screen(tmp_path: Path) -> None:
    made, _ = stories.winter_different(tmp_path)
    shown = text(made.report(between(date(2026, 11, 1), date(2027, 3, 31))))
    assert max(map(len, shown.splitlines())) <= WIDTH
    assert "its time within" in shown.split("  Readings")[1].split("  How the volume")[0]


def test_two_instants_within_one_second_are_told_apart(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-06-30 20:00")
    for number, now in enumerate(range(made.begins_ms, at("2026-08-01 03:00"), QUARTER_MS)):
        made.read(now + 1, forward_total=10 * number)
    readings = text(made.report(month("2026-07"))).split("  Readings")[1].split("  How the volume")[0]
    assert "begin          2026-07-01 00:00:00 -06:00" in readings
    assert "read after   2026-07-01 00:00:00.001 -06:00" in readings
    table = csv(made.report(month("2026-07")))
    assert '"begin, read after",2026-07-01T00:00:00.001-06:00,' in table
    said = " ".join(readings.split())
    assert "a register may hold what it measured up to 5 s before it was read, the clock may be off by " in said


def test_maps_stand_in_order_each_beside_its_fingerprint(tmp_path: Path) -> None:
    maps = {name: MAP.replace("map: inline-a", f"map: {name}") for name in ("inline-c", "inline-a", "inline-b")}
    site = SITE.replace("inline-a.yaml", "inline-c.yaml")
    made = made_record(tmp_path, "2026-07-20 00:00", site=site, maps={f"{n}.yaml": t for n, t in maps.items()})
    for hour, name in enumerate(maps):
        made.read(made.begins_ms + hour * QUARTER_MS, map_=f"{name}.yaml", forward_total=hour)
    head = text(made.report(month("2026-07"))).split("made by")[0].split("register maps")[1]
    assert [line.split()[0] for line in head.splitlines() if line.strip()] == [f"inline-{n}.yaml" for n in "abc"]
    assert all(len(line.split()) == 2 for line in head.splitlines() if line.strip())


def test_what_is_not_known_is_said_and_never_zero(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-20 00:00", site=SITE.replace(", agency_id: 23-0417", ""))
    made.miss(at("2026-07-20 00:15"), "no_answer")
    shown = text(made.report(month("2026-07")))
    assert "unknown, not zero" in shown
    assert "agency id not stated" in shown
    assert "serial number and date of installation not entered" in shown
    assert "maximum rate           unknown" in shown
    assert "hours pumped           unknown" in shown
    assert "2026-07-01 to 2026-07-31  no readings                     31 days" in shown
    assert "INCOMPLETE: 0 of 744 h known at north-discharge" in shown
    assert "the meter did not answer (1 poll)" in shown


def test_seasons_of_which_nothing_is_known_are_one_row_from_the_first_to_the_last(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-06-30 20:00")
    for number, now in enumerate(range(made.begins_ms, at("2026-07-04 03:00"), QUARTER_MS)):
        made.read(now, forward_total=10 * number)
    edges = [date(2025, 10, 1), *(date(2026, month_of, 1) for month_of in (1, 4, 5, 7, 8))]
    shown = text(made.report(seasons(edges)))
    assert "2025-10-01 to 2026-04-30  no readings" in shown
    assert "3 seasons" in shown


def test_a_permits_year_that_is_read_in_part_is_no_full_account(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2025-12-30 00:00", site=SITE.replace("year_starts: 10-01", "year_starts: 01-01"))
    for number, now in enumerate(range(made.begins_ms, at("2026-01-04 03:00"), QUARTER_MS)):
        made.read(now, forward_total=10 * number)
    shown = " ".join(text(made.report(calendar_year("2026"))).split())
    found = re.search(r"used ([0-9.]+) acre-feet or more.*; left ([0-9.]+) acre-feet or less", shown)
    assert found is not None
    assert Fraction(found[1]) + Fraction(found[2]) == 420
    assert "CHECK THE UNIT" not in shown

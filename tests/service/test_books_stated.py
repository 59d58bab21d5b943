"""What people stated, in the books of a period: each where it belongs, and sums that hold over periods."""

from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from tallywell.ledger.periods import Period, between, month
from tallywell.readings.units import VOLUMES
from tallywell.reports.model import PointReport
from tallywell.reports.text import text
from tests.reports import stories
from tests.service.made_record import MadeRecord, at, made_record

GALLONS_100 = 100 * VOLUMES["gal"]


def point_of(made: MadeRecord, period: Period) -> PointReport:
    return made.report(period).points[0]


def test_two_periods_and_what_lies_between_them_are_the_whole(tmp_path: Path) -> None:
    """A winter whose readings differ: neither side has the counts, both say so, and nothing is lost."""
    made, whole = stories.winter_different(tmp_path)
    autumn = point_of(made, Period(whole.first, date(2026, 12, 1), "autumn"))
    spring = point_of(made, Period(date(2026, 12, 1), whole.end, "spring"))
    both = point_of(made, whole)
    assert both.volume is not None
    assert autumn.volume is not None
    assert spring.volume is not None
    (aside,), (other,) = autumn.unallocated, spring.unallocated
    assert aside.volume == other.volume
    assert not aside.inside
    assert autumn.volume.m3 + spring.volume.m3 + aside.volume.m3 == both.volume.m3
    assert aside.volume.m3 == 900 * GALLONS_100


@pytest.mark.parametrize("story", [stories.winter_different, stories.undated])
def test_days_and_what_is_unallocated_are_the_sum(story: stories.Story, tmp_path: Path) -> None:
    made, period = story(tmp_path)
    point = point_of(made, period)
    assert point.volume is not None
    assert len(point.unallocated) == 1
    for slices in (point.days, point.months):
        edges = [each.begin_ms for each in slices[1:]]
        aside = [one for one in point.unallocated if any(one.begin_ms < edge < one.end_ms for edge in edges)]
        known = sum((each.volume.m3 for each in slices if each.volume), Fraction(0))
        assert known + sum(one.volume.m3 for one in aside) == point.volume.m3


def test_a_month_of_a_season_without_a_reading_behind_it_is_unknown_not_zero(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-10-28 00:00")
    last = stories.pumped(made, "2026-10-28 00:00", "2026-10-31 12:00", 10_000)
    made.enter(at("2026-10-31 12:05"), "shutdown", {"shows": f"{last:08d}", "note": ""})
    made.miss(at("2027-01-15 12:00"), "no_answer")
    report = made.report(month("2026-12"))
    assert report.points[0].volume is None
    shown = text(report)
    assert "unknown, not zero" in shown
    assert "did not move" not in shown


def test_withheld_counts_are_in_no_volume_and_within_the_upper_bound(tmp_path: Path) -> None:
    made, period = stories.other_serial(tmp_path)
    point = point_of(made, period)
    assert point.volume is not None
    own, other = point.segments
    assert (own.withheld, other.withheld) == (False, True)
    assert point.volume.m3 == own.counts * GALLONS_100
    assert point.volume.high_m3 >= (own.counts + other.counts) * GALLONS_100
    assert [day.volume is None for day in point.days] == [False, False, True, True]


def test_an_entry_that_explains_the_serial_number_posts_its_counts(tmp_path: Path) -> None:
    made, period = stories.other_serial(tmp_path)
    content: dict[str, object] = {"serial": "B-7", "first_count": None, "note": ""}
    made.enter(at("2026-07-06 03:00"), "installation", content, about=at("2026-07-03 09:00"))
    point = point_of(made, period)
    assert not any(segment.withheld for segment in point.segments)
    assert all(day.volume is not None for day in point.days)


def test_the_agency_s_own_person_is_marked(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    for agency, hour in ((True, 1), (False, 2)):
        content: dict[str, object] = {"shows": "00014480", "agency": agency, "note": ""}
        made.enter(at("2026-07-05 12:00"), "visit", content, about=at(f"2026-07-02 0{hour}:00"))
    report = made.report(stories.DAYS)
    assert [visit.agency for visit in report.points[0].visits] == [True, False]
    assert " ".join(text(report).split()).count("the agency's own person") == 1


def test_the_entries_that_served_are_named(tmp_path: Path) -> None:
    """A replaced one no longer serves; one of later than the period serves too, since it may end a meter's time."""
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    first = made.enter(at("2026-07-03 12:00"), "remark", {"text": "a leak"})
    second = made.enter(at("2026-07-03 13:00"), "remark", {"text": "no leak"}, replaces=first)
    point = point_of(made, stories.DAYS)
    assert second in point.stated.entries
    assert first not in point.stated.entries
    assert [one.text for one in point.stated.remarks] == ["no leak"]
    assert len(point.stated.entries) == 2  # and the installation


def test_the_last_accuracy_test_before_the_period_is_told(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-06-20 00:00")
    for day, error in ((21, "1/100"), (22, "-3/250")):
        content: dict[str, object] = {"error": error, "reference": "a tank", "tester": "Ana", "note": ""}
        made.enter(at(f"2026-06-{day} 12:00"), "accuracy-test", content)
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    report = made.report(stories.DAYS)
    assert [test.error for test in report.points[0].stated.tests] == [Fraction(-3, 250)]
    assert "the meter shows -1.2 % against a tank, by Ana" in text(report)


def test_an_entry_that_cannot_be_taken_says_why_in_its_place(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    made.enter(at("2026-07-03 12:00"), "estimate", {"begin_ms": 5})
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    report = made.report(stories.DAYS)
    assert [one.kind for one in report.points[0].stated.not_taken] == ["estimate"]
    assert "Entries that cannot be taken" in text(report)
    assert report.points[0].total is None


def test_an_estimate_cut_by_two_months_is_whole_in_both_together(tmp_path: Path) -> None:
    made, _ = stories.estimates(tmp_path)
    first = point_of(made, between(date(2026, 7, 2), date(2026, 7, 5)))
    second = point_of(made, between(date(2026, 7, 6), date(2026, 7, 9)))
    parts = [line for point in (first, second) for line in point.stated.estimates if line.divided]
    assert sum(line.m3 for line in parts) == 2 * VOLUMES["acre_foot"]


def test_a_permit_s_year_is_its_total_with_the_estimates(tmp_path: Path) -> None:
    made, period = stories.two_years(tmp_path)
    (permit,) = made.report(period).permits
    assert permit.volume is not None
    used = [year.line.used.m3 for year in permit.years]
    assert sum(one for one in used if one is not None) == permit.volume.m3
    assert [year.whole for year in permit.years] == [True, True]
    second = permit.years[1].line.left.m3
    assert second is not None
    assert second < 0


def test_clean_days_have_no_needless_section(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    shown = text(made.report(stories.DAYS))
    headings = [line.strip() for line in shown.splitlines() if line.startswith("  ") and line[2:3].isupper()]
    assert [heading for heading in headings if "P-2041" not in heading] == [
        "Readings",
        "How the volume follows",
        "By day, US gal",
    ]


def test_faces_of_shutdown_and_startup_stand_beside_the_register(tmp_path: Path) -> None:
    """A slip at the shutdown and one at the startup: the readings around stand at 27,920 and 28,820."""
    made = stories.begun(tmp_path, "2026-10-28 00:00")
    last = stories.pumped(made, "2026-10-28 00:00", "2026-10-31 12:00", 10_000)
    made.enter(at("2026-10-31 12:05"), "shutdown", {"shows": "00072920", "note": "in the rain"})
    made.boot(at("2027-03-15 07:00"), "clean stop")
    made.enter(at("2027-03-15 07:30"), "startup", {"shows": "00025000", "note": ""})
    stories.pumped(made, "2027-03-15 08:00", "2027-03-19 02:00", last)
    report = made.report(between(date(2026, 10, 29), date(2027, 3, 17)))
    shown = " ".join(text(report).split())
    assert f"at the shutdown: face 00072920, register {last:08d}: {72_920 - last:,} above it; DIFFERS" in shown
    assert "by ana; in the rain" in shown
    assert f"at the startup: face 00025000, register {last:08d}: {last - 25_000:,} below it; DIFFERS" in shown


def test_what_an_answer_did_is_named_with_its_author(tmp_path: Path) -> None:
    made, period = stories.settled(tmp_path)
    shown = " ".join(text(made.report(period)).split())
    assert "the meter after its reset (entered by ana, entry 00000000), 2026-07-03 to 2026-07-06" in shown
    assert "began anew at 0, by the answer of ana, entered 2026-07-05 (entry 00000000)" in shown
    assert "Entries that cannot be taken" not in shown


def test_an_answer_where_no_question_is_open_stands_among_what_cannot_be_taken(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    before = point_of(made, stories.DAYS)
    for about, said in (("2026-07-03 12:00", {"rounds": 1}), ("2026-07-04 03:05", {"reset": True, "first_count": "7"})):
        content: dict[str, object] = {"note": "", **said}
        made.enter(at("2026-07-05 12:00"), "settle", content, about=at(about))
    point = point_of(made, stories.DAYS)
    assert point.volume == before.volume
    assert [(one.kind, one.author) for one in point.stated.not_taken] == [("settle", "ana")] * 2
    assert all("no question was open there" in one.why for one in point.stated.not_taken)
    assert "settles nothing" in text(made.report(stories.DAYS))


def test_a_meter_whose_entry_fits_no_reading_is_named(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000)
    content: dict[str, object] = {"serial": "NEW", "first_count": "00000012", "note": ""}
    made.enter(at("2026-07-05 12:00"), "installation", content, about=at("2026-07-03 21:00"))
    point = point_of(made, stories.DAYS)
    assert [(one.serial, one.end_ms, one.refused) for one in point.meters] == [
        ("A-1042", None, False),
        ("NEW", None, True),
    ]
    shown = " ".join(text(made.report(stories.DAYS)).split())
    assert "serial NEW: the entry of 2026-07-03 21:00 -06:00, installation by ana" in shown
    assert "fits no reading" in shown
    assert "not entered" not in shown.replace("record", "")
    assert "no entry confirms" not in shown


def test_the_time_before_the_record_ends_where_the_installation_begins(tmp_path: Path) -> None:
    """The installation was at 05:00, the first reading at 09:00: two stretches that follow one another."""
    made = made_record(tmp_path, "2026-07-03 05:00")
    made.enter(made.begins_ms, "installation", {"serial": "A", "first_count": "00010000", "note": ""})
    stories.pumped(made, "2026-07-03 09:00", "2026-07-06 02:00", 10_040)
    first, second = point_of(made, stories.DAYS).gaps
    assert (first.begin_ms, first.end_ms, first.volume) == (at("2026-07-02 00:00"), at("2026-07-03 05:00"), None)
    assert (second.begin_ms, second.end_ms) == (at("2026-07-03 05:00"), at("2026-07-03 09:00"))
    assert second.volume is not None


def test_a_gap_of_a_meter_that_is_withheld_is_not_the_wells(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    made.noted(at("2026-07-01 00:00"), "A-1042")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-03 09:00", 10_000)
    made.noted(at("2026-07-03 09:00"), "B-7")
    last = stories.pumped(made, "2026-07-03 09:15", "2026-07-04 09:00", 500_000)
    stories.pumped(made, "2026-07-04 15:00", "2026-07-06 02:00", last + 100)
    report = made.report(stories.DAYS)
    assert [gap.withheld for gap in report.points[0].gaps] == [True]
    assert "across it, not posted to this well" in " ".join(text(report).split())


def test_what_was_counted_over_the_edge_of_a_period_is_not_said_to_be_its_own(tmp_path: Path) -> None:
    made, period = stories.winter_different_cut(tmp_path)
    (idle,) = point_of(made, period).stated.idle
    assert idle.metered is None
    assert idle.over is not None
    assert idle.over.m3 == 900 * 100 * VOLUMES["gal"]
    whole = point_of(made, between(date(2026, 10, 29), date(2027, 3, 17))).stated.idle[0]
    assert (whole.metered, whole.over) == (idle.over, None)


def test_the_head_says_how_much_is_known_and_where_it_is_not(tmp_path: Path) -> None:
    made, period = stories.several_wells(tmp_path)
    assert "known          all of it lies between readings" in text(made.report(period))
    longer = text(made.report(between(date(2026, 7, 2), date(2026, 7, 11))))
    said = "INCOMPLETE: 97.7 of 240 h known at north-discharge, south-discharge"
    assert said in " ".join(longer.split())


def test_a_meter_whose_entry_fits_no_reading_is_in_no_later_report(tmp_path: Path) -> None:
    """Also where the fold begins long after the entry, and two of them follow one another."""
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-10 02:00", 10_000)
    for serial, about in (("NEW", "2026-07-03 21:00"), ("NEWER", "2026-07-04 03:00")):
        content: dict[str, object] = {"serial": serial, "first_count": "00000012", "note": ""}
        made.enter(at("2026-07-05 12:00"), "installation", content, about=at(about))
    later = point_of(made, between(date(2026, 7, 7), date(2026, 7, 8)))
    assert [one.serial for one in later.segments] == ["A-1042"]
    assert [(one.serial, one.end_ms) for one in later.meters] == [("A-1042", None)]
    both = point_of(made, between(date(2026, 7, 2), date(2026, 7, 8)))
    assert [(one.serial, one.refused) for one in both.meters] == [("A-1042", False), ("NEW", True), ("NEWER", True)]


def test_a_meter_that_was_put_in_long_before_is_named(tmp_path: Path) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    stories.pumped(made, "2026-07-01 00:00", "2026-07-03 21:00", 10_000)
    content: dict[str, object] = {"serial": "NEW", "first_count": "00000012", "note": ""}
    made.enter(at("2026-07-05 12:00"), "installation", content, about=at("2026-07-03 21:00"))
    stories.pumped(made, "2026-07-03 21:15", "2026-07-10 02:00", 12)
    later = point_of(made, between(date(2026, 7, 7), date(2026, 7, 8)))
    assert [one.serial for one in later.segments] == [one.serial for one in later.meters] == ["NEW"]

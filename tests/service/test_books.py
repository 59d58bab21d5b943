"""The books of a period, from records made up poll by poll. Check values name their published source."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.intervals import Kind
from tallywell.ledger.periods import between, calendar_year, month
from tallywell.readings.clocks import When
from tallywell.readings.problems import EdgeFailure
from tallywell.readings.quantities import Away, HandReading, Missed, Reading, Scale
from tallywell.readings.total import Total
from tallywell.readings.units import FLOWS, VOLUMES
from tallywell.reports import words
from tallywell.reports.csv_layout import csv
from tallywell.reports.model import Beside, How, PointReport, Report, VisitLine
from tallywell.reports.text import text
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.service.following import with_hands
from tallywell.service.ledger_facts import Stream
from tallywell.store.query import Reader
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record

GALLONS_100 = VOLUMES["gal"] * 100
HOUR_MS = 3_600_000


def counts_of(point: PointReport) -> Fraction:
    """The volume in counts of 100 gal."""
    assert point.volume is not None
    return point.volume.m3 / GALLONS_100


def july_of(made: MadeRecord) -> PointReport:
    return made.report(month("2026-07")).points[0]


def runs(made: MadeRecord, begins: str, ends: str, first: int, rise: int) -> int:
    """Good polls from `begins` to `ends` (included), `rise` counts higher each time; the last count."""
    count = first
    for now in range(at(begins), at(ends) + 1, QUARTER_MS):
        count = first + rise * ((now - at(begins)) // QUARTER_MS)
        made.read(now, forward_total=count % 10**8)
    return count


def rising_to(made: MadeRecord, begins: str, ends: str, first: int, last: int) -> None:
    """Good polls that rise evenly, in whole counts, from `first` to `last`."""
    begin_ms, end_ms = at(begins), at(ends)
    for now in range(begin_ms, end_ms + 1, QUARTER_MS):
        made.read(now, forward_total=(first + (last - first) * (now - begin_ms) // (end_ms - begin_ms)) % 10**8)


# --- check values


# 8 digits, 99,999,950 then 00,000,075: 125 counts (from the definition; 124 would be subtracting at all nines).
def test_a_rollover_of_eight_digits(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    rising_to(made, "2026-07-01 00:00", "2026-08-01 00:00", 99_999_950, 100_000_075)
    runs(made, "2026-08-01 00:15", "2026-08-01 02:00", 75, 0)
    point = july_of(made)
    assert counts_of(point) == 125
    assert [rollover.capacity for rollover in point.rollovers] == [100_000_000]
    assert point.segments[0].rollovers == 1
    assert point.segments[0].balances


# Old meter 1000 to 1500, new meter 12 to 300: 788 counts (the fields of form Kansas DWR 1-560; numbers by definition).
def test_a_change_out_is_one_segment_per_serial_number(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    made.enter(made.begins_ms, "installation", {"serial": "OLD-1", "first_count": "00001000", "note": ""})
    rising_to(made, "2026-07-01 00:00", "2026-07-14 10:00", 1000, 1500)
    made.enter(at("2026-07-14 12:00"), "installation", {"serial": "NEW-2", "first_count": "00000012", "note": ""})
    rising_to(made, "2026-07-14 12:15", "2026-08-01 00:00", 12, 300)
    runs(made, "2026-08-01 00:15", "2026-08-01 02:00", 300, 0)
    report = made.report(month("2026-07"))
    point = report.points[0]
    assert [(each.serial, each.counts, each.balances) for each in point.segments] == [
        ("OLD-1", 500, True),
        ("NEW-2", 288, True),
    ]
    assert counts_of(point) == 788
    assert [remark.kind for remark in point.remarks] == [Kind.CHANGE_OUT, Kind.FROM_FIRST_COUNT]
    assert "together 788 counts = 78,800 US gal" in text(report)
    assert [meter.serial for meter in point.meters] == ["OLD-1", "NEW-2"]


# dial 92545 as acre-feet x .001 is 92.545 acre-feet (MVIC, water measurement page)
def test_a_dial_in_thousandths_of_an_acre_foot(tmp_path: Path) -> None:
    site = SITE.replace("one_count: 100 gal, digits: 8", "one_count: 0.001 acre_foot, digits: 8")
    map_ = MAP.replace("one_count: 100 gal", "one_count: 0.001 acre_foot")
    made = made_record(tmp_path, "2026-07-01 00:00", site=site, maps={"inline-a.yaml": map_})
    rising_to(made, "2026-07-01 00:00", "2026-08-01 00:00", 0, 92545)
    runs(made, "2026-08-01 00:15", "2026-08-01 02:00", 92545, 0)
    report = made.report(month("2026-07"))
    assert report.points[0].end is not None
    assert report.points[0].end.seen.face == "00092545"
    assert "volume                 92.545 acre-feet" in text(report)
    assert ",92.545,acre_foot," in csv(report)


# 1,857,030 gal is 5.699 acre-feet (Edwards Aquifer Authority, report-your-usage); dial 890572 as gal x100 is
# 89,057,200 gal (Upper Niobrara White NRD).
@pytest.mark.parametrize(
    ("one_count", "last", "unit", "said"),
    [("1 gal", 1_857_030, "acre_foot", "5.699 acre-feet"), ("100 gal", 890_572, None, "89,057,200 US gal")],
)
def test_published_conversions(tmp_path: Path, one_count: str, last: int, unit: str | None, said: str) -> None:
    site = SITE.replace("one_count: 100 gal, digits: 8", f"one_count: {one_count}, digits: 8").replace("8 in", "30 in")
    map_ = MAP.replace("one_count: 100 gal", f"one_count: {one_count}")
    made = made_record(tmp_path, "2026-07-01 00:00", site=site, maps={"inline-a.yaml": map_})
    rising_to(made, "2026-07-01 00:00", "2026-08-01 00:00", 0, last)
    runs(made, "2026-08-01 00:15", "2026-08-01 02:00", last, 0)
    assert f"volume                 {said}" in text(made.report(month("2026-07")), unit)


# --- days, edges and gaps


@pytest.mark.parametrize(("name", "hours"), [("2026-03", {23}), ("2026-11", {25}), ("2026-07", set())])
def test_days_add_up_to_the_month_exactly_over_a_change_of_the_clocks(
    tmp_path: Path, name: str, hours: set[int]
) -> None:
    period = month(name)
    made = made_record(tmp_path, f"{period.first} 00:07")
    random, count = Random(20260701), 0
    for now in range(made.begins_ms, made.begins_ms + 33 * 24 * HOUR_MS, 2 * HOUR_MS):
        count += random.randrange(300)
        made.read(now + random.randrange(60_000), forward_total=count)
    point = made.report(period).points[0]
    assert point.volume is not None
    assert sum(day.volume.m3 for day in point.days if day.volume) == point.volume.m3
    assert {day.expected_ms // HOUR_MS for day in point.days} - {24} == hours
    assert point.months[0].volume == point.volume


def test_an_edge_in_a_gap_shows_its_bounds_and_two_months_keep_the_sum(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-31 12:00", 0, 1)
    made.miss(at("2026-07-31 12:15"), "no_answer")
    runs(made, "2026-08-01 18:00", "2026-09-01 03:00", last + 1000, 1)
    july, august = july_of(made), made.report(month("2026-08")).points[0]
    assert july.end is not None
    assert (july.end.how, july.end.low, july.end.high) == (How.ESTIMATED, last, last + 1000)
    assert july.end.seen.count == last + 400  # 12 of 30 hours
    assert july.volume is not None
    assert august.volume is not None
    assert august.begin == july.end
    assert (july.volume + august.volume).m3 == (last + 1000 + 2976 - 72) * GALLONS_100
    assert july.volume.low_m3 == (last - 1) * GALLONS_100  # the register of the first midnight may be a count late
    assert "ESTIMATED inside a gap" in text(made.report(month("2026-07")))
    assert july.known_day_m3 == last * GALLONS_100


def test_an_edge_inside_a_rollover_is_shown_as_the_register_would(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-07-31 23:50", 99_999_990 - 4 * 2975, 4)
    runs(made, "2026-08-01 00:05", "2026-08-01 01:20", 20, 4)
    report = made.report(month("2026-07"))
    point = report.points[0]
    assert point.end is not None
    assert (point.end.low, point.end.seen.count, point.end.high) == (99_999_990, 12, 20)  # 15 of 20 min
    assert point.end.seen.face == "00000012"
    assert point.segments[0].rollovers == 1
    assert point.segments[0].balances
    assert point.end == made.report(month("2026-08")).points[0].begin


def test_a_glitch_just_behind_the_end_is_seen_through(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-31 23:50", 0, 4)
    made.read(at("2026-08-01 00:05"), forward_total=77_000_000)
    runs(made, "2026-08-01 00:20", "2026-08-01 01:20", last + 6, 4)
    point = july_of(made)
    assert point.end is not None
    assert point.end.after is not None
    assert point.end.after.utc_ms == at("2026-08-01 00:20")
    assert (point.end.low, point.end.high) == (last, last + 6)


def test_a_point_that_was_dead_for_two_months_before(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-04-20 00:00")
    last = runs(made, "2026-04-20 00:00", "2026-04-30 12:00", 0, 1)
    for now in range(at("2026-04-30 12:15"), at("2026-07-01 06:00"), QUARTER_MS):
        made.miss(now, "no_answer")
    runs(made, "2026-07-01 06:00", "2026-08-01 03:00", last + 3000, 1)
    point = july_of(made)
    assert point.begin is not None
    assert point.begin.how is How.ESTIMATED
    assert (point.begin.low, point.begin.high) == (last, last + 3000)
    assert point.gaps[0].begin_ms == at("2026-04-30 12:00")


def test_a_day_without_readings_is_not_zero_and_an_idle_day_is(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-10 00:00")
    runs(made, "2026-07-10 00:00", "2026-07-20 00:00", 500, 0)
    point = july_of(made)
    by_day = {day.label: day.volume for day in point.days}
    assert by_day["2026-07-09"] is None
    assert by_day["2026-07-21"] is None
    idle = by_day["2026-07-12"]
    assert idle is not None
    assert idle.m3 == 0
    shown = text(made.report(month("2026-07")))
    rows = [line.split() for line in shown.splitlines()]
    assert ["2026-07-01", "to", "2026-07-09", "no", "readings", "9", "days"] in rows
    assert ["2026-07-12", "0", "0", "1"] in rows or ["2026-07-12", "0", "0", "0"] in rows
    assert [gap.cause[0] for gap in point.gaps] == ["before_first", "after_last"]
    assert point.begin is not None
    assert point.begin.how is How.FIRST


# --- what is not plainly metered


def test_a_decrease_that_is_no_rollover_is_never_counted_and_always_said(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 5000, 1)
    runs(made, "2026-07-15 00:15", "2026-08-01 01:00", 900, 1)
    report = made.report(month("2026-07"))
    point = report.points[0]
    assert point.volume is not None
    assert Kind.UNEXPLAINED_DECREASE in {remark.kind for remark in point.remarks}
    assert counts_of(point) == (last - 5000) + (16 * 96 + 95)
    assert all(segment.balances for segment in point.segments)
    assert not point.rollovers
    shown = text(report)
    assert "the total fell from 6,344 to 900 counts, which is no rollover; nothing is counted for it" in shown
    assert "unexplained decrease" in shown.split("Gaps")[0]  # the day is marked as well
    assert point.volume.high_m3 > point.volume.m3
    assert "remark,unexplained decrease" in csv(report)
    assert ",not counted,gal," in csv(report)


def test_a_cut_of_the_power_is_named_as_the_cause_of_its_gap(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 0, 1)
    made.boot(at("2026-07-15 08:00"), "unclean end")
    runs(made, "2026-07-15 08:00", "2026-08-01 03:00", last + 5, 1)
    report = made.report(month("2026-07"))
    assert "the program was not running; it ended without a stop, as in a power cut" in text(report)
    assert [gap.missed for gap in report.points[0].gaps] == [()]


def test_another_line_s_lost_port_is_no_cause_here(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 0, 1)
    gone: dict[str, object] = {"line": "south", "reason": "gone"}
    made.event(at("2026-07-15 01:00"), "port_back", gone | {"away_ms": 600_000})
    made.event(at("2026-07-15 02:00"), "port_lost", gone | {"line": "field"})
    runs(made, "2026-07-15 08:00", "2026-08-01 03:00", 2000, 1)
    assert july_of(made).gaps[0].cause == (Away("gone", at("2026-07-15 02:00"), None, lasts=True),)


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("gone", "the line's adapter was away"),
        ("held", "another program held the line's port"),
        ("denied", "the program was not allowed to open the line's port"),
        ("unusable", "the line's port could not be used"),
        ("unreachable", "the line's host could not be reached"),
    ],
)
def test_a_line_that_was_away_is_the_named_cause_of_its_gap(tmp_path: Path, reason: str, said: str) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 0, 1)
    way: dict[str, object] = {"line": "field", "reason": reason}
    made.event(at("2026-07-15 02:00"), "port_lost", way)
    made.event(at("2026-07-15 07:30"), "port_back", way | {"away_ms": 19_800_000})
    last = runs(made, "2026-07-15 08:00", "2026-07-20 00:00", last + 5, 1)
    for hour in range(4, 8):
        made.event(at(f"2026-07-20 0{hour}:00"), "port_lost", way)
        made.event(at(f"2026-07-20 0{hour}:10"), "port_back", way | {"away_ms": 600_000})
    runs(made, "2026-07-20 08:00", "2026-08-01 03:00", last + 5, 1)
    once, often = (words.gap_cause(gap, ZoneInfo("America/Denver")) for gap in july_of(made).gaps)
    assert once == f"{said} from 2026-07-15 02:00:00 -06:00 to 2026-07-15 07:30:00 -06:00"
    assert (
        often == f"{said} 4 times between 2026-07-20 04:00:00 -06:00 and 2026-07-20 07:10:00 -06:00, for 40 min in all"
    )
    assert said in " ".join(text(made.report(month("2026-07"))).split())


def test_a_line_that_is_away_to_the_end_and_over_a_restart(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-07-30 00:00", 0, 1)
    made.event(at("2026-07-30 01:00"), "port_lost", {"line": "field", "reason": "gone"})
    made.boot(at("2026-07-30 02:00"), "unclean end")
    made.event(at("2026-07-30 02:00"), "port_lost", {"line": "field", "reason": "gone"})
    made.event(at("2026-08-01 02:00"), "stopped", {})
    made.flush()
    (gap,) = july_of(made).gaps
    assert "the line's adapter was away 2 times from 2026-07-30 01:00:00 -06:00 on" in words.gap_cause(
        gap, ZoneInfo("America/Denver")
    )


# --- entries, points, permits


def test_an_entry_that_was_replaced_no_longer_counts(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 0, 1)
    mistaken: dict[str, object] = {"serial": "WRONG", "first_count": None, "note": ""}
    wrong = made.enter(at("2026-08-01 03:01"), "installation", mistaken, about=at("2026-07-05 12:00"))
    right: dict[str, object] = {"serial": "A-1042", "first_count": None, "note": ""}
    made.enter(at("2026-08-01 03:02"), "installation", right, about=made.begins_ms, replaces=wrong)
    point = july_of(made)
    assert [meter.serial for meter in point.meters] == ["A-1042"]
    assert [segment.serial for segment in point.segments] == ["A-1042"]


def test_an_entry_that_cannot_be_taken_is_said_and_does_not_stop_the_report(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    made.enter(made.begins_ms, "visit", {"shows": 7})
    made.enter(made.begins_ms, "installation", {"serial": "A", "first_count": "x"})
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 0, 1)
    shown = " ".join(text(made.report(month("2026-07"))).split())
    assert "shows is not text (got 7); enter it again with --replaces" in shown
    assert "first_count: 'x' is not what a face shows" in shown


def test_a_hand_reading_is_compared_with_the_register_around_it(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 99_999_000, 10)
    moment = at("2026-07-01 12:05")  # between the polls at 99,999,480 and 99,999,490
    for shows in ("99999484", "99999489", "99999491", "99999479", "99999478", "99999492"):
        made.enter(at("2026-08-01 03:01"), "visit", {"shows": shows}, about=moment)
    found = [beside_of(visit) for visit in july_of(made).visits]
    assert [(one.register.face, one.before.face, one.after.face) for one in found] == [
        ("99999483", "99999480", "99999490")
    ] * len(found)
    assert [one.more for one in found] == [1, 6, 8, -4, -5, 9]
    assert [one.agrees for one in found] == [True, True, True, True, False, False]
    assert [one.between for one in found] == [True, True, False, False, False, False]


def beside_of(visit: VisitLine) -> Beside:
    assert visit.beside is not None
    return visit.beside


def test_the_difference_of_a_hand_reading_is_that_of_the_two_numbers_printed(tmp_path: Path) -> None:
    """Whoever checks the report subtracts them; a slip of the first digit is no way round the capacity."""
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 99_882_146, 0)
    moment = at("2026-07-01 12:05")
    for shows in ("49852000", "99851000", "00882146", "00000005"):
        made.enter(at("2026-08-01 03:01"), "visit", {"shows": shows}, about=moment)
    report = made.report(month("2026-07"))
    assert [beside_of(visit).more for visit in report.points[0].visits] == [
        49_852_000 - 99_882_146,
        99_851_000 - 99_882_146,
        10**8 + 882_146 - 99_882_146,  # a hundredth of the capacity behind a rollover is near
        10**8 + 5 - 99_882_146,
    ]
    assert "face 49852000, register 99882146" in (shown := " ".join(text(report).split()))
    assert "50,030,146 below it; DIFFERS: neither between the readings 99882146 at 12:00:00" in shown


def test_behind_a_rollover_the_difference_goes_across_it(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 99_999_520, 10)  # 00000000 at noon
    for shows, moment in (("99999999", "2026-07-01 12:05"), ("00000002", "2026-07-01 11:55")):
        made.enter(at("2026-08-01 03:01"), "visit", {"shows": shows}, about=at(moment))
    found = [beside_of(visit) for visit in july_of(made).visits]
    assert [(one.register.face, one.more, one.agrees) for one in found] == [
        ("99999996", 6, False),
        ("00000003", -4, True),
    ]


def test_a_face_with_fewer_digits_than_the_register_is_compared_as_it_shows_it(tmp_path: Path) -> None:
    """The face shows hundreds of the register's counts in four digits: the register stands at 7 123 4 to 7 125 4."""
    site = SITE.replace("display: {one_count: 100 gal, digits: 8}", "display: {one_count: 1000 gal, digits: 4}")
    made = made_record(tmp_path, "2026-07-01 00:00", site=site)
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 71_234 - 48 * 20, 20)
    for shows in ("7124", "7126", "7127"):
        made.enter(at("2026-08-01 03:01"), "visit", {"shows": shows}, about=at("2026-07-01 12:07:30"))
    found = [beside_of(visit) for visit in july_of(made).visits]
    assert [(one.before.face, one.register.face, one.after.face) for one in found] == [("7123", "7124", "7125")] * 3
    assert [(one.more, one.agrees, one.between) for one in found] == [
        (0, True, True),
        (2, True, False),
        (3, False, False),
    ]


def test_a_hand_reading_of_the_next_morning_is_in_the_month_that_it_closes(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-06-25 00:00")
    runs(made, "2026-06-25 00:00", "2026-08-04 03:00", 0, 1)
    asked = {"2026-06-29 23:00": False, "2026-06-30 08:10": True, "2026-08-01 08:10": True, "2026-08-02 01:00": False}
    for moment in asked:
        made.enter(at("2026-08-04 03:01"), "visit", {"shows": "00000000"}, about=at(moment))
    found = july_of(made).visits
    assert [visit.utc_ms for visit in found] == [at(moment) for moment, shown in asked.items() if shown]
    assert all(visit.beside is not None for visit in found)


def test_a_look_at_a_hand_reading_of_the_next_morning_changes_nothing_else(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-06-25 00:00")
    runs(made, "2026-06-25 00:00", "2026-08-04 03:00", 0, 1)
    before = july_of(made)
    for moment in ("2026-06-30 08:10", "2026-08-01 08:10"):
        made.enter(at("2026-08-04 03:01"), "visit", {"shows": "00000000"}, about=at(moment))
    after = july_of(made)
    assert replace(after, visits=(), stated=before.stated) == before


TWO_POINTS = SITE.replace(
    "permits:",
    "  south-discharge: {well: north, line: field, address: 18, map: inline-a.yaml, every: 15 min, pipe: 8 in}\n"
    "permits:",
)


def test_a_permit_takes_its_share_by_dates_exactly(tmp_path: Path) -> None:
    shares = "[{point: north-discharge, share: 1/3, to: 2026-07-11}, {point: south-discharge, share: 0.25}]"
    site = TWO_POINTS.replace("[{point: north-discharge, share: 1}]", shares)
    site += (
        "  P-OTHER: {kind: licence, points: [{point: north-discharge, share: 2/3, to: 2026-07-11},\n"
        "            {point: north-discharge, share: 1, from: 2026-07-11}, {point: south-discharge, share: 0.75}]}\n"
    )
    made = made_record(tmp_path, "2026-07-01 00:00", site=site)
    for step, now in enumerate(range(at("2026-07-01 00:00"), at("2026-08-01 03:00"), QUARTER_MS)):
        made.read(now, forward_total=step)
        made.read(now + 1000, point="south-discharge", forward_total=2 * step)
    report = made.report(month("2026-07"))
    first = report.permits[0]
    assert first.volume is not None
    assert first.shares[0].volume is not None
    days = report.points[0].days[:10]
    assert first.shares[0].volume.m3 == sum(day.volume.m3 for day in days if day.volume)
    south = report.points[1].volume
    assert south is not None
    assert first.volume.m3 == first.shares[0].volume.m3 / 3 + south.m3 / 4
    other = report.permits[1].volume
    north = report.points[0].volume
    assert other is not None
    assert north is not None
    assert (first.volume + other).m3 == (north + south).m3
    assert [permit.name for permit in made.report(month("2026-07"), ["north-discharge"]).permits] == []


def test_a_point_of_the_site_that_was_never_polled(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00", site=TWO_POINTS)
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 0, 1)
    report = made.report(month("2026-07"))
    assert report.points[1].volume is None
    assert "this point is not on record yet" in text(report)


def test_the_site_is_taken_from_the_record_and_its_newest_acceptance(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 0, 1)
    made.site = made.site.replace("Quail Flat Orchard", "Quail Flat Farm")
    made.accept(at("2026-07-15 00:05"))
    assert made.report(month("2026-07")).site == "Quail Flat Farm"


def test_a_record_without_an_accepted_site_says_what_to_do(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    made.waiting = []
    with Reader(made.folder) as reader, pytest.raises(EdgeFailure, match="tallywell run"):
        accepted_site(reader)


def test_a_corrected_map_does_not_change_what_was_read_under_the_old_one(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    last = runs(made, "2026-07-01 00:00", "2026-07-15 00:00", 0, 1)
    made.maps = {"inline-a.yaml": MAP.replace("revision: 1", "revision: 2")}
    made.accept(at("2026-07-15 00:05"))
    runs(made, "2026-07-15 00:15", "2026-08-01 03:00", last + 1, 1)
    report = made.report(month("2026-07"))
    assert counts_of(report.points[0]) == 31 * 96
    assert len(report.maps) == 2
    assert [remark.kind for remark in report.points[0].remarks] == []


def test_the_same_words_mean_what_the_map_of_their_own_poll_says(tmp_path: Path) -> None:
    """The well stands still while the map's unit is corrected, so that the next poll brings the very same words."""
    made = made_record(tmp_path, "2026-07-01 00:00")
    made.read(at("2026-07-01 00:15"), forward_total=7, flow_rate=3)
    made.maps = {"inline-a.yaml": MAP.replace("unit: gpm", "unit: cfs")}
    made.accept(at("2026-07-01 00:20"))
    for minute in (30, 45):
        made.read(at(f"2026-07-01 00:{minute}"), forward_total=7, flow_rate=3)
    peak = july_of(made).peak
    assert peak is not None
    assert (peak.m3s, peak.begin_ms) == (3 * FLOWS["cfs"], at("2026-07-01 00:30"))


def test_hand_readings_stand_before_the_first_reading_at_or_after_them() -> None:
    def seen(seq: int, utc_ms: int | None) -> Reading:
        return Reading(seq, When(1, seq, utc_ms, 0), Total.exact(seq), Scale(GALLONS_100, 10**8))

    def hand(about_ms: int) -> HandReading:
        return HandReading(f"at {about_ms}", about_ms, Total.exact(0), "ana")

    missed = Missed(3, When(1, 3, 250, 0), "no_answer")
    facts: list[Reading | Missed] = [seen(1, 100), seen(2, None), missed, seen(4, 300)]
    placed = list(with_hands(facts, [hand(999), hand(300), hand(100), hand(101)]))
    assert placed == [hand(100), facts[0], facts[1], facts[2], hand(101), hand(300), facts[3], hand(999)]


# --- the law: begun at readings that fit, and read past the end, it equals the fold from the beginning


def troubled(path: Path, seed: int) -> MadeRecord:
    """Half a year at a poll every two hours with glitches, outages, reboots and rollovers drawn by a seed."""
    print("seed", seed)
    random = Random(seed)
    made = made_record(path, "2026-03-01 00:00")
    made.enter(made.begins_ms, "installation", {"serial": "A", "first_count": None})
    count, now, until = random.randrange(10**8), made.begins_ms, 0
    while now < at("2026-09-01 00:00"):
        count += random.randrange(900)
        if now >= until and random.random() < 0.01:
            until = now + random.randrange(20 * 24 * HOUR_MS)
        if random.random() < 0.005:
            made.boot(now, random.choice(["stopped", "unclean end"]))
        if now < until:
            made.miss(now, "no_answer")
        else:
            shown = random.randrange(10**8) if random.random() < 0.01 else count % 10**8
            made.read(now, forward_total=shown)
        now += 2 * HOUR_MS + random.randrange(-5_000, 5_000)
    return made


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_month_costs_a_month_and_equals_the_fold_from_the_beginning(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = troubled(tmp_path, seed)
    months = [month(f"2026-{number:02d}") for number in range(4, 9)]
    short = [made.report(each).points[0] for each in months]
    monkeypatch.setattr(Stream, "start_seq", lambda _: 1)
    whole = [made.report(each).points[0] for each in months]
    assert short == whole
    year = made.report(between(months[0].first, months[-1].end)).points[0]
    for each, alone in zip(year.months, short, strict=False):
        assert each.volume == alone.volume


@pytest.mark.parametrize("seed", [5])
def test_the_same_record_gives_the_same_bytes(tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    made = troubled(tmp_path, seed)
    made.flush()
    prints = set()
    for zone in ("UTC", "Pacific/Auckland"):
        monkeypatch.setenv("TZ", zone)
        with Reader(made.folder) as reader:
            report: Report = period_report(reader, accepted_site(reader), calendar_year("2026"))
        prints.add((text(report), csv(report)))
    assert len(prints) == 1


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    """Writers of a test are closed behind it, so that their locks do not outlive it."""
    yield
    while MadeRecord.open_ones:
        MadeRecord.open_ones.pop().close()


def test_a_wrong_value_that_fits_just_behind_the_end_does_not_move_water_between_two_months(tmp_path: Path) -> None:
    """It fits the last reading of the month, and the two after it fall below it: only the fourth decides."""
    made = made_record(tmp_path, "2026-07-30 00:00")
    last = runs(made, "2026-07-30 00:00", "2026-07-31 23:50", 1000, 10)
    made.read(at("2026-08-01 00:05"), forward_total=last + 100)
    runs(made, "2026-08-01 00:20", "2026-08-02 00:20", last + 20, 10)
    july, august = (made.report(month(name)).points[0] for name in ("2026-07", "2026-08"))
    assert july.end is not None
    assert july.end == august.begin
    assert (july.end.low, july.end.high) == (last, last + 20)
    assert counts_of(july) + counts_of(august) == counts_of(made.report(calendar_year("2026")).points[0])


def test_a_permit_says_which_of_its_points_is_not_in_its_volume(tmp_path: Path) -> None:
    both = "[{point: north-discharge, share: 1}, {point: south-discharge, share: 1}]"
    made = made_record(
        tmp_path, "2026-07-01 00:00", site=TWO_POINTS.replace("[{point: north-discharge, share: 1}]", both)
    )
    runs(made, "2026-07-01 00:00", "2026-08-01 03:00", 0, 4)
    report = made.report(month("2026-07"))
    assert report.permits[0].volume is not None
    assert report.permits[0].unknown == ("south-discharge",)
    said = " ".join(text(report).split("Permits\n")[1].split())
    assert "acre-feet (at least " in said
    assert "the volume of south-discharge is unknown and not in it" in said
    row = next(line for line in csv(report).splitlines() if ",permit,P-2041,2026" in line)
    assert "metered in part" in row
    assert "the volume of south-discharge is unknown and not in it" in row


def test_a_volume_says_what_it_does_not_hold(tmp_path: Path) -> None:
    """The bounds are of what lies between readings: before the first anything may have flowed."""
    made = made_record(tmp_path, "2026-07-10 00:00")
    runs(made, "2026-07-10 00:00", "2026-08-01 03:00", 0, 4)
    report = made.report(month("2026-07"))
    assert report.points[0].volume is not None
    assert report.points[0].volume.unread_ms == 9 * 24 * HOUR_MS
    said = " ".join(text(report).split())
    unread = "not in it: 9 d 00 h 00 min before the first or after the last reading"
    assert said.count(unread) == 2  # at the point and at its permit
    assert "528 of 744 h known" in said
    assert csv(report).count("metered in part") == 3  # point, month and permit


def test_a_first_count_at_the_very_beginning_is_entered_and_not_read(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-06-30 00:00")
    made.enter(at("2026-07-02 00:00"), "installation", {"serial": "A-1", "first_count": "7"}, at("2026-07-01 00:00"))
    runs(made, "2026-07-01 00:05", "2026-08-01 03:00", 9, 1)
    point = july_of(made)
    assert point.begin is not None
    assert (point.begin.seen.count, point.begin.how) == (7, How.ENTERED)


def test_a_first_count_is_a_volume_whatever_the_map_of_its_meter_counts_in(tmp_path: Path) -> None:
    """The older meter counted single gallons; its face showed 100 x 100 gal when it was hung."""
    old = MAP.replace("map: inline-a", "map: inline-old").replace("one_count: 100 gal", "one_count: 1 gal")
    made = made_record(tmp_path, "2026-07-01 00:00", maps={"inline-a.yaml": MAP, "old.yaml": old})
    made.enter(at("2026-07-01 00:00"), "installation", {"serial": "OLD", "first_count": "00000100"})
    for step, now in enumerate(range(at("2026-07-01 00:15"), at("2026-07-11 00:00"), QUARTER_MS)):
        made.read(now, map_="old.yaml", forward_total=10_500 + 100 * step)
    made.enter(at("2026-07-11 00:00"), "installation", {"serial": "NEW", "first_count": "00000005"})
    runs(made, "2026-07-11 00:15", "2026-08-01 03:00", 6, 1)
    point = july_of(made)
    assert [(segment.serial, segment.begin.count) for segment in point.segments] == [("OLD", 10_000), ("NEW", 5)]
    assert not [remark for remark in point.remarks if remark.kind in (Kind.UNEXPLAINED_DECREASE, Kind.IMPOSSIBLE_STEP)]


def test_one_digit_of_a_coarse_face_is_a_bound_of_the_first_count_and_no_decrease(tmp_path: Path) -> None:
    """0.001 acre-foot is 325.85 gal: the face shows 1 from the 326th gallon to the 651st.

    The next reading narrows it: the total cannot have been higher before.
    """
    site = SITE.replace("one_count: 100 gal", "one_count: 0.001 acre_foot")
    maps = {"inline-a.yaml": MAP.replace("one_count: 100 gal", "one_count: 1 gal")}
    for first, least, most in ((325, 9, 10), (600, 10, 285)):
        made = made_record(tmp_path / str(first), "2026-07-01 00:00", site=site, maps=maps)
        made.enter(at("2026-07-01 00:00"), "installation", {"serial": "A-1", "first_count": "00000001"})
        made.read(at("2026-07-01 00:15"), forward_total=first)
        for quarter in range(2, 10):
            made.read(at("2026-07-01 00:00") + quarter * QUARTER_MS, forward_total=first + 10)
        point = july_of(made)
        assert point.volume is not None
        assert [segment.serial for segment in point.segments] == ["A-1"]
        assert point.volume.low_m3 == least * VOLUMES["gal"]
        assert point.volume.high_m3 == most * VOLUMES["gal"]


def test_bounds_of_several_rounds_are_all_of_the_face(tmp_path: Path) -> None:
    maps = {"inline-a.yaml": MAP.replace("digits: 8", "digits: 4")}
    made = made_record(tmp_path, "2026-07-29 00:00", maps=maps)
    runs(made, "2026-07-29 00:00", "2026-07-30 00:00", 0, 40)
    runs(made, "2026-08-02 00:00", "2026-08-02 02:00", 5_000, 40)
    point = july_of(made)
    assert point.end is not None
    assert (point.end.low, point.end.high) == (0, 9_999)


def test_one_reading_is_not_called_none(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-20 00:00")
    made.read(at("2026-07-20 00:15"), forward_total=55)
    assert "unknown, not zero: one good reading alone" in text(made.report(month("2026-07")))


def test_a_gap_in_which_the_record_ends_may_be_still_to_come(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    runs(made, "2026-07-01 00:00", "2026-07-14 10:00", 0, 4)
    made.miss(at("2026-07-14 10:15"), "no_answer")
    shown = " ".join(text(made.report(month("2026-07"))).split())
    assert "the record ends in it, so part of it may be still to come; the meter did not answer (1 poll)" in shown
    assert "not in it: 17 d 14 h 00 min" in shown


def test_a_face_finer_than_the_register_says_so(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00", site=SITE.replace("one_count: 100 gal", "one_count: 1 gal"))
    runs(made, "2026-07-01 00:00", "2026-07-02 00:00", 0, 4)
    said = " ".join(text(made.report(month("2026-07"))).split())
    assert "finer than the register, so the last digits shown are not known" in said


def test_a_time_that_may_be_off_is_said_beside_its_reading(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00", undated=True)
    for quarter in range(8):
        made.read(at("2026-07-01 00:00") + quarter * QUARTER_MS, forward_total=quarter)
    told = {
        "it_is_ms": at("2026-07-01 03:00"),
        "within_ms": 120_000,
        "boot_id": "boot-1",
        "boot_ms": 1_000_000 + 3 * HOUR_MS,
    }
    made.enter(at("2026-07-01 03:00"), "clock", told)
    shown = text(made.report(month("2026-07")))
    assert "read; its time within 2 min" in shown


def test_a_hand_reading_is_compared_in_the_counts_of_its_own_time(tmp_path: Path) -> None:
    """The meter counted single gallons when it was read by hand, and hundreds since."""
    old = MAP.replace("map: inline-a", "map: inline-old").replace("one_count: 100 gal", "one_count: 1 gal")
    made = made_record(tmp_path, "2026-07-01 00:00", maps={"inline-a.yaml": MAP, "old.yaml": old})
    for step, now in enumerate(range(at("2026-07-01 00:00"), at("2026-07-11 00:00"), QUARTER_MS)):
        made.read(now, map_="old.yaml", forward_total=10_000 + 100 * step)
    made.enter(at("2026-07-06 00:00"), "visit", {"shows": "00000580", "note": ""})
    runs(made, "2026-07-11 00:00", "2026-08-01 03:00", 1_060, 1)
    report = made.report(month("2026-07"))
    assert [beside_of(visit).agrees for visit in report.points[0].visits] == [True]
    assert text(report).count("the volume of one count changed") == 1


# --- a register that scales itself

SCALED = MAP.replace("digits: 8", "digits: 6, exponent_from: exponent") + (
    "  exponent:      {table: input, register: 4, type: int16, valid: {from: 0, to: 3}}\n"
)


def test_a_map_that_takes_an_exponent_in_goes_on_in_the_same_segment(tmp_path: Path) -> None:
    """Until noon the map had no exponent, which was 0; at three o'clock, at a million counts, it becomes 1."""
    made = made_record(tmp_path, "2026-07-01 00:00", maps={"inline-a.yaml": MAP.replace("digits: 8", "digits: 6")})
    begin_ms = at("2026-07-01 00:00")
    for now in range(begin_ms, at("2026-08-01 06:00"), QUARTER_MS):
        if now == at("2026-07-01 12:00"):
            made.maps = {"inline-a.yaml": SCALED}
            made.accept(now)
        count = 999_400 + 10 * ((now - begin_ms) // QUARTER_MS)
        made.read(now, forward_total=count, exponent=int(count >= 10**6))
    point = july_of(made)
    (segment,) = point.segments
    assert segment.balances
    assert (segment.begin.count, segment.rollovers, segment.counts) == (999_400, 0, 10 * 31 * 96)
    assert counts_of(point) == segment.counts
    assert [remark.kind for remark in point.remarks] == []


def test_where_no_face_is_stated_all_that_a_register_can_come_to_is_shown(tmp_path: Path) -> None:
    site = SITE.replace(", display: {one_count: 100 gal, digits: 8}", "")
    made = made_record(tmp_path, "2026-07-01 00:00", site=site, maps={"inline-a.yaml": SCALED})
    for now in range(at("2026-07-01 00:00"), at("2026-08-01 02:00"), QUARTER_MS):
        made.read(now, forward_total=1_234_560, exponent=1)
    made.enter(at("2026-07-02 12:00"), "visit", {"shows": "1234560", "note": ""})
    point = july_of(made)
    assert not point.face_stated
    assert point.end is not None
    assert point.end.seen.face == "001234560"
    assert [(beside_of(visit).agrees, visit.fault) for visit in point.visits] == [(True, "")]

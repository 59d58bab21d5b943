"""Torn and frozen readings in a month's report: named, with times and polls, and the volume right."""

from pathlib import Path

from tallywell.ledger.intervals import Flag, Kind
from tallywell.ledger.periods import month
from tallywell.reports.csv_layout import csv
from tallywell.reports.model import PointReport, Report
from tallywell.reports.text import text
from tests.service.made_record import QUARTER_MS, MadeRecord, at, made_record

PUMPED = 112  # counts of 100 gal in a quarter of an hour
FIRST = 65_400  # so that a word's carry comes on the first day


def july(path: Path, frozen: tuple[str, str] = ("", ""), torn: str = "", until: str = "2026-08-01 02:00") -> MadeRecord:
    """The pump runs all month; its flow rate is never the same twice."""
    made = made_record(path, "2026-07-01 00:00")
    made.enter(made.begins_ms, "installation", {"serial": "A-1042", "first_count": "00065400", "note": ""})
    begins, ends = (at(one) if one else 0 for one in frozen)
    for now in range(made.begins_ms, at(until) + 1, QUARTER_MS):
        quarters = ((begins if begins <= now < ends else now) - made.begins_ms) // QUARTER_MS
        count = FIRST + PUMPED * quarters
        if torn and now == at(torn):
            count -= 65_536
        made.read(now, forward_total=count, flow_rate=746.0 + quarters % 97 / 8)
    return made


def reported(made: MadeRecord) -> tuple[Report, PointReport]:
    report = made.report(month("2026-07"))
    return report, report.points[0]


def counts(point: PointReport) -> int:
    return sum(each.counts for each in point.segments)


def test_a_torn_reading_has_its_name_and_costs_nothing(tmp_path: Path) -> None:
    report, point = reported(july(tmp_path, torn="2026-07-14 12:00"))
    assert counts(point) == PUMPED * 31 * 96
    assert [one.kind for one in point.remarks] == [Kind.TORN]
    assert "is torn: the meter gave words of two instants" in text(report)
    assert "torn reading set aside" in text(report)
    assert "torn" in csv(report)


def test_a_frozen_stretch_is_a_gap_with_its_times_and_polls(tmp_path: Path) -> None:
    """From 10:00 on the 20th to 14:00 on the 22nd: 52 hours, in which it counted on."""
    report, point = reported(july(tmp_path, ("2026-07-20 10:00", "2026-07-22 14:00")))
    assert counts(point) == PUMPED * 31 * 96, "what it counted meanwhile is in the books"
    (gap,) = point.gaps
    assert (gap.begin_ms, gap.end_ms) == (at("2026-07-20 10:00"), at("2026-07-22 14:00"))
    assert gap.missed == (("frozen", 52 * 4 - 1),)
    (remark,) = point.remarks
    assert (remark.kind, Flag.FROZEN in remark.flags) == (Kind.ACROSS_GAP, True)
    printed = text(report)
    assert "the meter was frozen: it sent the same words to the last bit" in printed
    assert "(207 polls)" in " ".join(printed.split())
    assert "wholly in a gap" in next(line for line in printed.splitlines() if line.lstrip().startswith("2026-07-21"))


def test_a_meter_that_is_frozen_still_leaves_the_rest_of_the_month_unknown(tmp_path: Path) -> None:
    """Also where the record, and the same words, go on behind the month."""
    report, point = reported(july(tmp_path, ("2026-07-20 10:00", "2027-01-01 00:00")))
    assert counts(point) == PUMPED * (19 * 96 + 40)
    assert point.volume is not None
    assert point.volume.unread_ms == at("2026-08-01 00:00") - at("2026-07-20 10:00")
    (gap,) = point.gaps
    assert (gap.begin_ms, gap.end_ms) == (at("2026-07-20 10:00"), at("2026-08-01 00:00"))
    assert dict(gap.missed)["frozen"] == (at("2026-08-01 02:00") - at("2026-07-20 10:00")) // QUARTER_MS
    assert [one.kind for one in point.remarks] == [Kind.FROZEN]
    assert "from this reading on" in text(report)
    assert report.provisional, "it may move yet, and then what it counted is in the books"


def test_a_month_in_which_it_was_frozen_all_the_time(tmp_path: Path) -> None:
    made = july(tmp_path, ("2026-07-20 10:00", "2027-01-01 00:00"), until="2026-08-20 00:00")
    made.event(at("2026-08-20 00:01"), "clock_stepped")
    for now in range(at("2026-08-20 00:15"), at("2026-09-02 00:00"), QUARTER_MS):
        made.read(now, forward_total=FIRST + PUMPED * (19 * 96 + 40), flow_rate=746.0 + (19 * 96 + 40) % 97 / 8)
    report = made.report(month("2026-08"))
    point = report.points[0]
    assert not point.remarks
    assert point.volume is None or point.volume.unread_ms == 31 * 86_400_000
    (gap,) = point.gaps
    assert (gap.begin_ms, gap.end_ms) == (at("2026-08-01 00:00"), at("2026-09-01 00:00"))
    assert "clock_stepped" in gap.cause
    assert "the meter was frozen" in text(report)


def test_a_month_that_begins_while_it_is_frozen(tmp_path: Path) -> None:
    """The gap begins where it froze, in the month before; whichever month is asked for."""
    made = july(tmp_path, ("2026-07-20 10:00", "2026-08-03 14:00"), until="2026-09-02 00:00")
    (gap,) = made.report(month("2026-08")).points[0].gaps
    assert (gap.begin_ms, gap.end_ms) == (at("2026-07-20 10:00"), at("2026-08-03 14:00"))
    (same,) = made.report(month("2026-07")).points[0].gaps
    assert same == gap

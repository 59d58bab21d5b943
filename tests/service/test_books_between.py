"""A period between two readings: its counts are read and not divided, and periods that follow one another add up."""

from pathlib import Path

from tallywell.ledger.periods import month
from tallywell.readings.units import GALLON
from tallywell.reports.model import How
from tallywell.reports.text import text
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.store.query import Reader

from .made_record import QUARTER_MS, MadeRecord, at, made_record


def made_of(tmp_path: Path) -> MadeRecord:
    """Polls seven minutes off the quarters, so that none stands at a midnight."""
    made, count, now = made_record(tmp_path, "2026-05-31 12:00"), 5_000, at("2026-05-31 12:07")
    while now < at("2026-08-01 04:00"):
        made.read(now, forward_total=count, flow_rate=46.7)
        count, now = count + 7, now + QUARTER_MS
    made.flush()
    return made


def test_begin_and_end_are_readings_and_months_add_up(tmp_path: Path) -> None:
    made = made_of(tmp_path)
    with Reader(made.folder) as reader:
        accepted = accepted_site(reader)
        june, july = (period_report(reader, accepted, month(name), between=True) for name in ("2026-06", "2026-07"))
        both = [report.points[0] for report in (june, july)]
        for point in both:
            assert point.begin is not None
            assert point.end is not None
            assert point.volume is not None
            assert (point.begin.how, point.end.how) == (How.READ, How.READ)
            assert point.volume.m3 / GALLON == (point.end.seen.count - point.begin.seen.count) * 100
            assert sum(day.volume.m3 for day in point.days if day.volume) == point.volume.m3
    assert both[0].begin is not None
    assert both[0].begin.seen.utc_ms == at("2026-05-31 23:52")
    assert both[0].end is not None
    assert both[1].begin is not None
    assert both[0].end.seen == both[1].begin.seen, "the next begin is this end"
    shown = text(june)
    assert shown.splitlines()[1] == "Volumes of 2026-06, from reading to reading"
    assert "from           each point's last reading at or before 2026-06-01 00:00:00 -06:00" in shown
    assert "to             its last reading at or before 2026-07-01 00:00:00 -06:00" in shown
    spanned = "2026-05-31 23:52:00 -06:00 to 2026-06-30 23:52:00 -06:00, from reading to reading"
    assert spanned in " ".join(shown.split())


def test_where_nothing_was_read_before_it_the_period_begins_as_ever(tmp_path: Path) -> None:
    made = made_of(tmp_path)
    with Reader(made.folder) as reader:
        point = period_report(reader, accepted_site(reader), month("2026-05"), between=True).points[0]
    assert point.begin is not None
    assert point.begin.how is How.FIRST

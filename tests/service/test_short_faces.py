"""A face with fewer digits than the register: what a person copies from it is understood as the face shows it."""

from datetime import date
from pathlib import Path

import pytest

from tallywell.ledger.intervals import Kind
from tallywell.ledger.periods import between
from tallywell.reports.model import PointReport
from tests.service.made_record import QUARTER_MS, SITE, MadeRecord, at, made_record

SHORT = SITE.replace("display: {one_count: 100 gal, digits: 8}", "display: {one_count: 100 gal, digits: 5}")


def read(made: MadeRecord, begins: str, ends: str, count: int, step: int = 100) -> int:
    for now in range(at(begins), at(ends), QUARTER_MS):
        made.read(now, forward_total=count)
        count += step
    return count


def reported(made: MadeRecord) -> PointReport:
    return made.report(between(date(2026, 7, 3), date(2026, 7, 31))).points[0]


@pytest.mark.parametrize(("noted", "minutes"), [("12:03", 3), ("12:14", 14)])
def test_a_final_count_and_a_first_count(tmp_path: Path, noted: str, minutes: int) -> None:
    """The old register ends at 12,349,530 and the new one begins at 7,000,012; both faces have five digits."""
    made = made_record(tmp_path, "2026-07-03 00:00", site=SHORT)
    assert read(made, "2026-07-03 00:00", "2026-07-03 12:01", 12_344_700) - 100 == 12_349_500
    content: dict[str, object] = {"serial": "B-2", "old_final": "49530", "first_count": "00012", "note": ""}
    made.enter(at("2026-07-03 13:00"), "changeout", content, about=at(f"2026-07-03 {noted}"))
    read(made, "2026-07-03 12:15", "2026-07-03 18:00", 7_000_030)
    point = reported(made)
    assert minutes < 15
    assert [(one.begin.count, one.end.count) for one in point.segments] == [
        (12_344_700, 12_349_530),
        (7_000_012, 7_002_230),
    ]
    assert not [one.kind for one in point.remarks if one.kind is Kind.UNEXPLAINED_DECREASE]


def test_a_slip_in_the_final_count_is_still_named(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-03 00:00", site=SHORT)
    read(made, "2026-07-03 00:00", "2026-07-03 12:01", 12_344_700)
    content: dict[str, object] = {"serial": "B-2", "old_final": "48530", "first_count": "00012", "note": ""}
    made.enter(at("2026-07-03 13:00"), "changeout", content, about=at("2026-07-03 12:03"))
    read(made, "2026-07-03 12:15", "2026-07-03 18:00", 30)
    point = reported(made)
    assert any("final" in flag.value for one in point.remarks for flag in one.flags)


def test_the_faces_of_a_season_make_its_days_explicit_zeros(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-03 00:00", site=SHORT)
    last = read(made, "2026-07-03 00:00", "2026-07-03 12:01", 12_344_700) - 100
    for kind, when in (("shutdown", "2026-07-03 12:03"), ("startup", "2026-07-20 08:00")):
        made.enter(at("2026-07-20 09:00"), kind, {"shows": f"{last % 10**5:05d}", "note": ""}, about=at(when))
    read(made, "2026-07-20 08:15", "2026-07-20 12:00", last + 80)
    point = reported(made)
    assert point.volume is not None
    assert [day.volume.m3 for day in point.days if day.volume is not None][5] == 0
    assert not point.unallocated
    assert len(point.segments) == 1

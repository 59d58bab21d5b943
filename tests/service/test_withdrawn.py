"""A withdrawn entry is as if it had not been made, whatever its kind; the report says that it was."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from tallywell.ledger.periods import between
from tallywell.readings.statements import Withdrawn
from tallywell.reports.csv_layout import csv
from tallywell.reports.model import PointReport, Report
from tallywell.reports.text import text
from tallywell.stated.withdrawn import withdrawn_content
from tests.reports.stories import pumped
from tests.service.made_record import MadeRecord, at, made_record

DAYS = between(date(2026, 7, 2), date(2026, 7, 4))
WHEN = "2026-07-03 12:05"
ENTRIES: dict[str, dict[str, object]] = {
    "visit": {"shows": "00012345", "note": ""},
    "installation": {"serial": "B-2", "first_count": "00010000", "note": ""},
    "changeout": {"serial": "B-2", "first_count": "00000000", "old_final": None, "note": ""},
    "moved": {"to": "south-discharge", "serial": "A-1", "final": "00012800", "first_count": "00012800", "note": ""},
    "shutdown": {"shows": None, "note": ""},
    "startup": {"shows": None, "note": ""},
    "settle": {"reset": True, "first_count": "00000000", "note": ""},
    "out-of-use": {"begin_ms": at("2026-07-02 00:00"), "end_ms": None, "because": "fallow"},
    "estimate": {
        "begin_ms": at("2026-07-03 00:00"),
        "end_ms": at("2026-07-03 06:00"),
        "standing": "in addition to",
        "because": "leak",
        "method": "volume",
        "volume": "3 acre_foot",
    },
    "accuracy-test": {"error": "1/50", "reference": "tank", "tester": "Ana", "note": ""},
    "wireseal": {"number": "4471", "state": "put on", "note": ""},
    "remark": {"text": "new pump"},
}


def reported(path: Path, kind: str = "", *, back: bool = False) -> Report:
    made: MadeRecord = made_record(path, "2026-07-01 00:00")
    pumped(made, "2026-07-01 00:00", "2026-07-05 06:00", 10_000)
    if kind:
        uuid = made.enter(at("2026-07-05 12:00"), kind, ENTRIES[kind], about=at(WHEN))
        if back:
            to = "south-discharge" if kind == "moved" else None
            content = withdrawn_content(kind, "entered twice", to)
            made.enter(at("2026-07-05 12:05"), "withdraw", content, about=at(WHEN), replaces=uuid)
    return made.report(DAYS)


def bare(report: Report) -> PointReport:
    (point,) = report.points
    return replace(point, stated=replace(point.stated, withdrawn=(), entries=()))


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> PointReport:
    return bare(reported(tmp_path_factory.mktemp("without")))


@pytest.mark.parametrize("kind", ENTRIES)
def test_the_books_are_as_if_it_had_not_been_made(tmp_path: Path, without: PointReport, kind: str) -> None:
    (tmp_path / "with").mkdir()
    entered, taken_back = reported(tmp_path / "with", kind), reported(tmp_path, kind, back=True)
    assert bare(taken_back) == without
    if kind != "startup":  # alone it begins nothing
        assert bare(entered) != without
    (found,) = taken_back.points[0].stated.withdrawn
    assert isinstance(found, Withdrawn)
    assert (found.kind, found.reason, found.author, found.about_ms) == (kind, "entered twice", "ana", at(WHEN))
    assert len(taken_back.points[0].stated.entries) == 1, "a report names every entry that served"
    said = f"{kind} {found.of[:8]} is withdrawn: entered twice; by ana, entry {found.uuid[:8]}"
    assert said in " ".join(text(taken_back).split())
    assert said in csv(taken_back)

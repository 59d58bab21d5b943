"""A month's report costs a month: SQLite's own steps, counted by its progress handler, do not grow with the record."""

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.ledger.periods import month
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.store.query import Reader
from tests.service.made_record import MadeRecord, at, made_record

EVERY_MS = 2 * 3_600_000
GPM = 100 / 120  # one count of 100 gal in two hours
DEAD = (at("2026-05-01 00:00"), at("2026-07-01 06:00"))


def record(path: Path, begins: str, dead: bool, no_flow: bool) -> MadeRecord:
    made = made_record(path, begins)
    for step, now in enumerate(range(made.begins_ms, at("2026-09-01 00:00"), EVERY_MS)):
        if dead and DEAD[0] <= now < DEAD[1]:
            made.miss(now, "no_answer")
        else:
            made.read(now, forward_total=step, flow_rate=0.0 if no_flow else GPM)
    made.flush()
    MadeRecord.open_ones.pop().close()
    return made


def counting(steps: list[int], seen: list[str]) -> Callable[..., sqlite3.Connection]:
    """A connection that counts SQLite's steps and keeps its statements."""

    def connect(*words: object, **named: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = sqlite3.connect(*words, **named)  # type: ignore[call-overload]  # named values of a test

        def step() -> int:
            steps[0] += 1
            return 0

        connection.set_progress_handler(step, 1)
        connection.set_trace_callback(seen.append)
        return connection

    return connect


def steps_of(made: MadeRecord) -> int:
    steps, seen = [0], list[str]()
    with Reader(made.folder, counting(steps, seen)) as reader:
        report = period_report(reader, accepted_site(reader), month("2026-07"))
    assert report.points[0].volume is not None
    _no_scan(made, seen)
    return steps[0]


def _no_scan(made: MadeRecord, seen: list[str]) -> None:
    """No statement walks all of poll, event or anchor (the query planner's own word for it is SCAN)."""
    with sqlite3.connect(made.folder.path / "record.db") as connection:
        for statement in {each for each in seen if each.lstrip().upper().startswith("SELECT")}:
            plan = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {statement}")]
            assert not [each for each in plan if each.split()[:2] in (["SCAN", t] for t in ("poll", "event", "anchor"))]


@pytest.mark.parametrize(("dead", "no_flow"), [(False, False), (True, False), (False, True)])
def test_ten_years_on_record_cost_no_more_than_two(tmp_path: Path, dead: bool, no_flow: bool) -> None:
    """Where the flow rate is dead all the time, a fold begins as far back as it ever looks, which is a year."""
    two = steps_of(record(tmp_path / "two", "2024-09-01 00:00", dead, no_flow))
    ten = steps_of(record(tmp_path / "ten", "2016-09-01 00:00", dead, no_flow))
    print(f"steps with two years {two:,}, with ten {ten:,}, {ten / two:.3f} times")
    assert ten <= 1.05 * two

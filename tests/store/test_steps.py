"""A month costs a month: SQLite's own count of virtual machine steps, with one year and with ten on record."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

from tallywell.readings.clocks import When
from tallywell.readings.facts import Poll
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

HOUR_MS = 3_600_000
START_MS = 1_600_000_000_000
MONTH_H = 30 * 24


class Counting:
    """Counts the steps of every connection it makes and keeps each statement once."""

    def __init__(self) -> None:
        self.steps = 0
        self.statements: set[str] = set()

    def connect(self, *path: object, **options: object) -> sqlite3.Connection:
        made: sqlite3.Connection = sqlite3.connect(*path, **options)  # type: ignore[call-overload]  # named values of a test
        made.set_progress_handler(self._step, 1)
        made.set_trace_callback(self.statements.add)
        return made

    def _step(self) -> int:
        self.steps += 1
        return 0


def month(folder: RecordFolder, hours: int, point: int) -> tuple[Counting, int]:
    """What a report of 30 days reads: the range, its polls, back to 3 good ones, on to 3 good ones."""
    counting = Counting()
    end = START_MS + (hours - 168) * HOUR_MS
    with Reader(folder, counting.connect) as reader:
        first, last = reader.seq_range(end - MONTH_H * HOUR_MS, end)
        before = sum(1 for _ in _until_three(reader.polls_back(point, first)))
        inside = sum(1 for _ in reader.polls(point, first, last))
        sum(1 for _ in islice(reader.polls(point, last + 1, last + 500), 3))
        sum(1 for _ in reader.events(first, last))
        reader.last_accepted(first)
        assert reader.last_dated(last)
        print(f"{hours // 8760} years: {first}..{last}, {before} polls before, {inside} inside, {counting.steps} steps")
    return counting, inside


def _until_three(polls: Iterator[tuple[Poll, When]]) -> Iterator[Poll]:
    good = 0
    for poll, _ in polls:
        yield poll
        good += poll.fault is None
        if good == 3:
            return


def test_a_month_takes_the_same_steps_with_ten_years_as_with_one(
    tmp_path: Path, make_long: Callable[..., RecordFolder]
) -> None:
    """Point 1 was dead for two months before that month and in it, point 2 never."""
    short = make_long(RecordFolder(tmp_path / "one"), 1, dead_months=2)
    long = make_long(RecordFolder(tmp_path / "ten"), 10, dead_months=2)
    for point in (1, 2):
        one, inside_one = month(short, 8760, point)
        ten, inside_ten = month(long, 87600, point)
        assert abs(inside_one - inside_ten) <= 2
        print(f"point {point}: {ten.steps / one.steps:.4f} times the steps")
        assert ten.steps <= 1.05 * one.steps
    _every_statement_goes_by_key(long, ten.statements | one.statements)


def _every_statement_goes_by_key(folder: RecordFolder, statements: set[str]) -> None:
    with closing(sqlite3.connect(folder.db)) as plain:
        for statement in sorted(statements):
            if statement.startswith("SELECT") and "sqlite_master" not in statement:
                for *_, how in plain.execute(f"EXPLAIN QUERY PLAN {statement}"):
                    assert _by_key(statement, how), f"{statement}: {how}"


def _by_key(statement: str, how: str) -> bool:
    """Entries and the schema's own list are read whole; max(seq) is the table's last row, which SQLite goes to at once
    (https://sqlite.org/optoverview.html, "MIN/MAX optimization").
    """
    if how in ("SCAN change", "SCAN entry"):
        return True
    last_row = statement.startswith("SELECT max(seq) FROM") and "WHERE" not in statement
    return how.startswith("SEARCH") and ("INTEGER PRIMARY KEY" in how or last_row)

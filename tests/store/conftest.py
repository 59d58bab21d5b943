"""A record in a folder of its own, and a long one made up in seconds."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import astuple, dataclass
from pathlib import Path

import pytest

from tallywell.readings.exchange import Read
from tallywell.readings.facts import Anchor, Event, Fact, Poll
from tallywell.store import schema
from tallywell.store.append import Writer, open_writer
from tallywell.store.database import RecordFolder

HOUR_MS = 3_600_000
START_MS = 1_600_000_000_000
READS = (Read(4, 0, 8),)


@dataclass(frozen=True)
class Kit:
    """A writer with one map, plan and point, and the shortest way to a poll."""

    folder: RecordFolder
    writer: Writer
    point: int
    plan: int

    def poll(self, boot_ms: int = 0, utc_ms: int | None = None, seq: int | None = None, **more: object) -> Poll:
        row: dict[str, object] = {"got": 1, "raw": bytes(16), "fault": None, "refused": None, **more}
        number = self.writer.next_seq() if seq is None else seq
        run = self.writer.run.id
        return Poll(number, run, self.point, self.plan, boot_ms, START_MS + boot_ms, utc_ms, **row)  # type: ignore[arg-type]  # named values of a test

    def event(self, boot_ms: int = 0, name: str = "noted", content: str = "{}") -> Event:
        return Event(self.writer.next_seq(), self.writer.run.id, boot_ms, START_MS + boot_ms, name, content)

    def anchor(self, boot_ms: int, utc_ms: int, half_width_ms: int = 100) -> Anchor:
        return Anchor(self.writer.next_seq(), self.writer.run.id, boot_ms, utc_ms, half_width_ms)

    def add(self, *facts: Fact) -> None:
        self.writer.append(facts)


def kit_of(
    folder: RecordFolder, boot_id: str = "boot-1", connect: Callable[..., sqlite3.Connection] | None = None
) -> Kit:
    writer = open_writer(folder, "0.test", boot_id, connect or sqlite3.connect)
    plan = writer.plan(writer.text("map", "map: invented\n"), READS)
    return Kit(folder, writer, writer.point("north"), plan)


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    made = RecordFolder(tmp_path / "quail.record")
    made.create()
    return made


@pytest.fixture
def kit(folder: RecordFolder) -> Iterator[Kit]:
    made = kit_of(folder)
    yield made
    made.writer.close()


@pytest.fixture
def again() -> Callable[..., Kit]:
    """Open a writer on a folder, with another boot id if wanted."""
    return kit_of


def facts_of(hours: int, dead_from: int) -> Iterator[tuple[str, tuple[object, ...]]]:
    """Hourly polls of two points and hourly anchors; a reboot every week, whose first two hours are not yet dated.

    From hour `dead_from` on, point 1 gives no answer.
    """
    seq = 0
    for hour in range(hours):
        week, in_week = divmod(hour, 168)
        boot_ms = in_week * HOUR_MS
        utc_ms = START_MS + hour * HOUR_MS
        if in_week >= 2:
            seq += 1
            yield "anchor", astuple(Anchor(seq, week + 1, boot_ms, utc_ms, 100))
        if in_week == 0:
            seq += 1
            yield "event", astuple(Event(seq, week + 1, boot_ms, boot_ms, "accepted", "{}"))
        for point in (1, 2):
            seq += 1
            dead = point == 1 and hour >= dead_from
            fault, got, raw = ("no_answer", 0, None) if dead else (None, 1, bytes(16))
            dated = utc_ms if in_week >= 2 else None
            yield "poll", astuple(Poll(seq, week + 1, point, 1, boot_ms, boot_ms, dated, got, raw, fault, None))


def long_record(folder: RecordFolder, years: int, dead_months: int = 0) -> RecordFolder:
    """`years` of facts, put in by the schema's own insert; point 1 is dead in the last `dead_months` + 1 months."""
    folder.create()
    with open_writer(folder, "0.test", "boot-0001") as writer:
        writer.plan(writer.text("map", "map: invented\n"), READS)
        assert (writer.point("north"), writer.point("south")) == (1, 2)
    hours = years * 365 * 24
    dead_from = hours - (dead_months + 1) * 30 * 24 if dead_months else hours
    with closing(sqlite3.connect(folder.db, isolation_level=None)) as bulk:
        bulk.execute("BEGIN")
        for week in range(1, hours // 168 + 1):
            bulk.execute(schema.insert("run"), (week + 1, f"run-{week + 1}", f"boot-{week + 1:04}", "0.test"))
        for table, row in facts_of(hours, dead_from):
            bulk.execute(schema.insert(table), row)
        bulk.execute("COMMIT")
    return folder


@pytest.fixture
def make_long() -> Callable[..., RecordFolder]:
    return long_record

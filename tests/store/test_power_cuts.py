"""The power fails before any one step of the disk: what was acknowledged is there, once, and the record is whole.

The disk (lossy_disk) loses, keeps or tears what was not synced. The same cuts with less syncing lose rows: so the test
can fail.
"""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

from tallywell.readings.facts import Fact, Poll
from tallywell.store.append import Writer, broken_link, open_writer
from tallywell.store.chain import BLOCK
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader
from tests.store.conftest import READS, Kit, kit_of
from tests.store.lossy_disk import Disk, PowerCutError

if TYPE_CHECKING:
    from pathlib import Path

CUTS = [150, pytest.param(2000, marks=pytest.mark.campaign)]
SEED = int(os.environ.get("TALLYWELL_SEED", "20261125"))
MOST_STEPS = 60  # of a cycle: opening, some commits, a checkpoint now and then, closing
BEYOND = 10**9  # no cut before it ends


@dataclass
class Campaign:
    """One record on one disk, cut again and again. `told`: acknowledged; `tried`: what may be there as well."""

    folder: RecordFolder
    disk: Disk
    chance: random.Random
    connect: Callable[..., sqlite3.Connection]
    told: dict[int, Fact] = field(default_factory=dict)
    tried: dict[int, Fact] = field(default_factory=dict)
    lost: int = 0
    whole: int = 0  # cycles that ended before the power failed

    def cycle(self, cut_at: int) -> None:
        """Open, append, close, until the power fails before that step; then look at what is left."""
        self.disk.cut_at = cut_at
        writer: Writer | None = None
        with contextlib.suppress(PowerCutError):
            writer = open_writer(self.folder, "0.test", f"boot-{self.chance.random()}", self.connect)
            plan = writer.plan(writer.text("map", "map: invented\n"), READS)
            kit = Kit(self.folder, writer, writer.point("north"), plan)
            for _ in range(self.chance.randrange(1, 12)):
                self._append(kit)
            writer.close()
            self.whole += 1
        self.disk.power_back()
        if writer is not None:
            with contextlib.suppress(PowerCutError):
                writer.close()  # gives the lock back, which the kernel does in earnest
        self._look()

    def _append(self, kit: Kit) -> None:
        facts: list[Fact] = [kit.poll(boot_ms=n, forward=n) for n in range(self.chance.randrange(1, 9))]
        if self.chance.random() < 0.05:  # a lump as after an hour of a full disk, so that checkpoints happen
            facts += [kit.poll(boot_ms=n, raw=bytes(2000)) for n in range(600)]
        self.tried |= {fact.seq: fact for fact in facts}
        kit.add(*facts)
        self.told |= {fact.seq: fact for fact in facts}

    def _look(self) -> None:
        """With SQLite's own connection, as any reader."""
        if not self.folder.db.exists() or not self.folder.db.stat().st_size:
            assert not self.told
            return
        with contextlib.closing(sqlite3.connect(self.folder.db)) as plain:
            assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            tables = {name for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if "poll" not in tables or not self._any_point():
            assert not self.told
            return
        with Reader(self.folder) as reader:
            there = {fact.seq: fact for fact in reader.facts(1, 2**62)}
        self.lost += sum(there.get(seq) != fact for seq, fact in self.told.items())
        assert all(self.tried.get(seq) == fact for seq, fact in there.items() if isinstance(fact, Poll))
        self.told = {seq: fact for seq, fact in self.told.items() if seq in there}
        self.tried = dict(there)

    def _any_point(self) -> bool:
        with contextlib.closing(sqlite3.connect(self.folder.db)) as plain:
            return bool(plain.execute("SELECT count(*) FROM point").fetchone()[0])


@pytest.fixture
def disk() -> Iterator[Disk]:
    made = Disk(random.Random(SEED))
    yield made
    made.close()


def run(folder: RecordFolder, disk: Disk, connect: Callable[..., sqlite3.Connection], cuts: int) -> Campaign:
    print(f"seed {SEED}, {cuts} cuts")
    campaign = Campaign(folder, disk, random.Random(SEED + 1), connect)
    campaign.cycle(BEYOND)
    for _ in range(cuts):
        campaign.cycle(campaign.chance.randrange(1, MOST_STEPS))
    print(f"{campaign.whole} cycles ended before the power failed; {campaign.lost} acknowledged facts lost")
    return campaign


@pytest.mark.parametrize("cuts", CUTS)
def test_nothing_acknowledged_is_lost_or_doubled(folder: RecordFolder, disk: Disk, cuts: int) -> None:
    campaign = run(folder, disk, disk.connect, cuts)
    assert campaign.told
    assert campaign.lost == 0
    assert campaign.whole < cuts / 2, "few of them were cut"
    kit = kit_of(folder)
    kit.add(*(kit.poll() for _ in range(2 * BLOCK)))
    kit.writer.close()
    with Reader(folder) as reader:
        assert broken_link(reader) is None


def test_at_every_step_of_a_first_cycle(tmp_path: Path, disk: Disk) -> None:
    """From the first opening of an empty folder to its closing: schema, run, texts, commits, checkpoint."""
    step, whole = 0, 0
    while not whole:
        step += 1
        made = RecordFolder(tmp_path / f"{step}.record")
        made.create()
        campaign = Campaign(made, disk, random.Random(SEED), disk.connect)
        campaign.cycle(step)
        assert campaign.lost == 0
        campaign.cycle(BEYOND)  # and it can be written again
        whole = campaign.whole - 1
    print(f"{step - 1} steps")
    assert step > 30


def test_the_same_cuts_lose_rows_where_a_commit_is_not_synced(folder: RecordFolder, disk: Disk) -> None:
    """synchronous=NORMAL syncs the write-ahead log at checkpoints alone (https://sqlite.org/pragma.html#pragma_synchronous)."""

    def normal(*path: Any, **options: Any) -> sqlite3.Connection:
        connection = disk.connect(*path, **options)
        plain = connection.execute
        connection.execute = lambda sql, *values: plain(sql.replace("=FULL", "=NORMAL"), *values)  # type: ignore[method-assign]  # the one statement in question
        return connection

    assert run(folder, disk, normal, 50).lost > 0

"""A disk that fills up, or fails now and then: what was refused is appended again, and is there once."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import TYPE_CHECKING

import apsw
import pytest

from tallywell.readings.problems import StorageFault
from tallywell.store.append import broken_link
from tallywell.store.query import Reader
from tests.store.conftest import Kit, kit_of
from tests.store.lossy_disk import Disk

if TYPE_CHECKING:
    from tallywell.readings.facts import Fact
    from tallywell.store.database import RecordFolder

SEED = 20261125
TURNS = 400


@pytest.fixture
def disk() -> Iterator[Disk]:
    made = Disk(random.Random(SEED))
    yield made
    made.close()


class Failing:
    """Nothing fails, or what writes does, for a while."""

    def __init__(self, chance: random.Random, errors: tuple[type[apsw.Error], ...], where: frozenset[str]) -> None:
        self.chance, self.errors, self.where = chance, errors, where
        self.left = 0
        self.met = 0
        self.said: set[str] = set()

    def __call__(self, what: str, _name: str) -> None:
        if what not in self.where:
            return
        if not self.left and self.chance.random() < 0.01:
            self.left = self.chance.choice([1, 2, 10, 50])
        if self.left:
            self.left -= 1
            self.met += 1
            raise self.chance.choice(self.errors)


KINDS = pytest.mark.parametrize(
    ("errors", "where"),
    [
        ((apsw.FullError,), frozenset({"write"})),
        ((apsw.IOError,), frozenset({"write", "sync", "truncate", "delete"})),
        ((apsw.IOError, apsw.FullError), frozenset({"sync"})),
    ],
)


def appended(kit: Kit, failing: Failing) -> tuple[list[Fact], list[Fact]]:
    """What was acknowledged in the end, and what still waits."""
    told: list[Fact] = []
    waiting: list[Fact] = []
    for turn in range(TURNS):
        waiting += [kit.poll(boot_ms=turn, forward=n, raw=bytes(500)) for n in range(failing.chance.randrange(1, 6))]
        try:
            kit.add(*waiting)
        except StorageFault as fault:
            failing.said.add(f"{fault} {fault.hint}")
        else:
            told, waiting = told + waiting, []
    assert failing.met >= 20
    assert all(str(kit.folder.db) in said for said in failing.said)
    return told, waiting


@KINDS
def test_what_a_disk_refused_is_there_once_after_all(
    folder: RecordFolder, disk: Disk, errors: tuple[type[apsw.Error], ...], where: frozenset[str]
) -> None:
    print(f"seed {SEED}")
    kit = kit_of(folder, connect=disk.connect)
    disk.fault = failing = Failing(random.Random(SEED), errors, where)
    told, waiting = appended(kit, failing)
    disk.fault = lambda _what, _name: None
    kit.add(*waiting)
    kit.writer.close()
    with Reader(folder) as reader:
        assert reader.facts(1, 2**62) == [*told, *waiting]
        assert broken_link(reader) is None


@KINDS
def test_what_was_acknowledged_between_faults_survives_a_power_cut(
    folder: RecordFolder, disk: Disk, errors: tuple[type[apsw.Error], ...], where: frozenset[str]
) -> None:
    print(f"seed {SEED}")
    kit = kit_of(folder, connect=disk.connect)
    disk.fault = failing = Failing(random.Random(SEED + 1), errors, where)
    told, waiting = appended(kit, failing)
    disk.power_back()
    kit.writer.close()
    with Reader(folder) as reader:
        there = reader.facts(1, 2**62)
    assert there[: len(told)] == told
    assert all(fact in waiting for fact in there[len(told) :])

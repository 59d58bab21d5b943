"""kill -9 in a tight loop of appends: every number that was acknowledged is there, and the chain holds."""

from __future__ import annotations

import os
import signal
from random import Random
from typing import TYPE_CHECKING

from tallywell.store.append import broken_link
from tallywell.store.chain import BLOCK
from tallywell.store.database import lock_held
from tallywell.store.query import Reader

if TYPE_CHECKING:
    from collections.abc import Callable

    from tallywell.store.database import RecordFolder
    from tests.store.conftest import Kit

KILLS = 20


def appender(folder: RecordFolder, again: Callable[..., Kit], told: int, chance: Random) -> int:
    """A child that appends 1 to 40 polls a commit and then writes the last number, 8 bytes, into the pipe `told`."""
    child = os.fork()
    if child:
        return child
    try:
        kit = again(folder)
        while True:
            facts = [kit.poll(boot_ms=n, forward=n) for n in range(chance.randrange(1, 41))]
            kit.add(*facts)
            os.write(told, facts[-1].seq.to_bytes(8, "big"))
    finally:
        os._exit(1)


def acknowledged(pipe: int, child: int, numbers: int) -> list[int]:
    """Wait for so many acknowledgements, kill, and drain what the child had said until then."""
    said = b""
    while len(said) < 8 * numbers and (more := os.read(pipe, 8)):
        said += more
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while more := os.read(pipe, 4096):
        said += more
    assert len(said) >= 8 * numbers, "the child ended before it was killed"
    return [int.from_bytes(said[at : at + 8], "big") for at in range(0, len(said), 8)]


def test_every_acknowledged_number_survives_kill_9(folder: RecordFolder, again: Callable[..., Kit]) -> None:
    seed = 20261125
    chance = Random(seed)
    unacknowledged = 0
    for _ in range(KILLS):
        pipe, told = os.pipe()
        child = appender(folder, again, told, Random(chance.random()))
        os.close(told)
        numbers = acknowledged(pipe, child, chance.randrange(2, 12))
        os.close(pipe)
        assert not lock_held(folder)
        with Reader(folder) as reader:
            there = {fact.seq for fact in reader.facts(1, reader.newest_seq())}
            assert set(numbers) <= there
            assert there == set(range(1, len(there) + 1)), "whole commits, nothing in between"
            unacknowledged += len(there) > numbers[-1]
            assert broken_link(reader) is None
            links = len(reader.links())
    print(f"seed {seed}: {KILLS} kills, {len(there)} facts, {links} links, {unacknowledged} commits not acknowledged")
    assert links == len(there) // BLOCK

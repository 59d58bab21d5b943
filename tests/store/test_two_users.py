"""The daemon's user writes, an operator of the same group reads and drops: whoever comes first or goes last.

The users are numbers that no account has; children take them on, so that nothing in /etc changes. That needs root.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from itertools import permutations
from pathlib import Path

import pytest

from tallywell.readings.facts import Event
from tallywell.readings.problems import EdgeFailure
from tallywell.store.append import Writer, open_writer
from tallywell.store.database import RecordFolder, lock_held
from tallywell.store.inbox import Draft, drop, take, waiting
from tallywell.store.query import Reader

DAEMON, OPERATOR, STRANGER, SHARED, OTHERS = 61001, 61002, 61003, 61000, 61009

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 and "CI" not in os.environ, reason="needs root, to become two other users"
)


@pytest.fixture
def folder() -> Iterator[RecordFolder]:
    """In a place that every user may pass through."""
    if os.geteuid() != 0:
        pytest.fail("two users cannot be tested without root, and in CI they must be")
    place = Path(tempfile.mkdtemp(prefix="tallywell-two-users-", dir="/var/tmp"))
    os.chown(place, DAEMON, OTHERS)
    place.chmod(0o755)
    yield RecordFolder(place / "quail.record", SHARED)
    shutil.rmtree(place)


class User:
    """A process of another user that does one thing after another when told to, and answers."""

    def __init__(self, uid: int, groups: list[int]) -> None:
        (self._orders, orders), (answers, self._answers) = os.pipe(), os.pipe()
        self.child = os.fork()
        if self.child == 0:
            self._become(uid, groups)
        os.close(self._orders)
        os.close(self._answers)
        self._to, self._from = orders, answers
        self._steps: list[str] = []

    def _become(self, uid: int, groups: list[int]) -> None:
        os.setgroups(groups)
        os.setresgid(OTHERS, OTHERS, OTHERS)
        os.setresuid(uid, uid, uid)
        os.umask(0o077)
        self.held: dict[str, object] = {}
        while order := os.read(self._orders, 4096):
            name, *words = order.decode().split("\t")
            try:
                answer = f"ok\t{getattr(self, name)(*words)}"
            except EdgeFailure as failure:
                answer = f"refused\t{failure}"
            except BaseException:
                answer = f"broken\t{traceback.format_exc()}"
            os.write(self._answers, answer.encode())
        os._exit(0)

    def told(self, *order: str) -> str:
        os.write(self._to, "\t".join(order).encode())
        state, answer = os.read(self._from, 100_000).decode().split("\t", 1)
        assert state != "broken", answer
        return f"refused: {answer}" if state == "refused" else answer

    def leave(self) -> None:
        """Later children hold this one's pipes too, so that it would not see them end."""
        os.write(self._to, b"end_abruptly")
        os.close(self._to)
        os.close(self._from)
        os.waitpid(self.child, 0)

    # what the child does

    def make(self, path: str) -> None:
        RecordFolder(Path(path), SHARED).create()

    def start(self, path: str) -> None:
        self.held["writer"] = open_writer(RecordFolder(Path(path)), "0.test", "boot")

    def write(self) -> int:
        writer = self.held["writer"]
        assert isinstance(writer, Writer)
        seq = writer.next_seq()
        writer.append([Event(seq, writer.run.id, 0, 0, "noted", "x" * 500)])
        return seq

    def take(self) -> int:
        writer = self.held["writer"]
        assert isinstance(writer, Writer)
        return len(take(writer, writer.folder, kinds={"visit"}, boot_ms=0, shown_ms=0).stored)

    def stop(self) -> None:
        writer = self.held.pop("writer")
        assert isinstance(writer, Writer)
        writer.close()

    def open(self, path: str) -> None:
        self.held["reader"] = Reader(RecordFolder(Path(path)))

    def read(self) -> int:
        reader = self.held["reader"]
        assert isinstance(reader, Reader)
        return reader.newest_seq()

    def shut(self) -> None:
        reader = self.held.pop("reader")
        assert isinstance(reader, Reader)
        reader.close()

    def drop(self, path: str) -> str:
        said = Draft("visit", None, None, "Ada", None, {}, "boot", 0, 0)
        return drop(RecordFolder(Path(path)), said)

    def held_by_another(self, path: str) -> bool:
        return lock_held(RecordFolder(Path(path)))

    def vandalise(self, path: str) -> str:
        with closing(sqlite3.connect(Path(path) / "record.db")) as plain:
            return str(plain.execute("SELECT max(seq) FROM event").fetchone()[0])

    def end_abruptly(self) -> None:
        os._exit(0)


Users = Callable[[int], User]


@pytest.fixture
def users() -> Iterator[Users]:
    made: list[User] = []

    def one(uid: int) -> User:
        made.append(User(uid, [OTHERS] if uid == STRANGER else [SHARED, OTHERS]))
        return made[-1]

    yield one
    for user in made:
        with suppress(OSError):
            user.leave()


def test_the_folder_and_its_files_belong_to_the_group(folder: RecordFolder, users: Users) -> None:
    daemon = users(DAEMON)
    path = str(folder.path)
    daemon.told("make", path)
    daemon.told("start", path)
    daemon.told("write")
    for place in (folder.path, folder.inbox, folder.bad, folder.backup):
        there = place.stat()
        assert (there.st_gid, stat.S_IMODE(there.st_mode)) == (SHARED, 0o2770), place
    for file in ("record.db", "record.db-wal", "record.db-shm", "record.db.lock"):
        there = (folder.path / file).stat()
        assert (there.st_uid, there.st_gid, stat.S_IMODE(there.st_mode)) == (DAEMON, SHARED, 0o660), file
    daemon.told("stop")
    for side in ("-wal", "-shm"):
        there = (folder.path / f"record.db{side}").stat()
        assert there.st_uid == DAEMON, "they stay, so that no reader makes them anew under its own user"


def test_the_operator_reads_drops_and_knows_of_the_writer(folder: RecordFolder, users: Users) -> None:
    daemon, operator = users(DAEMON), users(OPERATOR)
    path = str(folder.path)
    daemon.told("make", path)
    assert "no record yet" in operator.told("open", path)
    daemon.told("start", path)
    operator.told("open", path)
    for n in range(1, 30):
        assert daemon.told("write") == operator.told("read") == str(n)
    assert operator.told("held_by_another", path) == "True"
    assert f"by process {daemon.child}" in operator.told("start", path)
    operator.told("drop", path)
    assert daemon.told("take") == "1"
    assert waiting(folder) == ()
    assert operator.told("read") == "30"


STEPS = ("daemon stop", "operator shut", "operator open", "daemon start")


@pytest.mark.parametrize("order", [" > ".join(order) for order in permutations(STEPS)])
def test_the_daemon_can_write_whoever_came_first_or_left_last(folder: RecordFolder, users: Users, order: str) -> None:
    daemon, operator = users(DAEMON), users(OPERATOR)
    path = str(folder.path)
    daemon.told("make", path)
    daemon.told("start", path)
    daemon.told("write")
    operator.told("open", path)
    running = opened = True
    for step in order.split(" > "):
        who, what = step.split()
        if who == "daemon" and running == (what == "stop"):
            daemon.told(what, *([path] if what == "start" else []))
            running = not running
        elif who == "operator" and opened == (what == "shut"):
            operator.told(what, *([path] if what == "open" else []))
            opened = not opened
        if running:
            assert daemon.told("write").isdigit(), step
        if opened:
            assert operator.told("read").isdigit(), step
    if running:
        daemon.told("stop")
    assert daemon.told("start", path) == "None"
    written = daemon.told("write")
    if not opened:
        assert operator.told("open", path) == "None"
    assert operator.told("read") == written


@pytest.mark.parametrize("gone", ["-wal", "-shm", "both"])
def test_a_reader_that_made_the_side_files_does_not_lock_the_daemon_out(
    folder: RecordFolder, users: Users, gone: str
) -> None:
    """As after restoring a backup: record.db alone, and the operator looks first, with a connection of any kind."""
    path = str(folder.path)
    first = users(DAEMON)
    first.told("make", path)
    first.told("start", path)
    first.told("write")
    first.told("stop")
    for side in ("-wal", "-shm"):
        if gone in (side, "both"):
            (folder.path / f"record.db{side}").unlink(missing_ok=True)
    operator, daemon = users(OPERATOR), users(DAEMON)
    operator.told("open", path)
    assert operator.told("read") == "1"
    daemon.told("start", path)
    assert daemon.told("write") == "2"
    daemon.told("stop")
    operator.told("shut")
    assert operator.told("vandalise", path) == "2", "a read-write connection of the operator, the last to close"
    daemon.told("start", path)
    assert daemon.told("write") == "3"


def test_an_operator_may_be_the_writer_when_no_daemon_runs(folder: RecordFolder, users: Users) -> None:
    daemon, operator = users(DAEMON), users(OPERATOR)
    path = str(folder.path)
    daemon.told("make", path)
    assert operator.told("start", path) == "None"
    assert operator.told("write") == "1"
    assert f"by process {operator.child}" in daemon.told("start", path)
    operator.told("stop")
    assert daemon.told("start", path) == "None"
    assert daemon.told("write") == "2"


def test_a_stranger_is_told_to_join_the_group(folder: RecordFolder, users: Users) -> None:
    daemon, stranger = users(DAEMON), users(STRANGER)
    path = str(folder.path)
    daemon.told("make", path)
    daemon.told("start", path)
    for order in (("open", path), ("drop", path), ("start", path), ("held_by_another", path)):
        assert "join the group" in stranger.told(*order), order

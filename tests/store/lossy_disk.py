"""A disk that loses what was not synced, below SQLite: a VFS of apsw over real files, for tests alone.

Each write goes to the real file at once, as to a page cache. What a file held at its last sync is kept beside it, with
the writes since. A power cut leaves each sector of each of those writes or loses it, in any order, and may tear one; a
file that was never synced may be gone, and one that was deleted may be back until anything is synced after it, as on a
file system that keeps a journal of its names (ext4, XFS). (SQLite counts on no more: "Atomic Commit In SQLite",
section 2, https://sqlite.org/atomiccommit.html.)
"""

import contextlib
import itertools
import random
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import apsw

SECTOR = 512
_NAMES = itertools.count()


class PowerCutError(Exception):
    """The machine stands still: nothing that is called after it has any effect."""


@dataclass
class Kept:
    """`synced`: what the file holds for certain. None: nothing, not even its name. `since`: (offset, bytes), or the
    length it was cut to.
    """

    synced: bytes | None
    since: list[tuple[int, bytes] | int] = field(default_factory=list)

    def after_a_cut(self, chance: random.Random) -> bytes | None:
        """What is found of it when the power is back."""
        if self.synced is None and chance.random() < 0.5:
            return None
        found = bytearray(self.synced or b"")
        for one in self.since:
            if isinstance(one, int):
                if chance.random() < 0.5:
                    del found[one:]
                continue
            offset, content = one
            for at, part in _sectors(offset, content):
                if chance.random() < 0.5:
                    torn = part[: chance.randrange(len(part) + 1)] if chance.random() < 0.1 else part
                    found.extend(bytes(max(0, at + len(torn) - len(found))))
                    found[at : at + len(torn)] = torn
        return bytes(found)


def _sectors(offset: int, content: bytes) -> Iterator[tuple[int, bytes]]:
    at = offset
    while at < offset + len(content):
        end = min((at // SECTOR + 1) * SECTOR, offset + len(content))
        yield at, content[at - offset : end - offset]
        at = end


class Disk:
    """`steps`: writes, syncs, truncations and deletions so far. `cut_at`: the step that the power fails before.

    `fault`: asked before each step with what it is ("write", "sync", "truncate", "delete") and the file's name; what it
    raises (apsw.FullError, apsw.IOError) the step does. `syncs`: False, where syncs are to have no effect.
    """

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.steps = 0
        self.cut_at: int | None = None
        self.dead = False
        self.syncs = True
        self.fault: Callable[[str, str], None] = lambda _what, _name: None
        self.kept: dict[str, Kept] = {}
        self.gone: dict[str, Kept] = {}  # deleted, and the folder not synced since
        self.name = f"lossy-{next(_NAMES)}"
        self._vfs = _LossyVFS(self)
        self._open: list[apsw.Connection] = []

    def connect(self, address: str, **_options: object) -> sqlite3.Connection:
        """As sqlite3.connect in what the store asks of it."""
        parts = urlsplit(address)
        only_read = "mode=ro" in parts.query
        flags = apsw.SQLITE_OPEN_READONLY if only_read else apsw.SQLITE_OPEN_READWRITE
        with _as_sqlite3():
            opened = apsw.Connection(unquote(parts.path), flags=flags, vfs=self.name)
        opened.set_busy_timeout(2000)
        self._open.append(opened)
        return _Connection(opened)  # type: ignore[return-value]  # has the methods that the store calls

    def step(self, what: str, name: str) -> None:
        if self.dead:
            raise PowerCutError
        self.steps += 1
        if self.steps == self.cut_at:
            self.dead = True
            raise PowerCutError
        self.fault(what, name)

    def power_back(self) -> None:
        """All connections are lost, and the files hold what a cut left of them."""
        self.dead = True
        for connection in self._open:
            with contextlib.suppress(PowerCutError, apsw.Error):
                connection.close(True)
        for name in [*self.gone, *self.kept]:
            self._leave(name, self.kept.get(name) or self.gone[name])
        self._open, self.kept, self.gone = [], {}, {}
        self.dead, self.cut_at, self.steps = False, None, 0

    def _leave(self, name: str, kept: Kept) -> None:
        back = name in self.kept or self.chance.random() < 0.5
        found = kept.after_a_cut(self.chance) if back else None
        if found is None:
            Path(name).unlink(missing_ok=True)
        else:
            Path(name).write_bytes(found)
        Path(f"{name}-shm").unlink(missing_ok=True)  # it lies in memory, and is made anew

    def close(self) -> None:
        self._vfs.unregister()


class _Quiet:
    """A cut in a call that SQLite lets fail without a word is no news."""

    def excepthook(self, *_: object) -> bool:
        return True


class _LossyVFS(_Quiet, apsw.VFS):
    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        super().__init__(disk.name, "unix")

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802  # apsw's own name
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        if path is None or flags[0] & apsw.SQLITE_OPEN_DELETEONCLOSE:
            return apsw.VFSFile("unix", name, flags)
        there = Path(path).exists()
        if path not in self.disk.kept:
            self.disk.gone.pop(path, None)
            self.disk.kept[path] = Kept(Path(path).read_bytes() if there else None)
        return _LossyFile(self.disk, path, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:  # noqa: N802  # apsw's own name
        self.disk.step("delete", filename)
        super().xDelete(filename, syncdir)
        if filename in self.disk.kept:
            kept = self.disk.kept.pop(filename)
            if not syncdir:
                self.disk.gone[filename] = kept


class _LossyFile(_Quiet, apsw.VFSFile):
    def __init__(self, disk: Disk, path: str, name: Any, flags: list[int]) -> None:
        self.disk, self.path = disk, path
        super().__init__("unix", name, flags)

    @property
    def _kept(self) -> Kept:
        return self.disk.kept.setdefault(self.path, Kept(None))

    def xWrite(self, data: Any, offset: int) -> None:  # noqa: N802  # apsw's own name
        self.disk.step("write", self.path)
        self._kept.since.append((offset, bytes(data)))
        super().xWrite(data, offset)

    def xTruncate(self, newsize: int) -> None:  # noqa: N802  # apsw's own name
        self.disk.step("truncate", self.path)
        self._kept.since.append(newsize)
        super().xTruncate(newsize)

    def xSync(self, flags: int) -> None:  # noqa: N802  # apsw's own name
        self.disk.step("sync", self.path)
        if self.disk.syncs:
            self.disk.kept[self.path] = Kept(Path(self.path).read_bytes())
            self.disk.gone.clear()


class _Connection:
    """An apsw connection with the few methods of sqlite3's that the store calls, and its errors."""

    def __init__(self, apsw_connection: apsw.Connection) -> None:
        self._apsw = apsw_connection

    @property
    def in_transaction(self) -> bool:
        return self._apsw.in_transaction

    def execute(self, sql: str, values: Any = ()) -> "_Cursor":
        with _as_sqlite3():
            return _Cursor(self._apsw, self._apsw.execute(sql, values))

    def close(self) -> None:
        with _as_sqlite3():
            self._apsw.close()


class _Cursor:
    def __init__(self, connection: apsw.Connection, cursor: apsw.Cursor) -> None:
        self._cursor = cursor
        self.lastrowid = connection.last_insert_rowid()

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        with _as_sqlite3():
            yield from self._cursor

    def fetchone(self) -> tuple[Any, ...] | None:
        with _as_sqlite3():
            found = self._cursor.fetchone()
            self._cursor.close()
            return found

    def fetchall(self) -> list[tuple[Any, ...]]:
        with _as_sqlite3():
            return list(self._cursor)


@contextlib.contextmanager
def _as_sqlite3() -> Iterator[None]:
    try:
        yield
    except apsw.Error as error:
        translated = sqlite3.OperationalError(str(error))
        translated.sqlite_errorcode = getattr(error, "extendedresult", sqlite3.SQLITE_MISUSE)
        raise translated from error

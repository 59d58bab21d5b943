"""Edge: the record's folder, its lock, and opening it. One process writes; everyone else reads with mode=ro."""

import contextlib
import fcntl
import grp
import os
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tallywell.readings.facts import Fact
from tallywell.readings.problems import EdgeFailure, StorageFault
from tallywell.store import schema

Connect = Callable[..., sqlite3.Connection]

GROUP = "tallywell"
FOLDER_MODE = 0o2770  # setgid: what anyone of the group makes in it belongs to the group, SQLite's -wal and -shm too
FILE_MODE = 0o660
BUSY_S = 2.0  # readers hold no lock that a writer waits for, but for the instant of a checkpoint or a recovery
WAL_LIMIT = 16 * 1024 * 1024  # bytes the -wal file is cut back to after a checkpoint; 4 MiB is its usual size


@dataclass(frozen=True, slots=True)
class RecordFolder:
    """record.db, record.db.lock, inbox/ (with bad/) and backup/ under `path`.

    `gid`: the group that shares it; None = the group `tallywell` where it exists and we may, else the folder's own.
    """

    path: Path
    gid: int | None = None

    @property
    def db(self) -> Path:
        return self.path / "record.db"

    @property
    def lock(self) -> Path:
        return self.path / "record.db.lock"

    @property
    def inbox(self) -> Path:
        return self.path / "inbox"

    @property
    def bad(self) -> Path:
        return self.inbox / "bad"

    @property
    def backup(self) -> Path:
        return self.path / "backup"

    def create(self) -> None:
        """Make what is missing: folders 2770, whatever the umask. EdgeFailure when it cannot be made.

        A folder that is there keeps its group and only gains the rights it lacks, where it is ours.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            for folder in (self.path, self.inbox, self.bad, self.backup):
                _make_folder(folder, self._group() if folder == self.path else None)
        except OSError as error:
            if isinstance(error, PermissionError) and self.path.exists():
                raise not_ours(self, error) from error
            hint = "make its parent folder writable for the user who runs tallywell, or choose another `record:`"
            raise EdgeFailure(
                f"{self.path}: the record's folder cannot be made ({error.strerror})", hint=hint
            ) from error

    def _group(self) -> int | None:
        if self.gid is not None:
            return self.gid
        with contextlib.suppress(KeyError):
            return grp.getgrnam(GROUP).gr_gid
        return None


def _make_folder(folder: Path, gid: int | None) -> None:
    made = not folder.exists()
    folder.mkdir(exist_ok=True)
    there = folder.stat()
    if made and gid is not None and there.st_gid != gid:
        with contextlib.suppress(PermissionError):  # not a member of it: the folder's own group stays
            os.chown(folder, -1, gid)
    mode = stat.S_IMODE(there.st_mode)
    wanted = FOLDER_MODE if made else mode | FOLDER_MODE
    if mode != wanted and os.geteuid() in (0, there.st_uid):
        folder.chmod(wanted)


def make_file(path: Path) -> None:
    """An empty file 0660, unless it is there. Never opens one that is there: closing it would drop SQLite's locks
    (https://sqlite.org/howtocorrupt.html, 2.2: POSIX advisory locks go with any close in the same process).
    """
    with contextlib.suppress(FileExistsError):
        made = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, FILE_MODE)
        os.fchmod(made, FILE_MODE)
        os.close(made)


# --- the lock --------------------------------------------------------------------------------------------------------


def take_lock(folder: RecordFolder) -> int:
    """The descriptor that holds the lock until it is closed. It is not inherited by a program that we start."""
    try:
        make_file(folder.lock)
        held = os.open(folder.lock, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise not_ours(folder, error) from error
    try:
        if _locked(held):
            os.ftruncate(held, 0)
            os.pwrite(held, f"{os.getpid()}\n".encode(), 0)
            return held
        holder = os.pread(held, 32, 0).decode("ascii", "replace").strip() or "unknown"
    except OSError as error:
        os.close(held)
        raise not_ours(folder, error) from error
    os.close(held)
    hint = "let it do the writing, or stop it first (systemctl stop tallywell)"
    raise EdgeFailure(f"{folder.path}: the record is being written by process {holder}", hint=hint, again=True)


def _locked(held: int) -> bool:
    """Not at once: `lock_held` of another process takes it for an instant."""
    for _ in range(5):
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        time.sleep(0.02)
    return False


def lock_held(folder: RecordFolder) -> bool:
    """Whether a writer is at work on this record. EdgeFailure: we may not look."""
    try:
        probe = os.open(folder.lock, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise not_ours(folder, error) from error
    try:
        fcntl.flock(probe, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(probe)
    return False


def not_ours(folder: RecordFolder, error: OSError) -> EdgeFailure:
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        hint = "`tallywell run` makes it; check `record:` in the site file"
        return EdgeFailure(f"{folder.path}: there is no such record folder", hint=hint)
    if isinstance(error, PermissionError):
        hint = f"join the group that shares it (usermod -aG {GROUP} NAME, then log in again)"
        return EdgeFailure(f"{folder.path}: this user may not write there", hint=hint)
    return EdgeFailure(f"{folder.path}: {error.strerror}", hint="free some space or check the card", again=True)


# --- faults ----------------------------------------------------------------------------------------------------------

_HINTS = {
    sqlite3.SQLITE_FULL: ("the disk is full", "free some space; what was not stored can be appended again"),
    sqlite3.SQLITE_IOERR: (
        "the disk does not answer",
        "check the free space, then the card and its file system (dmesg)",
    ),
    sqlite3.SQLITE_READONLY: ("it may not be written", f"check its owner, group {GROUP} and mode 0660"),
    sqlite3.SQLITE_CANTOPEN: ("it cannot be opened", f"check its owner, its group {GROUP} and the folder's mode 2770"),
    sqlite3.SQLITE_NOTADB: ("it is not a record", "put your last copy in its place, and keep the broken file"),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", "put your last copy in its place, and keep the broken file"),
    sqlite3.SQLITE_BUSY: ("another program keeps it busy", "end what holds record.db open for writing"),
}
_AGAIN = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_BUSY})


def _told(path: Path, error: sqlite3.Error) -> tuple[str, str, bool]:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF  # the low byte is the primary code
    what, hint = _HINTS.get(code, (str(error), "keep the message and ask for help"))
    return f"{path}: {what} ({error})", hint, code in _AGAIN


@contextlib.contextmanager
def storage_faults(folder: RecordFolder) -> Iterator[None]:
    """Whatever SQLite raises while writing becomes a StorageFault with a hint."""
    try:
        yield
    except sqlite3.Error as error:
        what, hint, again = _told(folder.db, error)
        raise StorageFault(what, hint=hint, again=again) from error


@contextlib.contextmanager
def reading_faults(folder: RecordFolder) -> Iterator[None]:
    """Whatever SQLite raises while reading becomes an EdgeFailure with a hint."""
    try:
        yield
    except sqlite3.Error as error:
        what, hint, again = _told(folder.db, error)
        raise EdgeFailure(what, hint=hint, again=again) from error


# --- opening ---------------------------------------------------------------------------------------------------------


def connect_to(folder: RecordFolder, mode: str, connect: Connect) -> sqlite3.Connection:
    """A connection without implicit transactions. `mode`: "rw" or "ro"."""
    return connect(f"{folder.db.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, timeout=BUSY_S)


def connect_writing(folder: RecordFolder, connect: Connect) -> sqlite3.Connection:
    """WAL with synchronous=FULL: the only setting that lost nothing in power cuts on ext4."""
    writing = connect_to(folder, "rw", connect)
    try:
        (journal,) = writing.execute("PRAGMA journal_mode=WAL").fetchone()
        writing.execute("PRAGMA synchronous=FULL")
        writing.execute(f"PRAGMA journal_size_limit={WAL_LIMIT}")
    except sqlite3.Error:
        writing.close()
        raise
    if journal != "wal":
        writing.close()
        hint = "move the record to a local disk; network file systems cannot keep it"
        raise EdgeFailure(f"{folder.db}: no write-ahead log is possible here (got {journal})", hint=hint)
    return writing


def connect_reading(folder: RecordFolder, connect: Connect) -> sqlite3.Connection:
    """A mode=ro connection that has looked once, so that it takes part in the -wal and -shm files from now on."""
    reading = connect_to(folder, "ro", connect)
    try:
        reading.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        reading.close()
        raise
    return reading


def applied_changes(connection: sqlite3.Connection) -> tuple[str, ...] | None:
    """The names of the schema changes made so far; () in an empty file, None in a database that is no record."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if "change" in tables:
        return tuple(name for (name,) in connection.execute("SELECT name FROM change ORDER BY id"))
    return None if tables else ()


def changes_to_make(folder: RecordFolder, connection: sqlite3.Connection) -> tuple[schema.Change, ...]:
    """EdgeFailure: a newer record, or a database of something else."""
    applied = applied_changes(connection)
    if applied is None:
        raise EdgeFailure(f"{folder.db}: this database is no Tallywell record", hint="check `record:` in the site file")
    try:
        return schema.missing(applied)
    except ValueError as error:
        hint = "install that version or a later one; going back means going back to a copy of the record"
        raise EdgeFailure(f"{folder.db}: {error}", hint=hint) from error


def bring_up_to_date(folder: RecordFolder, writing: sqlite3.Connection, version: str) -> None:
    """Each missing change in one transaction with the note of it."""
    for change in changes_to_make(folder, writing):
        with transaction(writing):
            if change is schema.CHANGES[0]:
                writing.execute(f"PRAGMA application_id={schema.APPLICATION_ID}")
                writing.execute(schema.CHANGE_TABLE)
            for statement in change.statements:
                writing.execute(statement)
            writing.execute(schema.NOTE_CHANGE, (change.name, version))


@contextlib.contextmanager
def transaction(writing: sqlite3.Connection) -> Iterator[None]:
    """BEGIN IMMEDIATE to COMMIT; whatever goes wrong in between or in COMMIT itself, nothing of it stays."""
    writing.execute("BEGIN IMMEDIATE")
    try:
        yield
        writing.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):  # SQLite has rolled back by itself after some faults
            writing.execute("ROLLBACK")
        raise


# --- rows ------------------------------------------------------------------------------------------------------------


def select(table: str, condition: str) -> str:
    return f"SELECT {', '.join(schema.COLUMNS[table])} FROM {table} WHERE {condition}"


def facts_between(connection: sqlite3.Connection, first_seq: int, last_seq: int) -> list[Fact]:
    """Every fact of these numbers, in order of seq. For blocks, not for years: it is held in memory."""
    found: list[Fact] = []
    for kind, table in schema.TABLE.items():
        rows = connection.execute(select(table, "seq BETWEEN ? AND ?"), (first_seq, last_seq))
        found += [kind(*row) for row in rows]
    return sorted(found, key=lambda fact: fact.seq)


def newest_seq(connection: sqlite3.Connection) -> int:
    newest = [connection.execute(f"SELECT max(seq) FROM {table}").fetchone()[0] for table in schema.TABLE.values()]
    return max(seq or 0 for seq in newest)


class StoredNames:
    """What the chain writes instead of ids, looked up once each."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._known: dict[tuple[str, int], tuple[str, ...]] = {}

    def _look(self, sql: str, number: int) -> tuple[str, ...]:
        if (sql, number) not in self._known:
            row = self._connection.execute(sql, (number,)).fetchone()
            self._known[sql, number] = row if row else (f"unknown {number}", "")
        return self._known[sql, number]

    def run(self, run_id: int) -> str:
        return self._look("SELECT uuid FROM run WHERE id = ?", run_id)[0]

    def point(self, point_id: int) -> str:
        return self._look("SELECT name FROM point WHERE id = ?", point_id)[0]

    def plan(self, plan_id: int) -> tuple[str, str]:
        sql = "SELECT lower(hex(sha256)), reads FROM plan JOIN text ON text.id = plan.map WHERE plan.id = ?"
        map_sha256, reads = self._look(sql, plan_id)
        return map_sha256, reads

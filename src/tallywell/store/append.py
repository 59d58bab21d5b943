"""Edge: the one writer. What `append` returned from is durable; what it raised from is not in the record at all."""

import contextlib
import hashlib
import json
import math
import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from operator import attrgetter
from typing import TYPE_CHECKING, TypeVar
from uuid import uuid4

from tallywell.readings.exchange import Read
from tallywell.readings.facts import Entry, Fact, Poll, Run
from tallywell.readings.problems import EdgeFailure, StorageFault
from tallywell.store import chain, schema
from tallywell.store.database import (
    Connect,
    RecordFolder,
    StoredNames,
    bring_up_to_date,
    connect_reading,
    connect_writing,
    facts_between,
    make_file,
    newest_seq,
    not_ours,
    storage_faults,
    take_lock,
    transaction,
)

if TYPE_CHECKING:
    from tallywell.store.query import Reader

_T = TypeVar("_T")


def open_writer(folder: RecordFolder, version: str, boot_id: str, connect: Connect = sqlite3.connect) -> "Writer":
    """Take the lock, bring the schema up to date, note this run. The folder must exist (RecordFolder.create).

    EdgeFailure: another writer holds the lock (names its pid), folder missing or not writable, not a database, newer
    schema. StorageFault: disk full, I/O error.
    """
    held = take_lock(folder)
    try:
        make_file(folder.db)
        with storage_faults(folder), contextlib.closing(connect_writing(folder, connect)) as writing:
            bring_up_to_date(folder, writing, version)
            return Writer(folder, held, _note_run(writing, version, boot_id), connect)
    except OSError as error:
        os.close(held)
        raise not_ours(folder, error) from error
    except BaseException:
        os.close(held)
        raise


def _note_run(writing: sqlite3.Connection, version: str, boot_id: str) -> Run:
    uuid = str(uuid4())
    with transaction(writing):
        noted = writing.execute(schema.insert("run"), (None, uuid, boot_id, version))
        return Run(int(noted.lastrowid or 0), uuid, boot_id, version)


class Writer:
    """Holds the lock until `close`. For one thread. Made by open_writer; also a context manager.

    Law of numbers: take a fact's seq with `next_seq` (each call gives a new one), set its run to `run.id`. Facts may
    be appended in any order and in any number of commits; appending the same fact again changes nothing. A number
    that will not be used is given back with `give_back`, or its block of the chain waits for the next start.
    After a StorageFault the next append opens the database anew, under the same lock, run and counter.
    """

    def __init__(self, folder: RecordFolder, held: int, run: Run, connect: Connect) -> None:
        self.run = run
        self.folder = folder
        self._held: int | None = held
        self._connect = connect
        self._texts: dict[str, int] = {}
        self._points: dict[str, int] = {}
        self._plans: dict[tuple[int, str], int] = {}
        self._given: set[int] = set()  # numbers given and not yet stored: at most what waits for one commit
        self._doubtful: int | None = None  # given back after a fault: a COMMIT that failed may yet be on the disk
        self._open()
        self._next = newest_seq(self._writing) + 1
        with transaction(self._writing):
            self._complete(self._next - 1)  # blocks that an unclean end left without their link

    def _open(self) -> None:
        """The extra read-only connection keeps -wal and -shm in being, as files of ours, until we close it last."""
        self._writing = connect_writing(self.folder, self._connect)
        self._file = _file_of(self.folder)
        self._keeping = connect_reading(self.folder, self._connect)
        self._names = StoredNames(self._writing)
        found = self._writing.execute("SELECT max(id) FROM link").fetchone()
        self._linked: int = found[0] or 0
        self._points = {name: number for number, name in self._writing.execute("SELECT id, name FROM point")}
        self._plans = {(told, reads): number for number, told, reads in self._writing.execute("SELECT * FROM plan")}
        self._sound = True

    def reopen(self) -> None:
        """Close and open the database again under the same lock, run and counter. StorageFault; EdgeFailure when
        another file stands in its place: it knows nothing of this run.
        """
        self._sound = False
        self._disconnect()
        before = self._file
        with storage_faults(self.folder):
            self._open()
            newest = newest_seq(self._writing)
        if self._file != before:
            self._file, self._sound = before, False
            raise _moved(self.folder)
        if self._doubtful is not None and newest < self._doubtful == self._next - 1:
            self._next = self._doubtful
        self._doubtful = None

    def mend(self) -> None:
        """Reopen after a StorageFault; otherwise nothing. StorageFault. Before numbers are taken one by one."""
        self._make_sound()

    def next_seq(self) -> int:
        """A number never given before; each call counts on."""
        seq, self._next = self._next, self._next + 1
        self._given.add(seq)
        return seq

    def give_back(self, seq: int) -> None:
        """The number will not be used: the last one given is given again, another one stays empty.

        After a StorageFault it is given again only once the database, opened anew, does not hold it after all.
        """
        self._given.discard(seq)
        if seq == self._next - 1 and seq > self._linked * chain.BLOCK:
            if self._sound:
                self._next = seq
            else:
                self._doubtful = seq

    def append(self, facts: Sequence[Fact]) -> None:
        """All of them in one commit. StorageFault: nothing of it is stored; append the same facts again later.
        EdgeFailure: the file was moved or replaced while it was open, and what goes into it is lost (SQLite does not
        notice: https://sqlite.org/howtocorrupt.html, 2.4).

        A decoded column that SQLite cannot hold is stored as NULL; the words and the fault stay as they came.
        ValueError: our own bug (foreign run, unknown point or plan, a number used twice, one below the last link).
        """
        if facts:
            self._make_sound()
            with storage_faults(self.folder):
                self._check(facts)
            self._commit(lambda: self._insert(facts))
            if _file_of(self.folder) != self._file:
                raise _moved(self.folder)
            self._settle(facts)

    def _settle(self, facts: Sequence[Fact]) -> None:
        self._given.difference_update(fact.seq for fact in facts)
        self._next = max(self._next, *(fact.seq + 1 for fact in facts))

    def _insert(self, facts: Sequence[Fact]) -> None:
        for fact in facts:
            self._writing.execute(_INSERT[type(fact)], _ROW[type(fact)](_fitting(fact)))
        waiting = self._given.difference(fact.seq for fact in facts)
        newest = max(self._next - 1, *(fact.seq for fact in facts))
        self._complete(min(waiting) - 1 if waiting else newest)

    def _complete(self, upto: int) -> None:
        """Add the link of each block that ends at or below `upto`: nothing more can come into it."""
        while (self._linked + 1) * chain.BLOCK <= upto:
            block = self._linked + 1
            last = block * chain.BLOCK
            facts = facts_between(self._writing, last - chain.BLOCK + 1, last)
            value = chain.value(self._value(self._linked), facts, self._names)
            self._writing.execute(schema.insert("link"), (block, last, value))
            self._linked = block

    def _value(self, block: int) -> bytes:
        found = self._writing.execute("SELECT sha256 FROM link WHERE id = ?", (block,)).fetchone()
        return bytes(found[0]) if found else chain.ORIGIN

    def _check(self, facts: Sequence[Fact]) -> None:
        points, plans = set(self._points.values()), set(self._plans.values())
        for fact in facts:
            if fact.run != self.run.id:
                raise ValueError(f"fact {fact.seq} is of run {fact.run}, this is run {self.run.id}")
            point = fact.point if isinstance(fact, Poll | Entry) else None
            if point is not None and point not in points:
                raise ValueError(f"fact {fact.seq} names point {point}, which is not stored")
            if isinstance(fact, Poll) and fact.plan not in plans:
                raise ValueError(f"poll {fact.seq} names plan {fact.plan}, which is not stored")
            if fact.seq <= self._linked * chain.BLOCK and not self._there(fact.seq):
                raise ValueError(f"fact {fact.seq} comes after the chain's link {self._linked} closed over its number")

    def _there(self, seq: int) -> bool:
        return bool(facts_between(self._writing, seq, seq))

    def _make_sound(self) -> None:
        if self._held is None:
            raise ValueError("this writer is closed")
        if not self._sound:
            self.reopen()

    def _commit(self, work: Callable[[], _T]) -> _T:
        self._make_sound()
        linked = self._linked
        try:
            with storage_faults(self.folder), _our_bugs(), transaction(self._writing):
                return work()
        except BaseException as error:
            self._linked = linked
            self._sound = not isinstance(error, StorageFault)
            raise

    def entry_seq(self, uuid: str) -> int | None:
        """The number of the entry with this uuid, if it is in the record."""
        with storage_faults(self.folder):
            found = self._writing.execute("SELECT seq FROM entry WHERE uuid = ?", (uuid,)).fetchone()
        return int(found[0]) if found else None

    def text(self, kind: str, content: str) -> int:
        """The id of a stored text (site file, map), stored and committed on first use. StorageFault."""
        sha256 = hashlib.sha256(content.encode()).digest()
        if content not in self._texts:
            self._texts[content] = self._row("text", "sha256", sha256, (None, sha256, kind, content))
        return self._texts[content]

    def point(self, name: str) -> int:
        """The id of a point, stored and committed on first use. StorageFault."""
        if name not in self._points:
            self._points[name] = self._row("point", "name", name, (None, name))
        return self._points[name]

    def plan(self, map_text_id: int, reads: tuple[Read, ...]) -> int:
        """The id of a plan, stored and committed on first use. StorageFault."""
        told = json.dumps([[read.function, read.register, read.words] for read in reads], separators=(",", ":"))
        if (map_text_id, told) not in self._plans:
            number = self._commit(lambda: self._new_row("plan", (None, map_text_id, told)))
            self._plans[map_text_id, told] = number
        return self._plans[map_text_id, told]

    def knows_point(self, name: str) -> bool:
        return name in self._points

    def _row(self, table: str, unique: str, key: object, row: tuple[object, ...]) -> int:
        self._make_sound()
        with storage_faults(self.folder):
            found = self._writing.execute(f"SELECT id FROM {table} WHERE {unique} = ?", (key,)).fetchone()
        return int(found[0]) if found else self._commit(lambda: self._new_row(table, row))

    def _new_row(self, table: str, row: tuple[object, ...]) -> int:
        return int(self._writing.execute(schema.insert(table), row).lastrowid or 0)

    def _disconnect(self) -> None:
        for connection in (self._writing, self._keeping):
            with contextlib.suppress(sqlite3.Error):
                connection.close()

    def close(self) -> None:
        """Checkpoint, close the writing connection, then the read-only one, then give the lock back."""
        if self._held is None:
            return
        with contextlib.suppress(sqlite3.Error):  # a reader at work: the next start does it
            self._writing.execute("PRAGMA busy_timeout=200")
            self._writing.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._disconnect()
        os.close(self._held)
        self._held = None

    def __enter__(self) -> "Writer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _file_of(folder: RecordFolder) -> tuple[int, int] | None:
    """Which file the record's name leads to; None: to none that we can see."""
    try:
        there = folder.db.stat()
    except OSError:
        return None
    return there.st_dev, there.st_ino


def _moved(folder: RecordFolder) -> EdgeFailure:
    hint = "stop its writer first, then move the record or put a copy in its place, then start the writer again"
    return EdgeFailure(f"{folder.db}: the file was moved or replaced while it was being written", hint=hint)


_INSERT = {kind: schema.insert(table) for kind, table in schema.TABLE.items()}
_ROW = {kind: attrgetter(*schema.COLUMNS[table]) for kind, table in schema.TABLE.items()}


@contextlib.contextmanager
def _our_bugs() -> Iterator[None]:
    """A trigger or a constraint that refuses is no fault of the disk."""
    try:
        yield
    except (sqlite3.IntegrityError, OverflowError) as error:
        raise ValueError(f"the record refuses this: {error}") from error


def _fitting(fact: Fact) -> Fact:
    """The same fact with each decoded column that SQLite cannot hold (64 bits with sign) left out."""
    if not isinstance(fact, Poll):
        return fact
    return replace(
        fact,
        forward=_held(fact.forward),
        reverse=_held(fact.reverse),
        net=_held(fact.net),
        flow=None if fact.flow is None or math.isnan(fact.flow) else float(fact.flow),
        status=_held(fact.status),
    )


def _held(count: int | None) -> int | None:
    return count if count is not None and -(2**63) <= count < 2**63 else None


def chain_at(reader: "Reader", seq: int) -> bytes:
    """The chain's value (32 bytes) at `seq`: sha256 of the last link before it and of each fact since, up to `seq`.

    Final only once nothing below `seq` is still on its way: take a number that is older than one commit.
    """
    link = reader.last_link(seq)
    value, begin = (link.sha256, link.last_seq + 1) if link else (chain.ORIGIN, 1)
    for first in range(begin, seq + 1, chain.BLOCK):
        last = min(first + chain.BLOCK - 1, seq)
        value = chain.value(value, reader.facts(first, last), reader.names)
    return value


def broken_link(reader: "Reader") -> int | None:
    """The last_seq of the first stored link that its facts no longer give; None when the whole chain holds."""
    value = chain.ORIGIN
    for at, link in enumerate(reader.links(), start=1):
        value = chain.value(value, reader.facts(link.last_seq - chain.BLOCK + 1, link.last_seq), reader.names)
        if link.sha256 != value or link.last_seq != at * chain.BLOCK or link.id != at:
            return link.last_seq
    return None

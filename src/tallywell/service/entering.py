"""Edge: what a person states or asks goes through the inbox; the daemon takes it, or we do where no daemon runs."""

import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tallywell import __version__
from tallywell.readings.facts import Entry
from tallywell.readings.problems import EdgeFailure
from tallywell.schedule.system_clock import SystemClock, boot_id
from tallywell.stated.content import in_force
from tallywell.stated.told import KINDS
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder, lock_held
from tallywell.store.inbox import ASK, Draft, Fate, Outlook, await_taken, drop, finish, take
from tallywell.store.query import Reader

PATIENCE_S = 5.0
LOOKS = 5
MS_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class Statement:
    """What a person wants on record. `about_ms`: the UTC instant it is about, None = now."""

    kind: str
    point: str | None
    about_ms: int | None
    author: str
    content: dict[str, object]
    replaces: str | None = None


def draft_of(statement: Statement) -> Draft:
    """The statement with the clocks of this moment."""
    clock = SystemClock()
    return Draft(
        kind=statement.kind,
        point=statement.point,
        about_ms=statement.about_ms,
        author=statement.author,
        replaces=statement.replaces,
        content=statement.content,
        boot_id=boot_id(),
        boot_ms=clock.boot_ns() // MS_NS,
        shown_ms=clock.utc_ns() // MS_NS,
    )


def enter(record: Path, statement: Statement, points: tuple[str, ...]) -> tuple[str, Outlook]:
    """Put it into the inbox and see that it is taken. Its uuid, and TAKEN, REFUSED or (after 5 s) QUEUED."""
    folder = RecordFolder(record)
    folder.create()
    uuid = drop(folder, draft_of(statement))
    outlook = Outlook(Fate.QUEUED)
    for _ in range(LOOKS):  # the lock may be that of another command, which ends without a look into the inbox
        if not lock_held(folder):
            _take_ourselves(folder, points)
        outlook = await_taken(lambda: Reader(folder), folder, uuid, PATIENCE_S / LOOKS, time.sleep)
        if outlook.fate is not Fate.QUEUED:
            break
    return uuid, outlook


def enter_all(record: Path, statements: Sequence[tuple[str, Statement]], points: tuple[str, ...]) -> int:
    """Put all of them into the inbox, each under its uuid, and see that they are taken; how many were by then."""
    folder = RecordFolder(record)
    folder.create()
    for uuid, statement in statements:
        drop(folder, draft_of(statement), uuid)
    wanted = [uuid for uuid, _ in statements]
    for _ in range(LOOKS):
        if not lock_held(folder):
            _take_ourselves(folder, points)
        if wanted:
            await_taken(lambda: Reader(folder), folder, wanted[-1], PATIENCE_S / LOOKS, time.sleep)
        with Reader(folder) as reader:
            known = {entry.uuid for entry in reader.entries()}
        if known.issuperset(wanted):
            break
    return sum(uuid in known for uuid in wanted)


def entries_named(record: Path, beginning: str) -> tuple[str, ...]:
    """The uuids of the record's entries that begin so."""
    folder = RecordFolder(record)
    if not folder.path.exists():
        return ()
    with Reader(folder) as reader:
        return tuple(entry.uuid for entry in reader.entries() if entry.uuid.startswith(beginning))


def entries_in_force(record: Path, point: str | None = None) -> tuple[Entry, ...]:
    """What stands, of one point or of all, in order of seq."""
    folder = RecordFolder(record)
    if not folder.path.exists():
        return ()
    with Reader(folder) as reader:
        standing = in_force(reader.entries())
        point_id = None if point is None else reader.point_id(point)
    return tuple(entry for entry in standing if point is None or entry.point == point_id)


def _take_ourselves(folder: RecordFolder, points: tuple[str, ...]) -> None:
    clock = SystemClock()
    try:
        with open_writer(folder, __version__, boot_id()) as writer:
            take(
                writer,
                folder,
                kinds=KINDS,
                boot_ms=clock.boot_ns() // MS_NS,
                shown_ms=clock.utc_ns() // MS_NS,
                points=points,
            )
    except EdgeFailure:
        if not lock_held(folder):  # a daemon that started in this very moment takes it instead of us
            raise


def ask(record: Path, point: str, author: str, seconds: float) -> Outlook:
    """Have the running daemon poll a point now; the Outlook's seq is that poll's. An ask left over is withdrawn."""
    folder = RecordFolder(record)
    uuid = drop(folder, draft_of(Statement(ASK, point, None, author, {})))
    outlook = await_taken(lambda: Reader(folder), folder, uuid, seconds, time.sleep)
    if outlook.fate is Fate.QUEUED:
        with suppress(OSError):
            finish(folder, uuid)
    return outlook


def daemon_runs(record: Path) -> bool:
    return record.exists() and lock_held(RecordFolder(record))


__all__ = ["Fate", "Outlook", "Statement", "ask", "daemon_runs", "enter"]

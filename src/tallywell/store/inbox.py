"""Edge: what people state reaches the one writer through a folder. A file lies there until it is in the record.

drop:  `<uuid>.part`, fsync, rename to `.json`, fsync of the folder         take:  INSERT, COMMIT, unlink
Killed between any two of these, the file waits or is taken again, and its uuid is stored once.
"""

import contextlib
import json
import os
import stat
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID, uuid4

from tallywell.readings.facts import Entry, Event
from tallywell.readings.problems import EdgeFailure
from tallywell.store.canonical import canonical
from tallywell.store.database import FILE_MODE, RecordFolder, not_ours
from tallywell.store.draft import MOST_BYTES, NAME, Draft, from_text, kept_content, to_text

if TYPE_CHECKING:
    from tallywell.store.append import Writer
    from tallywell.store.query import Reader

ASK = "ask"  # the kind of file that makes the daemon poll a point now
ASKED = "asked"  # event, content {"poll": seq or null, "uuid": ...}: the caller writes it when an ask is done
REFUSED = "inbox_refused"  # event, content {"file": name, "why": ...}
LOOK_S = 0.1  # between two looks of someone who waits
OLD_PART_MS = 24 * 3600 * 1000  # a `.part` this old was left by a drop that was killed
REACH = 2048  # numbers before the first look in which an answer may already stand


@dataclass(frozen=True, slots=True)
class AskFile:
    """Someone wants `draft.point` polled now. After the poll: event ASKED, then `finish`."""

    uuid: str
    draft: Draft


@dataclass(frozen=True, slots=True)
class Turn:
    """What one look into the inbox gave. `stored`: (uuid, seq); `refused`: (file name, why).

    `lying`: names of files that are done with and could not be taken away; they must be left alone from now on.
    """

    stored: tuple[tuple[str, int], ...] = ()
    asks: tuple[AskFile, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    lying: tuple[str, ...] = ()


class Fate(Enum):
    """Whether the record has a drop, the writer refused it, or it still waits."""

    TAKEN = "taken"
    REFUSED = "refused"
    QUEUED = "queued"


@dataclass(frozen=True, slots=True)
class Outlook:
    """What became of a drop. `seq`: of the entry, or for an ask of the poll (None: not polled). `why`: if refused."""

    fate: Fate
    seq: int | None = None
    why: str = ""


# --- the one who states something ------------------------------------------------------------------------------------


def drop(folder: RecordFolder, draft: Draft, uuid: str | None = None) -> str:
    """Put a draft durably into the inbox; its uuid. ValueError: content cannot be kept. EdgeFailure: disk, rights."""
    text = to_text(draft).encode()
    if len(text) > MOST_BYTES:
        raise ValueError(f"it has {len(text)} bytes; an entry may have {MOST_BYTES}")
    name = str(UUID(uuid)) if uuid else str(uuid4())
    part = folder.inbox / f"{name}.part"
    try:
        _write_durably(part, text)
        part.rename(part.with_suffix(".json"))
        _sync_folder(folder.inbox)
    except OSError as error:
        raise not_ours(folder, error) from error
    return name


def _write_durably(part: Path, text: bytes) -> None:
    made = os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC, FILE_MODE)
    try:
        os.fchmod(made, FILE_MODE)
        rest = memoryview(text)
        while rest:
            rest = rest[os.write(made, rest) :]
        os.fsync(made)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    finally:
        os.close(made)


def _sync_folder(folder: Path) -> None:
    opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def await_taken(
    reader_factory: "Callable[[], Reader]",
    folder: RecordFolder,
    uuid: str,
    seconds: float,
    sleep: Callable[[float], None],
) -> Outlook:
    """Look until the drop is in the record or refused, at most `seconds` (counted by the sleeps).

    QUEUED: it waits for a writer, and will be taken when one runs. Where there is no record yet, it waits too.
    """
    floor: int | None = None
    for left in range(max(1, round(seconds / LOOK_S)), -1, -1):
        with contextlib.suppress(_NoRecordYet), _reader(reader_factory) as reader:
            floor = max(1, reader.newest_seq() - REACH) if floor is None else floor
            outlook = _outlook(reader, folder, uuid, floor)
            if outlook.fate is not Fate.QUEUED:
                return outlook
        if left:
            sleep(LOOK_S)
    return Outlook(Fate.QUEUED)


class _NoRecordYet(Exception):
    """The reader said: try again later."""


@contextlib.contextmanager
def _reader(reader_factory: "Callable[[], Reader]") -> "Iterator[Reader]":
    try:
        reader = reader_factory()
    except EdgeFailure as failure:
        if failure.again:
            raise _NoRecordYet from failure
        raise
    with reader:
        yield reader


def _outlook(reader: "Reader", folder: RecordFolder, uuid: str, floor: int) -> Outlook:
    still_there = (folder.inbox / f"{uuid}.json").exists()  # first: what is gone by now was stored before
    entry = reader.entry(uuid)
    if entry:
        return Outlook(Fate.TAKEN, entry.seq)
    if still_there:
        return Outlook(Fate.QUEUED)
    for event in reader.events_back(down_to_seq=floor):
        content = json.loads(event.content) if event.name in (ASKED, REFUSED) else {}
        if event.name == ASKED and content.get("uuid") == uuid:
            return Outlook(Fate.TAKEN, content.get("poll"))
        if event.name == REFUSED and content.get("file") == f"{uuid}.json":
            return Outlook(Fate.REFUSED, why=str(content.get("why", "")))
    return Outlook(Fate.QUEUED)


# --- the writer ------------------------------------------------------------------------------------------------------


def waiting(folder: RecordFolder) -> tuple[str, ...]:
    """File names that await the writer, oldest first. EdgeFailure: the inbox cannot be read."""
    found: list[tuple[int, str]] = []
    try:
        for file in folder.inbox.iterdir():
            if file.name.endswith(".json"):
                with contextlib.suppress(FileNotFoundError):  # taken meanwhile
                    found.append((file.lstat().st_mtime_ns, file.name))
    except OSError as error:
        raise not_ours(folder, error) from error
    return tuple(name for _, name in sorted(found))


@dataclass(frozen=True, slots=True)
class _Taking:
    """What every file of one turn is judged by and stored with."""

    writer: "Writer"
    folder: RecordFolder
    kinds: Collection[str]
    points: Collection[str] | None
    boot_ms: int
    shown_ms: int
    lying: list[str] = field(default_factory=list)


def take(
    writer: "Writer",
    folder: RecordFolder,
    *,
    kinds: Collection[str],
    boot_ms: int,
    shown_ms: int,
    points: Collection[str] | None = None,
    in_hand: Collection[str] = (),
    lying: Collection[str] = (),
    at_most: int = 64,
) -> Turn:
    """Store what waits, each in its own commit, then unlink it. Asks are handed over and stay until `finish`.

    `kinds`: those the caller knows, without ASK. `points`: names it knows besides the record's own; None = any.
    `in_hand`: uuids of asks already handed over; `lying`: as earlier turns gave it. StorageFault: that file and the
    rest still wait. A file that cannot be taken away holds up no other one, and is not dealt with twice.
    """
    taking = _Taking(writer, folder, kinds, points, boot_ms, shown_ms)
    stored: list[tuple[str, int]] = []
    asks: list[AskFile] = []
    refused: list[tuple[str, str]] = []
    names = [name for name in waiting(folder) if name.removesuffix(".json") not in in_hand and name not in lying]
    for name in names[:at_most]:
        try:
            draft = _judged(taking, name)
            if draft is None:
                continue
            if draft.kind == ASK:
                asks.append(AskFile(name.removesuffix(".json"), draft))
            else:
                stored.append(_store(taking, name, draft))
        except ValueError as why:
            refused.append(_refuse(taking, name, str(why)))
    _clean(folder, shown_ms)
    return Turn(tuple(stored), tuple(asks), tuple(refused), tuple(taking.lying))


def _judged(taking: _Taking, name: str) -> Draft | None:
    """None: the file went away. ValueError: it cannot be stored as it is."""
    if not NAME.fullmatch(name):
        raise ValueError("its name is not a uuid in small letters")
    text = _read(taking.folder.inbox / name)
    if text is None:
        return None
    draft = from_text(text)
    if draft.kind != ASK and draft.kind not in taking.kinds:
        raise ValueError(f"kind {draft.kind!r} is not known here; known are {', '.join(sorted(taking.kinds))}")
    if draft.kind == ASK and draft.point is None:
        raise ValueError("an ask names a point")
    known = taking.points is None or draft.point is None or draft.point in taking.points
    if not known and not taking.writer.knows_point(str(draft.point)):
        raise ValueError(f"point {draft.point!r} is not known here")
    return draft


def _read(path: Path) -> str | None:
    """The text of a regular file; never follows a link and never waits for a pipe."""
    try:
        opened = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ValueError(f"it cannot be read ({error.strerror})") from error
    try:
        if not stat.S_ISREG(os.fstat(opened).st_mode):
            raise ValueError("it is no ordinary file")
        with open(opened, "rb", closefd=False) as file:
            held = file.read(MOST_BYTES + 1)
    finally:
        os.close(opened)
    if len(held) > MOST_BYTES:
        raise ValueError(f"it has more than {MOST_BYTES} bytes")
    return held.decode()


def _store(taking: _Taking, name: str, draft: Draft) -> tuple[str, int]:
    uuid, writer = name.removesuffix(".json"), taking.writer
    point = writer.point(draft.point) if draft.point is not None else None
    with _number(writer) as seq:
        writer.append([_entry(taking, seq, uuid, point, draft)])
    kept = writer.entry_seq(uuid) or seq
    if kept != seq:  # it was stored already, and a kill came ahead of the unlink
        writer.give_back(seq)
    try:
        (taking.folder.inbox / name).unlink(missing_ok=True)
    except OSError:
        taking.lying.append(name)
    return uuid, kept


@contextlib.contextmanager
def _number(writer: "Writer") -> Iterator[int]:
    """A number that is given back where nothing was stored under it."""
    writer.mend()
    seq = writer.next_seq()
    try:
        yield seq
    except BaseException:
        writer.give_back(seq)
        raise


def _entry(taking: _Taking, seq: int, uuid: str, point: int | None, draft: Draft) -> Entry:
    return Entry(
        seq=seq,
        uuid=uuid,
        run=taking.writer.run.id,
        boot_ms=taking.boot_ms,
        shown_ms=taking.shown_ms,
        about_ms=draft.about_ms,
        kind=draft.kind,
        point=point,
        author=draft.author,
        replaces=draft.replaces,
        content=kept_content(draft),
    )


def _refuse(taking: _Taking, name: str, why: str) -> tuple[str, str]:
    """The event first: a file that only vanished would leave its writer without an answer."""
    writer, folder = taking.writer, taking.folder
    shown = name.encode(errors="replace").decode()
    content = canonical({"file": shown, "why": why.encode(errors="replace").decode()})
    with _number(writer) as seq:
        writer.append([Event(seq, writer.run.id, taking.boot_ms, taking.shown_ms, REFUSED, content)])
    try:
        (folder.inbox / name).rename(folder.bad / f"{seq}-{name}")
    except OSError:  # somebody else's folder, for one, cannot be moved
        taking.lying.append(name)
    return shown, why


def _clean(folder: RecordFolder, shown_ms: int) -> None:
    for part in folder.inbox.glob("*.part"):
        with contextlib.suppress(OSError):
            if shown_ms - part.lstat().st_mtime_ns // 1_000_000 > OLD_PART_MS:
                part.unlink()


def finish(folder: RecordFolder, uuid: str) -> None:
    """The ask is done and its event stored: unlink its file."""
    (folder.inbox / f"{uuid}.json").unlink(missing_ok=True)


__all__ = [
    "ASK",
    "ASKED",
    "REFUSED",
    "AskFile",
    "Draft",
    "Fate",
    "Outlook",
    "Turn",
    "await_taken",
    "drop",
    "finish",
    "take",
    "waiting",
]

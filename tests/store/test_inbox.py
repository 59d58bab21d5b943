"""From a person's hand to the record, once and only once; and whatever else may lie in the folder."""

from __future__ import annotations

import json
import os
import pathlib
import re
import signal
import sqlite3
import stat
import time
from contextlib import closing
from random import Random
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.facts import Event
from tallywell.readings.problems import EdgeFailure, StorageFault
from tallywell.store import inbox
from tallywell.store.append import open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.draft import from_text, to_text
from tallywell.store.inbox import ASK, AskFile, Draft, Fate, Outlook, Turn, await_taken, drop, finish, take, waiting
from tallywell.store.query import Reader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.store.conftest import Kit

DAY_MS = 24 * 3_600_000
UUID = "11111111-1111-4111-8111-111111111111"


def draft(**other: object) -> Draft:
    row: dict[str, object] = {
        "kind": "visit",
        "point": "north",
        "about_ms": 1_700_000_000_000,
        "author": "Ada",
        "replaces": None,
        "content": {"face": "00012345", "unit": "gal"},
        "boot_id": "boot-1",
        "boot_ms": 5,
        "shown_ms": 6,
    }
    return Draft(**{**row, **other})  # type: ignore[arg-type]  # named values of a test


def took(kit: Kit, shown_ms: int = 1_700_000_000_000, **other: object) -> Turn:
    options: dict[str, object] = {"kinds": {"visit"}, "points": {"north", "south"}, **other}
    return take(kit.writer, kit.folder, boot_ms=77, shown_ms=shown_ms, **options)  # type: ignore[arg-type]  # named values of a test


def put(folder: RecordFolder, text: str | bytes, name: str = f"{UUID}.json") -> Path:
    file = folder.inbox / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def test_what_was_dropped_is_in_the_record(kit: Kit) -> None:
    uuid = drop(kit.folder, draft())
    assert waiting(kit.folder) == (f"{uuid}.json",)
    turn = took(kit)
    assert turn == Turn(stored=((uuid, 1),))
    assert waiting(kit.folder) == ()
    with Reader(kit.folder) as reader:
        entry = reader.entry(uuid)
        assert entry
        assert (entry.kind, entry.point, entry.author, entry.about_ms) == ("visit", kit.point, "Ada", 1_700_000_000_000)
        assert (entry.boot_ms, entry.shown_ms) == (77, 1_700_000_000_000), "the moment of the taking"
        assert entry.content == (
            '{"face":"00012345","typed":{"boot_id":"boot-1","boot_ms":5,"shown_ms":6},"unit":"gal"}'
        )
        assert reader.entries() == (entry,)


def test_files_are_of_the_group_whatever_the_umask(kit: Kit) -> None:
    before = os.umask(0o077)
    try:
        uuid = drop(kit.folder, draft())
    finally:
        os.umask(before)
    assert stat.S_IMODE((kit.folder.inbox / f"{uuid}.json").stat().st_mode) == 0o660


def test_a_kill_between_commit_and_unlink_stores_it_once(kit: Kit) -> None:
    drop(kit.folder, draft(), UUID)
    text = (kit.folder.inbox / f"{UUID}.json").read_bytes()
    assert took(kit).stored == ((UUID, 1),)
    put(kit.folder, text)
    assert took(kit, shown_ms=1_700_000_099_000).stored == ((UUID, 1),)
    assert waiting(kit.folder) == ()
    assert kit.writer.next_seq() == 2, "no number is spent on it"
    with Reader(kit.folder) as reader:
        assert len(reader.entries()) == 1


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "Expecting value"),
        ("[]", "not an object"),
        ("[" * 100_000, "nested too deeply"),
        (to_text(draft()).replace('"Ada"', '"Ada","author":"Bob"'), "given twice"),
        (to_text(draft()).replace('"00012345"', "1.5"), "1.5 is not exact"),
        (to_text(draft()).replace('"00012345"', "NaN"), "NaN is not exact"),
        (to_text(draft()).replace('"00012345"', '"\\ud800"'), "half a surrogate pair"),
        (to_text(draft()).replace('"Ada"', "7"), "author is 7"),
        (to_text(draft()).replace('"Ada"', '"A\\u0000da"'), "control character"),
        (to_text(draft()).replace('"boot_ms":5', f'"boot_ms":{2**63}'), "boot_ms is out of range"),
        (to_text(draft()).replace('"boot_ms":5', '"boot_ms":true'), "boot_ms is True"),
        (to_text(draft()).replace('"author":"Ada",', ""), r"lacks \['author'\]"),
        (to_text(draft()).replace('"author"', '"moon":1,"author"'), r"\['moon'\] is not known"),
        (to_text(draft()).replace('"replaces":null', '"replaces":"the last one"'), "not the uuid"),
        (to_text(draft()).replace('"face"', '"typed"'), "written by the program"),
        (to_text(draft(kind="moon")), "kind 'moon' is not known here; known are visit"),
        (to_text(draft(point="nroth")), "point 'nroth' is not known here"),
        (to_text(draft(kind=ASK, point=None)), "names a point"),
        (b"\xff\xfe", "codec"),
    ],
)
def test_a_bad_file_is_put_aside_and_the_record_says_why(kit: Kit, text: str | bytes, why: str) -> None:
    put(kit.folder, text)
    good = drop(kit.folder, draft())
    turn = took(kit)
    assert [uuid for uuid, _ in turn.stored] == [good], "the others are taken all the same"
    assert [name for name, _ in turn.refused] == [f"{UUID}.json"]
    assert waiting(kit.folder) == ()
    assert [file.name.split("-", 1)[1] for file in kit.folder.bad.iterdir()] == [f"{UUID}.json"]
    outlook = look(kit, UUID)
    assert outlook.fate is Fate.REFUSED
    assert re.search(why, outlook.why)
    with Reader(kit.folder) as reader:
        assert reader.entry(UUID) is None


@pytest.mark.parametrize("name", ["note.json", UUID.upper().replace("1", "A") + ".json", "\udce9.json", "..json"])
def test_a_file_whose_name_is_no_uuid_is_put_aside(kit: Kit, name: str) -> None:
    put(kit.folder, to_text(draft()), name)
    assert "not a uuid" in took(kit).refused[0][1]
    assert waiting(kit.folder) == ()


def test_what_is_no_ordinary_file_is_neither_followed_nor_waited_for(kit: Kit, tmp_path: Path) -> None:
    secret = tmp_path / "elsewhere"
    secret.write_text(to_text(draft()))
    names = [f"{n}{UUID[1:]}.json" for n in range(3)]
    os.mkfifo(kit.folder.inbox / names[0])
    (kit.folder.inbox / names[1]).symlink_to(secret)
    (kit.folder.inbox / names[2]).mkdir()
    assert sorted(name for name, _ in took(kit).refused) == names
    assert secret.exists()
    assert len(list(kit.folder.bad.iterdir())) == 3


def test_other_words_under_a_uuid_in_use_are_refused(kit: Kit) -> None:
    drop(kit.folder, draft(), UUID)
    took(kit)
    drop(kit.folder, draft(author="Bob"), UUID)
    assert "uuid is taken" in took(kit).refused[0][1]
    with Reader(kit.folder) as reader:
        assert [entry.author for entry in reader.entries()] == ["Ada"]


def test_an_ask_is_handed_over_and_stays_until_it_is_done(kit: Kit) -> None:
    asked = draft(kind=ASK, content={})
    uuid = drop(kit.folder, asked)
    assert took(kit) == Turn(asks=(AskFile(uuid, asked),))
    assert took(kit, in_hand={uuid}) == Turn()
    assert look(kit, uuid) == Outlook(Fate.QUEUED)
    kit.add(kit.poll())
    event = Event(kit.writer.next_seq(), kit.writer.run.id, 0, 0, inbox.ASKED, canonical({"uuid": uuid, "poll": 1}))
    kit.add(event)
    finish(kit.folder, uuid)
    assert look(kit, uuid) == Outlook(Fate.TAKEN, 1)
    with Reader(kit.folder) as reader:
        assert reader.entries() == (), "an ask is no entry"


def look(kit: Kit, uuid: str) -> Outlook:
    return await_taken(lambda: Reader(kit.folder), kit.folder, uuid, 0, lambda _: None)


def test_who_waits_hears_when_it_is_taken_or_that_it_is_queued(kit: Kit) -> None:
    uuid = drop(kit.folder, draft())
    slept: list[float] = []
    turns: list[Turn] = []
    assert await_taken(lambda: Reader(kit.folder), kit.folder, uuid, 5, slept.append) == Outlook(Fate.QUEUED)
    assert sum(slept) == pytest.approx(5)
    outlook = await_taken(lambda: Reader(kit.folder), kit.folder, uuid, 5, lambda _: turns.append(took(kit)))
    assert outlook == Outlook(Fate.TAKEN, 1)


def test_a_drop_waits_for_a_record_that_is_not_there_yet(folder: RecordFolder) -> None:
    uuid = drop(folder, draft())
    assert await_taken(lambda: Reader(folder), folder, uuid, 1, lambda _: None).fate is Fate.QUEUED


def test_a_drop_that_cannot_be_kept_leaves_no_file(kit: Kit, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="float has no exact text"):
        drop(kit.folder, draft(content={"share": [0.5]}))
    with pytest.raises(EdgeFailure, match="no such record folder"):
        drop(RecordFolder(tmp_path / "nowhere"), draft())
    assert list(kit.folder.inbox.glob("*.*")) == []


def test_only_old_parts_are_cleaned(kit: Kit) -> None:
    part = put(kit.folder, "half a dr", f"{UUID}.part")
    made_ms = part.stat().st_mtime_ns // 1_000_000
    assert took(kit, shown_ms=made_ms + DAY_MS) == Turn()
    assert part.exists()
    took(kit, shown_ms=made_ms + DAY_MS + 1000)
    assert not part.exists()


def test_a_full_disk_leaves_the_drop_where_it_is(kit: Kit) -> None:
    with closing(sqlite3.connect(kit.folder.db, isolation_level=None)) as other:
        uuid = drop(kit.folder, draft())
        kit.writer._writing.execute("PRAGMA busy_timeout=0")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageFault):
            took(kit)
        other.execute("ROLLBACK")
    assert waiting(kit.folder) == (f"{uuid}.json",)
    assert took(kit).stored == ((uuid, 1),)


class DoubtfulDisk(sqlite3.Connection):
    """Its COMMIT says that it failed, and yet everything is on the disk, as after an fsync that came to nothing."""

    fail = False

    def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
        cursor = super().execute(sql, *parameters)
        if DoubtfulDisk.fail and sql == "COMMIT":
            error = sqlite3.OperationalError("as if")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR_FSYNC
            raise error
        return cursor


@pytest.mark.parametrize("text", [to_text(draft()), "garbage"])
def test_the_number_of_a_commit_that_failed_and_is_there_is_not_given_again(
    folder: RecordFolder, again: Callable[..., Kit], text: str
) -> None:
    kit = again(folder, connect=lambda *path, **options: sqlite3.connect(*path, factory=DoubtfulDisk, **options))
    put(folder, text)
    DoubtfulDisk.fail = True
    try:
        with pytest.raises(StorageFault):
            took(kit)
    finally:
        DoubtfulDisk.fail = False
    kit.add(kit.poll())  # another fact under the same number would end the writer
    took(kit)
    kit.add(kit.poll())
    with Reader(folder) as reader:
        assert [entry.uuid for entry in reader.entries()] == ([UUID] if text != "garbage" else [])
    assert waiting(folder) == ()
    kit.writer.close()


def test_a_file_that_cannot_be_moved_holds_up_no_other_and_is_told_once(
    kit: Kit, monkeypatch: pytest.MonkeyPatch
) -> None:
    stuck = kit.folder.inbox / "heap.json"
    stuck.mkdir()  # of another user, as root's `mkdir` leaves it: it can be neither moved nor emptied
    honest = pathlib.Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self == stuck:
            raise PermissionError(13, "Permission denied")
        return honest(self, target)

    monkeypatch.setattr(pathlib.Path, "rename", rename)
    uuid = drop(kit.folder, draft())
    turn = took(kit)
    assert ([name for name, _ in turn.refused], turn.lying) == (["heap.json"], ("heap.json",))
    assert [stored for stored, _ in turn.stored] == [uuid]
    for _ in range(3):
        assert took(kit, lying=turn.lying) == Turn()
    with Reader(kit.folder) as reader:
        assert [event.name for event, _ in reader.events(1, 99)] == [inbox.REFUSED]


def test_an_entry_whose_file_cannot_be_taken_away_is_stored_once(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    def unlink(self: Path, *, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied")

    uuids = {drop(kit.folder, draft()) for _ in range(2)}
    monkeypatch.setattr(pathlib.Path, "unlink", unlink)
    turn = took(kit)
    assert {uuid for uuid, _ in turn.stored} == uuids
    assert took(kit, lying=turn.lying) == Turn()


def test_a_flood_is_taken_in_turns(kit: Kit) -> None:
    for _ in range(7):
        drop(kit.folder, draft())
    assert [len(took(kit, at_most=3).stored) for _ in range(4)] == [3, 3, 1, 0]


def taker(folder: RecordFolder) -> int:
    """A child that takes what waits, again and again, until it is killed."""
    child = os.fork()
    if child:
        return child
    try:
        with open_writer(folder, "0.test", "boot-1") as writer:
            while True:
                take(writer, folder, kinds={"visit"}, boot_ms=0, shown_ms=0)
    finally:
        os._exit(1)


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_is_lost_or_doubled_when_the_taker_is_killed(folder: RecordFolder, seed: int) -> None:
    """1,200 drops with 26 kills were measured; here the same in small."""
    chance = Random(seed)
    dropped: list[str] = []
    kills = between = 0
    while len(dropped) < 120:
        dropped += [drop(folder, draft(content={"n": len(dropped) + n})) for n in range(chance.randrange(6, 20))]
        _take_until_killed(folder, chance)
        kills += 1
        between += _stored_and_still_there(folder)
    left = len(waiting(folder))
    with open_writer(folder, "0.test", "boot-1") as writer:
        while waiting(folder):
            take(writer, folder, kinds={"visit"}, boot_ms=0, shown_ms=0)
    with Reader(folder) as reader:
        numbers = [json.loads(entry.content)["n"] for entry in reader.entries()]
    print(f"seed {seed}: {len(dropped)} drops, {kills} kills, {between} between commit and unlink, {left} left at last")
    assert sorted(numbers) == list(range(len(dropped)))


def _take_until_killed(folder: RecordFolder, chance: Random) -> None:
    few = chance.randrange(1, len(waiting(folder)))
    child = taker(folder)
    for _ in range(20_000):
        if len(waiting(folder)) <= few:
            break
        time.sleep(0.0005)
    time.sleep(chance.random() / 1000)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def _stored_and_still_there(folder: RecordFolder) -> int:
    with Reader(folder) as reader:
        return sum(reader.entry(name.removesuffix(".json")) is not None for name in waiting(folder))


plain_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.text(max_size=8).filter(lambda name: name != "typed"), plain_values, max_size=5))
def test_a_draft_comes_back_from_its_text(content: dict[str, object]) -> None:
    one = draft(content=content)
    assert from_text(to_text(one)) == one


@given(st.text())
def test_any_text_gives_a_draft_or_a_reason(text: str) -> None:
    try:
        from_text(text)
    except ValueError as why:
        assert str(why)  # noqa: PT017 - either way is right

"""The one writer on real files: what it acknowledged is there, what it refused is not there at all."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.facts import Poll
from tallywell.readings.problems import EdgeFailure, StorageFault
from tallywell.store.append import broken_link, chain_at, open_writer
from tallywell.store.chain import BLOCK
from tallywell.store.database import RecordFolder, lock_held
from tallywell.store.query import Reader

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.store.conftest import Kit

TOO_LARGE = 2**63  # a uint64 register may hold it; SQLite's INTEGER ends one below


class Failing(sqlite3.Connection):
    """A connection whose next statements of a kind fail, as a disk would make them."""

    fail: tuple[str, int] | None = None  # (how the statement begins, SQLite's extended error code)

    def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
        if Failing.fail and sql.startswith(Failing.fail[0]):
            error = sqlite3.OperationalError("as if")
            error.sqlite_errorcode = Failing.fail[1]
            raise error
        return super().execute(sql, *parameters)


def failing(*path: object, **options: object) -> sqlite3.Connection:
    return sqlite3.connect(*path, factory=Failing, **options)  # type: ignore[call-overload,no-any-return]  # named values of a test


def polls_of(folder: RecordFolder, point: int = 1) -> list[Poll]:
    with Reader(folder) as reader:
        return [poll for poll, _ in reader.polls(point, 1, 2**62)]


def test_what_was_appended_is_read_back(kit: Kit) -> None:
    facts = [kit.poll(boot_ms=n, forward=n, flow=0.1 * n, fault="no_answer" if n else None) for n in range(5)]
    kit.add(*facts)
    assert polls_of(kit.folder) == facts


def test_numbers_go_on_after_a_restart(kit: Kit, again: Callable[..., Kit]) -> None:
    kit.add(kit.poll(), kit.event(), kit.anchor(0, 5))
    kit.writer.close()
    second = again(kit.folder, "boot-2")
    with second.writer as writer:
        assert writer.next_seq() == 4
        assert writer.run.id == kit.writer.run.id + 1
        assert (second.point, second.plan) == (kit.point, kit.plan)


@pytest.mark.parametrize("column", ["forward", "reverse", "net", "status"])
@pytest.mark.parametrize("count", [TOO_LARGE, 2**64 - 1, -(2**63) - 1])
def test_a_count_beyond_64_bits_with_sign_does_not_stop_the_store(kit: Kit, column: str, count: int) -> None:
    poll = kit.poll(fault="out_of_range", raw=b"\xff" * 8, **{column: count})
    kit.add(poll)
    nothing: dict[str, Any] = {column: None}
    assert polls_of(kit.folder) == [replace(poll, **nothing)]
    kit.add(poll)  # appended again after a fault it is still the same fact


def test_the_greatest_count_that_fits_is_kept(kit: Kit) -> None:
    poll = kit.poll(forward=TOO_LARGE - 1, net=-(2**63), flow=float("inf"))
    kit.add(poll)
    assert polls_of(kit.folder) == [poll]


def test_a_flow_that_is_no_number_is_left_out(kit: Kit) -> None:
    kit.add(kit.poll(flow=float("nan")))
    assert polls_of(kit.folder)[0].flow is None


def test_the_same_facts_again_change_nothing_and_other_facts_are_refused(kit: Kit) -> None:
    first, second = kit.poll(forward=1), kit.event()
    kit.add(first, second)
    kit.add(first, second)
    new = kit.poll()
    with pytest.raises(ValueError, match="seq is taken"):
        kit.add(new, replace(first, forward=2))
    assert polls_of(kit.folder) == [first], "the whole append is refused, not a part of it"


def test_facts_that_cannot_be_ours_are_refused(kit: Kit) -> None:
    good = kit.poll()
    for bad, why in (
        (replace(good, run=99), "run 99"),
        (replace(good, point=99), "point 99"),
        (replace(good, plan=99), "plan 99"),
    ):
        with pytest.raises(ValueError, match=why):
            kit.add(bad)


@pytest.mark.parametrize("begins", ["INSERT INTO event", "COMMIT", "BEGIN"])
@pytest.mark.parametrize(
    ("code", "says"), [(sqlite3.SQLITE_FULL, "disk is full"), (sqlite3.SQLITE_IOERR_FSYNC, "disk does not answer")]
)
def test_a_disk_that_fails_leaves_nothing_behind_and_the_same_append_works_later(
    folder: RecordFolder, again: Callable[..., Kit], begins: str, code: int, says: str
) -> None:
    kit = again(folder, connect=failing)
    facts = (kit.poll(), kit.event())
    Failing.fail = (begins, code)
    try:
        with pytest.raises(StorageFault, match=says) as raised:
            kit.add(*facts)
        assert raised.value.again
        assert raised.value.hint
        with pytest.raises(StorageFault):
            kit.add(*facts)
    finally:
        Failing.fail = None
    assert polls_of(folder) == []
    later = kit.poll()
    kit.add(*facts)
    kit.add(later)
    assert polls_of(folder) == [facts[0], later]
    assert lock_held(folder), "the lock was never let go meanwhile"
    kit.writer.close()


def test_a_record_that_was_taken_away_is_not_said_to_be_stored(kit: Kit) -> None:
    kit.add(kit.poll())
    kit.folder.db.rename(kit.folder.path / "elsewhere.db")
    with pytest.raises(EdgeFailure, match="moved or replaced while it was being written") as raised:
        kit.add(kit.poll())
    assert not isinstance(raised.value, StorageFault), "trying again would not help"


def test_another_file_in_the_records_place_is_not_gone_on_with(kit: Kit) -> None:
    kit.add(kit.poll())
    copy = kit.folder.path / "copy.db"
    copy.write_bytes(kit.folder.db.read_bytes())
    copy.rename(kit.folder.db)
    with pytest.raises(EdgeFailure, match="moved or replaced"):
        kit.add(kit.poll())
    for _ in range(2):
        with pytest.raises(EdgeFailure, match="moved or replaced"):
            kit.writer.reopen()


def test_a_text_a_point_and_a_plan_are_stored_once(kit: Kit, again: Callable[..., Kit]) -> None:
    text, point = kit.writer.text("map", "map: a\n"), kit.writer.point("south")
    kit.writer.close()
    writer = again(kit.folder).writer
    assert writer.text("map", "map: a\n") == text
    assert writer.point("south") == point
    with Reader(kit.folder) as reader:
        assert reader.text(text).sha256 == sha256(b"map: a\n").digest()
        assert reader.text_by_hash(sha256(b"map: a\n").digest()) == reader.text(text)
        assert reader.points() == {kit.point: "north", point: "south"}
        assert reader.plan(kit.plan).reads[0].words == 8
        assert len(reader.runs()) == 2
    writer.close()


# --- the lock


def test_a_second_writer_is_told_who_writes(kit: Kit) -> None:
    import os

    assert lock_held(kit.folder)
    with pytest.raises(EdgeFailure, match=f"written by process {os.getpid()}; let it do"):
        open_writer(kit.folder, "0.test", "b")
    kit.writer.close()
    assert not lock_held(kit.folder)
    open_writer(kit.folder, "0.test", "b").close()


def test_a_failed_opening_gives_the_lock_back(folder: RecordFolder) -> None:
    folder.db.write_bytes(b"this was a photograph once " * 100)
    with pytest.raises(EdgeFailure, match=r"is not a record .*last copy in its place"):
        open_writer(folder, "0.test", "b")
    assert not lock_held(folder)


def test_a_database_of_something_else_is_left_alone(folder: RecordFolder) -> None:
    with sqlite3.connect(folder.db) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    with pytest.raises(EdgeFailure, match="no Tallywell record"):
        open_writer(folder, "0.test", "b")


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    nowhere = RecordFolder(tmp_path / "nowhere")
    assert not lock_held(nowhere)
    for opening in (lambda: open_writer(nowhere, "0.test", "b"), lambda: Reader(nowhere)):
        with pytest.raises(EdgeFailure, match="`tallywell run` makes it"):
            opening()


def test_a_closed_writer_says_so(kit: Kit) -> None:
    kit.writer.close()
    kit.writer.close()
    with pytest.raises(ValueError, match="closed"):
        kit.add(kit.event())


# --- the chain


def plain_chain(folder: RecordFolder, upto: int) -> bytes:
    """The same value from the tables alone, written without the program's own reading and hashing."""
    db = sqlite3.connect(folder.db)
    db.row_factory = sqlite3.Row
    lines: dict[int, str] = {}
    for table in ("poll", "anchor", "event", "entry"):
        for row in db.execute(f"SELECT * FROM {table} WHERE seq <= ?", (upto,)):
            said = dict(row) | {
                "fact": table,
                "run": db.execute("SELECT uuid FROM run WHERE id=?", (row["run"],)).fetchone()[0],
            }
            if table == "poll":
                sql = "SELECT lower(hex(sha256)) AS map, reads FROM plan, text WHERE plan.id = ? AND text.id = plan.map"
                said["plan"] = dict(db.execute(sql, (row["plan"],)).fetchone())
                said["raw"] = row["raw"] and row["raw"].hex()
                said["flow"] = None if row["flow"] is None else row["flow"].hex()
            if said.get("point"):
                said["point"] = db.execute("SELECT name FROM point WHERE id=?", (row["point"],)).fetchone()[0]
            lines[row["seq"]] = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    db.close()
    value = bytes(32)
    for first in range(1, upto + 1, 1024):
        here = (lines[seq] + "\n" for seq in range(first, min(first + 1024, upto + 1)) if seq in lines)
        value = sha256(value + "".join(here).encode()).digest()
    return value


def test_the_chain_is_what_its_law_says(kit: Kit) -> None:
    facts = [kit.poll(boot_ms=n, flow=n / 7, forward=n) if n % 5 else kit.event(content='{"à":1}') for n in range(2500)]
    for at in range(0, 2500, 100):
        kit.add(*facts[at : at + 100])
    with Reader(kit.folder) as reader:
        assert [link.last_seq for link in reader.links()] == [1024, 2048]
        for seq in (1, 7, 1023, 1024, 1025, 2048, 2500):
            assert chain_at(reader, seq) == plain_chain(kit.folder, seq), seq
        assert broken_link(reader) is None


@given(st.permutations(range(40)), st.integers(1, 9))
@settings(max_examples=15, deadline=None)
def test_the_chain_does_not_depend_on_the_order_of_commits(order: list[int], at_once: int) -> None:
    import tempfile
    from pathlib import Path

    from tallywell.readings.facts import Event

    with tempfile.TemporaryDirectory() as where:
        folder = RecordFolder(Path(where) / "record")
        folder.create()
        with open_writer(folder, "0.test", "b") as writer:
            facts = [Event(n, writer.run.id, 0, 0, "x", "{}") for n in range(1, BLOCK - 19)]
            writer.append(facts)
            over_the_edge = [Event(writer.next_seq(), writer.run.id, 0, 0, "y", "{}") for _ in range(40)]
            for at in range(0, 40, at_once):
                writer.append([over_the_edge[n] for n in order[at : at + at_once]])
            with Reader(folder) as reader:
                assert [link.last_seq for link in reader.links()] == [BLOCK]
                assert broken_link(reader) is None


def test_a_number_below_a_link_cannot_be_used_any_more(kit: Kit) -> None:
    unused = kit.writer.next_seq()
    kit.add(*(kit.event() for _ in range(BLOCK + 5)))
    with Reader(kit.folder) as reader:
        assert reader.links() == (), "the block waits for the number that was given"
        kit.writer.give_back(unused)
        kit.add(kit.event())
        assert broken_link(reader) is None
        assert len(reader.links()) == 1
    with pytest.raises(ValueError, match="closed over its number"):
        kit.add(kit.poll(seq=unused))


def test_a_start_closes_the_blocks_that_an_unclean_end_left_open(kit: Kit, again: Callable[..., Kit]) -> None:
    kit.writer.next_seq()
    kit.add(*(kit.event() for _ in range(BLOCK + 5)))
    kit.writer.close()
    again(kit.folder).writer.close()
    with Reader(kit.folder) as reader:
        assert [link.last_seq for link in reader.links()] == [BLOCK]
        assert broken_link(reader) is None


def test_a_record_that_was_edited_is_found_out(kit: Kit) -> None:
    kit.add(*(kit.poll(forward=n) for n in range(2100)))
    kit.writer.close()
    with sqlite3.connect(kit.folder.db) as editor:
        editor.execute("DROP TRIGGER poll_no_update")
        editor.execute("UPDATE poll SET forward = 5000 WHERE seq = 1500")
    editor.close()
    with Reader(kit.folder) as reader:
        assert broken_link(reader) == 2048

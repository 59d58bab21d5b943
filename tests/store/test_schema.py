"""What the tables themselves refuse, whoever writes with whatever program."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from tallywell.readings.problems import EdgeFailure
from tallywell.store import schema
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.store.conftest import Kit

UUID = "11111111-1111-4111-8111-111111111111"
OTHER = "22222222-2222-4222-8222-222222222222"
ENTRY = (3, UUID, 1, 0, 0, None, "visit", None, "Ada", None, "{}")


@pytest.fixture
def plain(kit: Kit) -> Iterator[sqlite3.Connection]:
    """Another program's connection to a record with poll 1, event 2, entry 3 and anchor 4."""
    kit.add(kit.poll(boot_ms=5, flow=1.5, forward=7), kit.event())
    with closing(sqlite3.connect(kit.folder.db, isolation_level=None)) as other:
        other.execute(schema.insert("entry"), ENTRY)
        other.execute(schema.insert("anchor"), (4, 1, 0, 0, 0))
        yield other


@pytest.mark.parametrize("table", list(schema.COLUMNS))
@pytest.mark.parametrize(
    "statement", ["DELETE FROM {0}", "UPDATE {0} SET {1} = {1}", "UPDATE OR REPLACE {0} SET {1} = 1"]
)
def test_nothing_is_changed_or_deleted(plain: sqlite3.Connection, table: str, statement: str) -> None:
    if table == "link":
        plain.execute("INSERT INTO link VALUES (1, 1024, x'00')")
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        plain.execute(statement.format(table, schema.COLUMNS[table][0]))


def changed(plain: sqlite3.Connection, table: str, key: str, **other: object) -> tuple[object, ...]:
    columns = schema.COLUMNS[table]
    row = plain.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {key} LIMIT 1").fetchone()
    return tuple(other.get(name, old) for name, old in zip(columns, row, strict=True))


@pytest.mark.parametrize("verb", ["INSERT", "INSERT OR REPLACE", "INSERT OR IGNORE", "REPLACE"])
@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("poll", "got", 0),
        ("poll", "raw", None),
        ("poll", "flow", 1.25),
        ("poll", "forward", None),
        ("event", "content", '{"a":1}'),
        ("entry", "content", '{"a":1}'),
        ("entry", "uuid", OTHER),
        ("text", "content", "map: another\n"),
        ("run", "boot_id", "boot-2"),
        ("point", "name", "south"),
        ("plan", "reads", "[]"),
    ],
)
def test_a_row_that_says_something_else_under_a_key_in_use_is_refused(
    plain: sqlite3.Connection, verb: str, table: str, column: str, value: object
) -> None:
    key = schema.COLUMNS[table][0]
    before = plain.execute(f"SELECT * FROM {table}").fetchall()
    row = changed(plain, table, key, **{column: value})
    with pytest.raises(sqlite3.IntegrityError, match="taken"):
        plain.execute(f"{verb} INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    assert plain.execute(f"SELECT * FROM {table}").fetchall() == before


@pytest.mark.parametrize("verb", ["INSERT", "INSERT OR REPLACE", "INSERT OR ABORT"])
@pytest.mark.parametrize("table", ["poll", "event", "entry", "text", "run", "point", "plan"])
def test_the_same_row_again_changes_nothing(plain: sqlite3.Connection, verb: str, table: str) -> None:
    before = plain.execute(f"SELECT * FROM {table}").fetchall()
    row = changed(plain, table, schema.COLUMNS[table][0])
    plain.execute(f"{verb} INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    assert plain.execute(f"SELECT * FROM {table}").fetchall() == before


@pytest.mark.parametrize("verb", ["INSERT", "INSERT OR REPLACE"])
@pytest.mark.parametrize("seq", [1, 2, 3, 4])
@pytest.mark.parametrize("table", ["poll", "anchor", "event", "entry"])
def test_a_number_is_used_once_over_all_fact_tables(plain: sqlite3.Connection, verb: str, seq: int, table: str) -> None:
    rows: dict[str, tuple[object, ...]] = {
        "poll": (seq, 1, 1, 1, 0, 0, None, 0, None, "no_answer", None, None, None, None, None, None),
        "anchor": (seq, 1, 7, 7, 7),
        "event": (seq, 1, 0, 0, "another", "{}"),
        "entry": (seq, OTHER, 1, 0, 0, None, "visit", None, "Ada", None, "{}"),
    }
    with pytest.raises(sqlite3.IntegrityError, match="seq is taken"):
        plain.execute(f"{verb} INTO {table} VALUES ({', '.join('?' * len(rows[table]))})", rows[table])


def test_an_entry_taken_again_under_a_new_number_is_stored_once(plain: sqlite3.Connection) -> None:
    again = (9, *ENTRY[1:3], 777, 888, *ENTRY[5:])  # another number, another moment of taking, the same words
    for statement in (schema.insert("entry"), schema.insert("entry").replace("INSERT", "INSERT OR REPLACE", 1)):
        if "OR REPLACE" in statement:
            statement = statement.replace(" ON CONFLICT(uuid) DO NOTHING", "")  # noqa: PLW2901 - SQLite takes one of them
        plain.execute(statement, again)
        assert plain.execute("SELECT * FROM entry").fetchall() == [ENTRY]


def test_a_uuid_with_other_words_is_not_swallowed(plain: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="uuid is taken"):
        plain.execute(schema.insert("entry"), (9, *ENTRY[1:-1], '{"other":1}'))


@pytest.mark.parametrize("seq", [None, 0, -1])
def test_a_fact_needs_its_number(plain: sqlite3.Connection, seq: int | None) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="seq must be given"):
        plain.execute(schema.insert("event"), (seq, 1, 0, 0, "x", "{}"))


def test_columns_keep_their_types(plain: sqlite3.Connection) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT"):
        plain.execute(schema.insert("anchor"), (9, 1, "soon", 0, 0))
    with pytest.raises(sqlite3.IntegrityError, match="NOT NULL"):
        plain.execute(schema.insert("anchor"), (9, 1, None, 0, 0))


def test_a_newer_record_is_refused_with_advice(kit: Kit, folder: RecordFolder) -> None:
    kit.writer.close()
    with closing(sqlite3.connect(folder.db)) as newer:
        newer.execute(schema.NOTE_CHANGE, ("2031-05 moons", "9.0"))
        newer.commit()
    for opening in (lambda: open_writer(folder, "0.test", "b"), lambda: Reader(folder)):
        with pytest.raises(EdgeFailure, match=r"newer tallywell \(change '2031-05 moons'\); install that version"):
            opening()


def test_the_changes_apply_in_order_and_once() -> None:
    names = tuple(change.name for change in schema.CHANGES)
    assert schema.missing(()) == schema.CHANGES
    assert schema.missing(names) == ()
    assert len(set(names)) == len(names)
    with pytest.raises(ValueError, match="newer"):
        schema.missing(("strange", *names))

"""The record's tables, as a list of named SQL changes, each applied once in one transaction with the note of it.

Fact tables (poll, anchor, event, entry) share one counter `seq` and only grow, and so do the tables they point into.
Triggers see to it, since INSERT OR REPLACE fires no delete trigger (https://sqlite.org/lang_createtrigger.html: delete
triggers fire for REPLACE only under recursive_triggers, which each connection may leave off). A change is never edited
once released: the next one is added below it.
"""

from dataclasses import dataclass, fields

from tallywell.readings.facts import Anchor, Entry, Event, Fact, Poll, Run

APPLICATION_ID = 0x54616C79  # the header's application id (https://sqlite.org/fileformat.html#application_id): "Taly"

TABLE: dict[type[Fact], str] = {Poll: "poll", Anchor: "anchor", Event: "event", Entry: "entry"}
COLUMNS: dict[str, tuple[str, ...]] = {
    **{table: tuple(field.name for field in fields(kind)) for kind, table in TABLE.items()},
    "text": ("id", "sha256", "kind", "content"),
    "run": tuple(field.name for field in fields(Run)),
    "point": ("id", "name"),
    "plan": ("id", "map", "reads"),
    "link": ("id", "last_seq", "sha256"),
}
STATED = ("about_ms", "kind", "point", "author", "replaces", "content")  # of an entry: what the person said


def insert(table: str) -> str:
    """The one way a row of this table is written; parameters in the order of COLUMNS."""
    columns = COLUMNS[table]
    once = " ON CONFLICT(uuid) DO NOTHING" if table == "entry" else ""
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))}){once}"


@dataclass(frozen=True, slots=True)
class Change:
    """One step of the schema. `name` is what the table `change` remembers."""

    name: str
    statements: tuple[str, ...]


_TABLES = """
CREATE TABLE text (id INTEGER PRIMARY KEY, sha256 BLOB NOT NULL UNIQUE, kind TEXT NOT NULL,
    content TEXT NOT NULL) STRICT;
CREATE TABLE run (id INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, boot_id TEXT NOT NULL,
    version TEXT NOT NULL) STRICT;
CREATE TABLE point (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE plan (id INTEGER PRIMARY KEY, map INTEGER NOT NULL, reads TEXT NOT NULL) STRICT;
CREATE TABLE poll (seq INTEGER PRIMARY KEY, run INTEGER NOT NULL, point INTEGER NOT NULL, plan INTEGER NOT NULL,
    boot_ms INTEGER NOT NULL, shown_ms INTEGER NOT NULL, utc_ms INTEGER,
    got INTEGER NOT NULL, raw BLOB, fault TEXT, refused TEXT,
    forward INTEGER, reverse INTEGER, net INTEGER, flow REAL, status INTEGER) STRICT;
CREATE TABLE anchor (seq INTEGER PRIMARY KEY, run INTEGER NOT NULL, boot_ms INTEGER NOT NULL,
    utc_ms INTEGER NOT NULL, half_width_ms INTEGER NOT NULL) STRICT;
CREATE TABLE event (seq INTEGER PRIMARY KEY, run INTEGER NOT NULL, boot_ms INTEGER NOT NULL,
    shown_ms INTEGER NOT NULL, name TEXT NOT NULL, content TEXT NOT NULL) STRICT;
CREATE TABLE entry (seq INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, run INTEGER NOT NULL,
    boot_ms INTEGER NOT NULL, shown_ms INTEGER NOT NULL, about_ms INTEGER,
    kind TEXT NOT NULL, point INTEGER, author TEXT NOT NULL, replaces TEXT, content TEXT NOT NULL) STRICT;
CREATE TABLE link (id INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, sha256 BLOB NOT NULL) STRICT
"""


def _same(table: str, columns: tuple[str, ...], key: str) -> str:
    """Whether a row with the new row's key is there and says the same."""
    alike = " AND ".join(f"{column} IS NEW.{column}" for column in columns)
    return f"EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key} AND {alike})"


def _taken(table: str, key: str) -> str:
    return f"EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key})"


def _ignore(condition: str) -> str:
    return f"SELECT RAISE(IGNORE) WHERE {condition};"


def _refuse(message: str, condition: str) -> str:
    return f"SELECT RAISE(ABORT, '{message}') WHERE {condition};"


def _before_insert(table: str, steps: tuple[str, ...]) -> str:
    return f"CREATE TRIGGER {table}_once BEFORE INSERT ON {table} BEGIN {' '.join(steps)} END"


def _fact_once(table: str) -> str:
    """A number is used once over all fact tables: three look-ups by key, in pages that the last insert has touched."""
    steps: tuple[str, ...] = (
        _refuse("seq must be given, from 1 up", "NEW.seq IS NULL OR NEW.seq < 1"),
        _ignore(_same(table, COLUMNS[table], "seq")),
        _refuse("seq is taken by another fact", " OR ".join(_taken(other, "seq") for other in TABLE.values())),
    )
    if table == "entry":
        steps += (
            _ignore(_same(table, STATED, "uuid")),
            _refuse("uuid is taken by an entry that says something else", _taken(table, "uuid")),
        )
    return _before_insert(table, steps)


def _row_once(table: str, unique: str | None) -> str:
    """As for facts; a row that is there under its unique column stays as it is under its own id."""
    rest = tuple(column for column in COLUMNS[table] if column != "id")
    steps: tuple[str, ...] = (_ignore(_same(table, rest, "id")), _refuse("id is taken", _taken(table, "id")))
    if unique:
        steps += (_ignore(_same(table, rest, unique)), _refuse(f"{unique} is taken", _taken(table, unique)))
    return _before_insert(table, steps)


def _never(table: str, verb: str) -> str:
    return (
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the record only grows: no {verb} on {table}'); END"
    )


_UNIQUE = {"text": "sha256", "run": "uuid", "point": "name", "plan": None, "link": None}

CHANGES: tuple[Change, ...] = (
    Change(
        "2026-11 first tables",
        (
            *(statement.strip() for statement in _TABLES.split(";")),
            *(_fact_once(table) for table in TABLE.values()),
            *(_row_once(table, unique) for table, unique in _UNIQUE.items()),
            *(_never(table, verb) for table in COLUMNS for verb in ("UPDATE", "DELETE")),
        ),
    ),
)

CHANGE_TABLE = "CREATE TABLE change (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, version TEXT NOT NULL) STRICT"
NOTE_CHANGE = "INSERT INTO change (name, version) VALUES (?, ?)"


def missing(applied: tuple[str, ...]) -> tuple[Change, ...]:
    """The changes still to make, in order. ValueError: the record has changes that this program does not know."""
    known = [change.name for change in CHANGES]
    strange = [name for name in applied if name not in known]
    if strange or list(applied) != known[: len(applied)]:
        raise ValueError(f"the record was written by a newer tallywell (change {(strange or list(applied))[-1]!r})")
    return CHANGES[len(applied) :]

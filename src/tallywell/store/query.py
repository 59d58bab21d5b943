"""Edge: reading the record beside its writer. Rows are found by their keys alone: no table of polls is ever scanned."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any

from tallywell.readings.clocks import When
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Anchor, Entry, Event, Fact, Poll, Run
from tallywell.readings.problems import EdgeFailure
from tallywell.store import dating
from tallywell.store.chain import BLOCK, Link
from tallywell.store.database import (
    GROUP,
    Connect,
    RecordFolder,
    StoredNames,
    changes_to_make,
    connect_reading,
    facts_between,
    newest_seq,
    reading_faults,
    select,
)
from tallywell.store.dating import Stated
from tallywell.store.schema import TABLE

WIDER_MS = 60_000  # lines interleave and an anchor may move UTC by a second or two, so seq and time part a little
CHUNK = 4096  # numbers looked at in one transaction
_LAST = 2**63 - 1

_AT_OR_AFTER = {kind: select(table, "seq >= ? ORDER BY seq LIMIT 1") for kind, table in TABLE.items()}
_AT_OR_BEFORE = {kind: select(table, "seq <= ? ORDER BY seq DESC LIMIT 1") for kind, table in TABLE.items()}
_ANCHOR_UPTO = select("anchor", "seq <= ? ORDER BY seq DESC LIMIT 1")
_ANCHOR_AFTER = select("anchor", "seq > ? ORDER BY seq LIMIT 1")
_RUN_BEFORE = select("run", "id < ? ORDER BY id DESC LIMIT 1")
_POLLS = select("poll", "seq BETWEEN ? AND ? AND point = ? ORDER BY seq")
_POLLS_BACK = select("poll", "seq BETWEEN ? AND ? AND point = ? ORDER BY seq DESC")
_NEWEST_GOOD = "SELECT max(seq) FROM poll WHERE seq > ? AND fault IS NULL GROUP BY point, plan ORDER BY 1 DESC"
_EVENTS_BACK = select("event", "seq < ? AND seq >= ? ORDER BY seq DESC LIMIT ?")


@dataclass(frozen=True, slots=True)
class Text:
    """A stored site file or map. `sha256` is of the UTF-8 content."""

    id: int
    sha256: bytes
    kind: str
    content: str


@dataclass(frozen=True, slots=True)
class Plan:
    """What a poll asked: `map_text` is the id of the map's text; `reads` in raw's order."""

    id: int
    map_text: int
    reads: tuple[Read, ...]


class Reader:
    """Opens the record mode=ro; each look is a short transaction. Context manager. For one thread.

    EdgeFailure with a hint where there is no record yet or it may not be read. Iterators fetch in chunks, so that a
    slow consumer never holds a transaction. When.boot is the id of the boot's first run: it orders boots, with holes.
    """

    def __init__(self, folder: RecordFolder, connect: Connect = sqlite3.connect) -> None:
        self.folder = folder
        _must_be_there(folder)
        with reading_faults(folder):
            self._reading = connect_reading(folder, connect)
            try:
                _must_be_ready(folder, self._reading)
            except BaseException:
                self._reading.close()
                raise
        self.names = StoredNames(self._reading)
        self._runs: dict[int, Run] = {}
        self._boots: dict[int, int] = {}
        self._span: _Span | None = None
        self._said: tuple[int, dict[str, Stated]] = (0, {})
        self._disputed: tuple[dating.Redate, ...] | None = None

    def close(self) -> None:
        self._reading.close()

    def __enter__(self) -> "Reader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """All rows at once: a cursor left half read would hold its transaction, and the -wal file could only grow."""
        with reading_faults(self.folder):
            return self._reading.execute(sql, values).fetchall()

    def _row(self, sql: str, *values: object) -> tuple[Any, ...] | None:
        rows = self._rows(sql, *values)
        return rows[0] if rows else None

    # --- names and texts

    def runs(self) -> tuple[Run, ...]:
        return tuple(Run(*row) for row in self._rows(select("run", "TRUE ORDER BY id")))

    def run(self, run_id: int) -> Run:
        """KeyError: no such run."""
        if run_id not in self._runs:
            self._runs[run_id] = Run(*self._must("run", run_id))
        return self._runs[run_id]

    def point_id(self, name: str) -> int | None:
        """None: nothing was ever recorded under that name."""
        row = self._row("SELECT id FROM point WHERE name = ?", name)
        return row[0] if row else None

    def points(self) -> dict[int, str]:
        return dict(self._rows("SELECT id, name FROM point ORDER BY id"))

    def text(self, text_id: int) -> Text:
        """KeyError: no such text."""
        return Text(*self._must("text", text_id))

    def text_by_hash(self, sha256: bytes) -> Text | None:
        row = self._row(select("text", "sha256 = ?"), sha256)
        return Text(*row) if row else None

    def plan(self, plan_id: int) -> Plan:
        """KeyError: no such plan."""
        number, map_text, reads = self._must("plan", plan_id)
        return Plan(number, map_text, tuple(Read(*read) for read in json.loads(reads)))

    def _must(self, table: str, number: int) -> tuple[Any, ...]:
        row = self._row(select(table, "id = ?"), number)
        if row is None:
            raise KeyError(f"no {table} {number} in {self.folder.path}")
        return row

    # --- the chain

    def last_link(self, upto_seq: int) -> Link | None:
        """The newest link at or below a seq."""
        row = self._row(select("link", "id <= ? ORDER BY id DESC LIMIT 1"), upto_seq // BLOCK)
        return Link(*row) if row else None

    def links(self) -> tuple[Link, ...]:
        return tuple(Link(*row) for row in self._rows(select("link", "TRUE ORDER BY id")))

    def facts(self, first_seq: int, last_seq: int) -> list[Fact]:
        """Every fact of these numbers in order of seq, held in memory: for blocks, not for years."""
        with reading_faults(self.folder):
            return facts_between(self._reading, first_seq, last_seq)

    # --- boots and dates

    def when(self, fact: Fact) -> When:
        """Its date: own, else by its boot's anchors, else as a person stated, else none; put right where a person
        disputed it (see dating).
        """
        found = self._first_dated(fact)
        return found if isinstance(fact, Anchor) else dating.redated(found, fact.seq, self._redated())

    def _first_dated(self, fact: Fact) -> When:
        """Its date before anybody disputed it: this grows with seq."""
        boot = self._boot(fact.run)
        if isinstance(fact, Anchor):
            return When(boot, fact.boot_ms, fact.utc_ms, fact.half_width_ms)
        anchor = self._anchor(fact.seq, boot)
        own = fact.utc_ms if isinstance(fact, Poll) else None
        said = self._stated(self.run(fact.run).boot_id) if anchor is None and own is None else None
        return dating.when(boot, fact.boot_ms, own, anchor, said)

    def _boot(self, run_id: int) -> int:
        """The id of the first run of the same boot: runs of one boot follow one another."""
        if run_id not in self._boots:
            boot_id, first, passed = self.run(run_id).boot_id, run_id, [run_id]
            while (row := self._row(_RUN_BEFORE, first)) and row[2] == boot_id and first not in self._boots:
                first = row[0]
                passed.append(first)
            boot = self._boots.get(first, first)
            self._boots.update(dict.fromkeys(passed, boot))
        return self._boots[run_id]

    def _anchor(self, seq: int, boot: int) -> Anchor | None:
        """The last anchor before the number, else the first after it, if it is of this boot."""
        if self._span is None or not self._span.first <= seq < self._span.end:
            self._span = self._look_around(seq)
        before, after = self._span.before, self._span.after
        if before and self._boot(before.run) == boot:
            return before
        return after if after and self._boot(after.run) == boot else None

    def _look_around(self, seq: int) -> "_Span":
        before, after = self._row(_ANCHOR_UPTO, seq), self._row(_ANCHOR_AFTER, seq)
        last, coming = Anchor(*before) if before else None, Anchor(*after) if after else None
        # Without a coming anchor the next row looks again: the writer may have added one meanwhile.
        return _Span(last.seq if last else 1, coming.seq if coming else 0, last, coming)

    def _redated(self) -> tuple[dating.Redate, ...]:
        """Looked up once: who reads a report wants one answer throughout."""
        if self._disputed is None:
            self._disputed = dating.redates(self.entries())
        return self._disputed

    def suppose(self, redate: Entry) -> None:
        """From now on dates are as if this one were on record: for whoever asks what it would do."""
        self._disputed = dating.redates((*self.entries(), redate))

    def _stated(self, boot_id: str) -> Stated | None:
        return self._stated_clocks().get(boot_id)

    def _stated_clocks(self) -> dict[str, Stated]:
        row = self._row("SELECT max(seq) FROM entry")
        newest = (row[0] if row else None) or 0
        if newest != self._said[0]:
            self._said = (newest, dating.in_force(self.entries()))
        return self._said[1]

    # --- periods

    def newest_seq(self) -> int:
        """0 when the record holds no fact."""
        with reading_faults(self.folder):
            return newest_seq(self._reading)

    def seq_range(self, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int]:
        """(first, last) seq that hold the period, widened by 60 s and by undated boots at its edges.

        Found by bisection; empty when first > last. Facts outside may still matter to an interval over an edge: walk
        back with polls_back, read on past `last`.
        """
        first, last = self._range(from_utc_ms, to_utc_ms)
        for one in self._redated():
            begin, end = self._range(from_utc_ms - one.shift_ms, to_utc_ms - one.shift_ms)
            begin, end = max(begin, one.first_seq), min(end, one.last_seq)
            if begin <= end + 1:  # also a place between two rows, with none in it
                first, last = min(first, begin), max(last, end)
        return first, last

    def _range(self, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int]:
        first = self._first(lambda fact: self._not_before(fact, from_utc_ms - WIDER_MS))
        past = self._first(lambda fact: self._not_before(fact, to_utc_ms + WIDER_MS + 1))
        return first, self._past_undated(past) - 1

    def _first(self, holds: Callable[[Fact], bool]) -> int:
        """The least seq whose fact fulfils it, given that all later ones do; newest + 1 where none does."""
        low, high = 1, self.newest_seq() + 1
        while low < high:
            middle = (low + high) // 2
            fact = self._at_or_after(middle)
            if fact is None or holds(fact):
                high = middle
            else:
                low = fact.seq + 1
        return low

    def _not_before(self, fact: Fact, utc_ms: int) -> bool:
        """Whether the fact may be at this instant or later. It grows with seq: an undated boot counts as the next
        dated boot's start, which it came before.
        """
        known = fact.utc_ms if isinstance(fact, Poll | Anchor) else None  # needs no further look
        if known is None:
            when = self._first_dated(fact)
            known = self._next_start(fact, when.boot) if when.utc_ms is None else when.utc_ms
        return known is None or known >= utc_ms

    def _next_start(self, fact: Fact, boot: int) -> int | None:
        """When the first dated boot after this undated one began."""
        row = self._row(_ANCHOR_AFTER, fact.seq)
        anchor = Anchor(*row) if row else None
        said = self._first_stated(boot, self._boot(anchor.run) if anchor else _LAST)
        if said:
            return dating.stated_start(said[1])
        return dating.boot_start(anchor) if anchor else None

    def _first_stated(self, boot: int, before_run: int) -> tuple[int, Stated] | None:
        """The first boot after this one, with a run below `before_run`, whose clock a person stated."""
        clocks = self._stated_clocks()
        rows = self._rows(select("run", "id > ? AND id < ? ORDER BY id"), boot, before_run) if clocks else []
        found = (Run(*row) for row in rows)
        return next(((run.id, clocks[run.boot_id]) for run in found if run.boot_id in clocks), None)

    def _past_undated(self, seq: int) -> int:
        """`seq`, or where its fact has no date, the first later one that has.

        What lies between may be in the period.
        """
        fact = self._at_or_after(seq)
        while fact and self.when(fact).utc_ms is None:
            fact = self._at_or_after(self._end_of_boot(fact))
        return fact.seq if fact else self.newest_seq() + 1

    def boots_in(self, first_seq: int, last_seq: int) -> Iterator[tuple[int, int, int]]:
        """Each boot with dates between two numbers: its id, and its own first and last number among these."""
        fact = self._at_or_after(first_seq)
        while fact and fact.seq <= last_seq:
            end = self._end_of_boot(fact)
            if self.when(fact).utc_ms is not None:
                yield self._boot(fact.run), fact.seq, min(end - 1, last_seq)
            fact = self._at_or_after(end)

    def rows_of(self, boot_id: str) -> tuple[int, int, bool] | None:
        """First and last number of a boot's facts, and whether a synchronised clock dated them; None: it has none."""
        run = next((one.id for one in reversed(self.runs()) if one.boot_id == boot_id), None)
        if run is None:
            return None
        boot = self._boot(run)
        first = self._first(lambda fact: self._boot(fact.run) >= boot)
        end = self._first(lambda fact: self._boot(fact.run) > boot)
        return None if first == end else (first, end - 1, self._anchor(end - 1, boot) is not None)

    def _end_of_boot(self, fact: Fact) -> int:
        boot = self._boot(fact.run)
        return self._first(lambda later: self._boot(later.run) > boot)

    def _start_of_boot(self, fact: Fact) -> int:
        boot = self._boot(fact.run)
        return self._first(lambda later: self._boot(later.run) >= boot)

    def first_dated(self) -> tuple[Fact, When] | None:
        """The oldest fact that has a date."""
        fact = self._at_or_after(1)
        while fact:
            when = self.when(fact)
            if when.utc_ms is not None:
                return fact, when
            fact = self._at_or_after(self._end_of_boot(fact))
        return None

    def last_dated(self, before_seq: int | None = None) -> tuple[Fact, When] | None:
        """The newest fact that has a date (before `before_seq`): a report's "date made"."""
        fact = self._at_or_before(_LAST if before_seq is None else before_seq - 1)
        while fact:
            when = self.when(fact)
            if when.utc_ms is not None:
                return fact, when
            fact = self._at_or_before(self._start_of_boot(fact) - 1)
        return None

    def _at_or_after(self, seq: int) -> Fact | None:
        found: Fact | None = None
        for kind, sql in _AT_OR_AFTER.items():
            row = self._row(sql, seq)
            if row and (found is None or row[0] < found.seq):
                found = kind(*row)
            if found and found.seq == seq:
                break
        return found

    def _at_or_before(self, seq: int) -> Fact | None:
        found: Fact | None = None
        for kind, sql in _AT_OR_BEFORE.items():
            row = self._row(sql, seq)
            if row and (found is None or row[0] > found.seq):
                found = kind(*row)
        return found

    # --- facts

    def polls(self, point_id: int, first_seq: int, last_seq: int) -> Iterator[tuple[Poll, When]]:
        """In order of seq, both ends included."""
        for begin, end in self._chunks(first_seq, last_seq):
            for row in self._rows(_POLLS, begin, end, point_id):
                poll = Poll(*row)
                yield poll, self.when(poll)

    def polls_back(self, point_id: int, before_seq: int, down_to_seq: int = 1) -> Iterator[tuple[Poll, When]]:
        """Newest first, from before_seq - 1 down; lazy: stop when you have enough."""
        width, end = CHUNK // 64, min(before_seq, self.newest_seq() + 1) - 1
        while end >= down_to_seq:
            begin = max(end - width + 1, down_to_seq)
            for row in self._rows(_POLLS_BACK, begin, end, point_id):
                poll = Poll(*row)
                yield poll, self.when(poll)
            width, end = min(width * 2, CHUNK), begin - 1

    def last_polls(self, point_id: int, count: int, reach: int = 100_000) -> Iterator[tuple[Poll, When]]:
        """The newest `count` polls of a point, newest first, among the newest `reach` seq; lazy."""
        newest = self.newest_seq()
        return islice(self.polls_back(point_id, newest + 1, max(1, newest - reach + 1)), count)

    def newest_good(self, reach: int = 500_000) -> tuple[Poll, ...]:
        """Of each plan of each point the newest poll without a fault, among the newest `reach` seq; newest first."""
        found = self._rows(_NEWEST_GOOD, self.newest_seq() - reach)
        return tuple(Poll(*row) for (seq,) in found for row in self._rows(select("poll", "seq = ?"), seq))

    def events(self, first_seq: int, last_seq: int) -> Iterator[tuple[Event, When]]:
        """In order of seq, both ends included."""
        for begin, end in self._chunks(first_seq, last_seq):
            for row in self._rows(select("event", "seq BETWEEN ? AND ? ORDER BY seq"), begin, end):
                event = Event(*row)
                yield event, self.when(event)

    def event(self, seq: int) -> Event | None:
        row = self._row(select("event", "seq = ?"), seq)
        return Event(*row) if row else None

    def anchors(self, first_seq: int, last_seq: int) -> Iterator[Anchor]:
        """In order of seq, both ends included."""
        for begin, end in self._chunks(first_seq, last_seq):
            for row in self._rows(select("anchor", "seq BETWEEN ? AND ? ORDER BY seq"), begin, end):
                yield Anchor(*row)

    def _chunks(self, first_seq: int, last_seq: int) -> Iterator[tuple[int, int]]:
        last = min(last_seq, self.newest_seq())
        for begin in range(max(first_seq, 1), last + 1, CHUNK):
            yield begin, min(begin + CHUNK - 1, last)

    def entries(self) -> tuple[Entry, ...]:
        """Every entry, whole, in order of seq; replacements not applied."""
        return tuple(Entry(*row) for row in self._rows(select("entry", "TRUE ORDER BY seq")))

    def entry(self, uuid: str) -> Entry | None:
        row = self._row(select("entry", "uuid = ?"), uuid)
        return Entry(*row) if row else None

    def events_back(self, before_seq: int | None = None, down_to_seq: int = 1) -> Iterator[Event]:
        """Newest first, in chunks; lazy."""
        below, count = _LAST if before_seq is None else before_seq, 4
        while rows := self._rows(_EVENTS_BACK, below, down_to_seq, count):
            yield from (Event(*row) for row in rows)
            below, count = rows[-1][0], min(count * 2, CHUNK)

    def last_event(self, name: str, before_seq: int | None = None) -> Event | None:
        """The newest event of that name, walking back in chunks: cheap for events that every start writes."""
        return next((event for event in self.events_back(before_seq) if event.name == name), None)

    def last_accepted(self, before_seq: int | None = None) -> Event | None:
        """The newest event `accepted` (before a seq); the writer notes one at each start."""
        return self.last_event("accepted", before_seq)


@dataclass(frozen=True, slots=True)
class _Span:
    """The anchors around the numbers first..end-1."""

    first: int
    end: int
    before: Anchor | None
    after: Anchor | None


def _must_be_there(folder: RecordFolder) -> None:
    try:
        there = folder.db.exists()
    except PermissionError as error:
        hint = f"join the group that shares it (usermod -aG {GROUP} NAME, then log in again)"
        raise EdgeFailure(f"{folder.path}: this user may not read the record", hint=hint) from error
    if not there:
        hint = "`tallywell run` makes it; check `record:` in the site file"
        raise EdgeFailure(f"{folder.path}: there is no record yet", hint=hint, again=True)


def _must_be_ready(folder: RecordFolder, reading: sqlite3.Connection) -> None:
    if changes_to_make(folder, reading):
        hint = "start its writer once with this version (`tallywell run`)"
        raise EdgeFailure(f"{folder.db}: the record is not brought up to date yet", hint=hint, again=True)

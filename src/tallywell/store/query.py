"""Edge: reading the record beside its writer. Rows are found by their keys alone: no table of polls is ever scanned."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from tallywell.readings.clocks import When
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Anchor, Entry, Event, Fact, Poll, Run
from tallywell.store.database import Connect, RecordFolder


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
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> "Reader":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # names and texts
    def runs(self) -> tuple[Run, ...]:
        raise NotImplementedError

    def run(self, run_id: int) -> Run:
        raise NotImplementedError

    def point_id(self, name: str) -> int | None:
        raise NotImplementedError

    def points(self) -> dict[int, str]:
        raise NotImplementedError

    def text(self, text_id: int) -> Text:
        raise NotImplementedError

    def text_by_hash(self, sha256: bytes) -> Text | None:
        raise NotImplementedError

    def plan(self, plan_id: int) -> Plan:
        raise NotImplementedError

    # periods
    def newest_seq(self) -> int:
        """0 when the record holds no fact."""
        raise NotImplementedError

    def seq_range(self, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int]:
        """(first, last) seq that hold the period, widened by 60 s and by undated boots at its edges.

        Empty when first > last.
        """
        raise NotImplementedError

    def first_dated(self) -> tuple[Fact, When] | None:
        raise NotImplementedError

    def last_dated(self, before_seq: int | None = None) -> tuple[Fact, When] | None:
        """The newest fact that has a date (before `before_seq`): a report's "date made"."""
        raise NotImplementedError

    def when(self, fact: Fact) -> When:
        raise NotImplementedError

    # facts
    def polls(self, point_id: int, first_seq: int, last_seq: int) -> Iterator[tuple[Poll, When]]:
        """In order of seq, both ends included."""
        raise NotImplementedError

    def polls_back(self, point_id: int, before_seq: int, down_to_seq: int = 1) -> Iterator[tuple[Poll, When]]:
        """Newest first, from before_seq - 1 down; lazy: stop when you have enough."""
        raise NotImplementedError

    def last_polls(self, point_id: int, count: int, reach: int = 100_000) -> tuple[tuple[Poll, When], ...]:
        """The newest `count` polls of a point, newest first, among the newest `reach` seq."""
        raise NotImplementedError

    def events(self, first_seq: int, last_seq: int) -> Iterator[tuple[Event, When]]:
        raise NotImplementedError

    def anchors(self, first_seq: int, last_seq: int) -> Iterator[Anchor]:
        raise NotImplementedError

    def entries(self) -> tuple[Entry, ...]:
        """Every entry, whole, in order of seq; replacements not applied."""
        raise NotImplementedError

    def entry(self, uuid: str) -> Entry | None:
        raise NotImplementedError

    def last_event(self, name: str, before_seq: int | None = None) -> Event | None:
        """The newest event of that name, walking back in chunks: cheap for events that every start writes."""
        raise NotImplementedError

    def last_accepted(self, before_seq: int | None = None) -> Event | None:
        """The newest event `accepted` (before a seq); the writer notes one at each start."""
        raise NotImplementedError

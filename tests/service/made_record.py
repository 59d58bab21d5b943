"""A record made up poll by poll, through the store's own writer, with words as a meter would send them."""

import hashlib
import json
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import ClassVar
from zoneinfo import ZoneInfo

from tallywell.ledger.periods import Period
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Anchor, Entry, Event, Fact, Poll
from tallywell.registers.blocks import reads
from tallywell.registers.encode import encode
from tallywell.registers.factors import factor_of
from tallywell.registers.quantity import Quantity, RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.reports.model import Report
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.store.append import Writer, open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

SITE = """\
site: Quail Flat Orchard
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/example, baud: 19200, parity: even}
wells:
  north: {called: Well 1, agency_id: 23-0417}
points:
  north-discharge: {well: north, line: field, address: 17, map: inline-a.yaml, every: 15 min, pipe: 8 in,
                    running_above: 20 gpm, display: {one_count: 100 gal, digits: 8}, counts_without_external_power: yes}
permits:
  P-2041: {kind: right, points: [{point: north-discharge, share: 1}], authorised: 420 acre_foot, year_starts: 10-01}
"""
MAP = """\
map: inline-a
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
"""
QUARTER_MS = 900_000


def at(text: str, zone: str = "America/Denver") -> int:
    """UTC ms of a local time, "2026-07-01 00:00"; add an offset where it comes twice."""
    written = datetime.fromisoformat(text)
    written = written if written.tzinfo else written.replace(tzinfo=ZoneInfo(zone))
    return int(written.timestamp() * 1000)


@dataclass
class MadeRecord:
    """One point unless the site text says otherwise; the boot clock starts at 1,000 s with the first fact."""

    folder: RecordFolder
    open_ones: ClassVar[list[Writer]] = []

    begins_ms: int
    site: str = SITE
    maps: dict[str, str] = field(default_factory=lambda: {"inline-a.yaml": MAP})
    boots: int = 0
    waiting: list[Fact] = field(default_factory=list)
    anchored_ms: int = 0
    after: str = "first"
    undated: bool = False
    settings: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.folder.create()
        self.boot(self.begins_ms, "first")

    def boot(self, at_ms: int, after: str) -> None:
        """Start of a new boot: events `started` and `accepted`, and an anchor unless the record stays undated."""
        if self.boots:
            self.flush()
            self.writer.close()
        self.boots += 1
        self.writer: Writer = open_writer(self.folder, "0.0.1", f"boot-{self.boots}")
        self.open_ones.append(self.writer)
        self.boot_began_ms = at_ms - 1_000_000
        self.event(at_ms, "started", {"boot": "new", "after": after})
        self.accept(at_ms)
        self.anchored_ms = 0
        self._anchor(at_ms)

    def accept(self, at_ms: int) -> None:
        self.writer.text("site", self.site)
        self.texts = {name: self.writer.text("map", text) for name, text in self.maps.items()}
        sha256 = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in self.maps.items()}
        content: dict[str, object] = {
            "file": "quail.yaml",
            "site": hashlib.sha256(self.site.encode()).hexdigest(),
            "maps": sha256,
            "settings": dict(self.settings),
        }
        self.event(at_ms, "accepted", content)

    def event(self, at_ms: int, name: str, content: dict[str, object] | None = None) -> None:
        seq, run = self.writer.next_seq(), self.writer.run.id
        self.waiting.append(Event(seq, run, self._boot_ms(at_ms), at_ms, name, canonical(content or {})))

    def noted(self, at_ms: int, serial: str, point: str = "north-discharge") -> None:
        """The meter gave its serial number when its settings were read."""
        self.settings[point] = self.writer.next_seq()
        value = {"setting": "serial", "shown": serial, "raw": serial.encode().hex()}
        self.event(at_ms, "settings", {"point": point, "values": {"serial": value}})

    def read(self, at_ms: int, point: str = "north-discharge", map_: str = "inline-a.yaml", **values: float) -> None:
        """A good poll; `values` by quantity, a total in counts."""
        meter = meter_of(self.maps[map_])
        words = (words_of(meter, each, values) for each in plan_of(self.maps[map_]))
        self._poll(at_ms, point, map_, b"".join(words), None)

    def miss(self, at_ms: int, fault: str, point: str = "north-discharge", map_: str = "inline-a.yaml") -> None:
        self._poll(at_ms, point, map_, None, fault)

    def enter(
        self,
        at_ms: int,
        kind: str,
        content: dict[str, object],
        about: int | None = None,
        replaces: str | None = None,
        *,
        point_name: str = "north-discharge",
    ) -> str:
        """An entry of the clerk's, typed at `at_ms` (and about that moment unless told otherwise); its uuid."""
        seq = self.writer.next_seq()
        uuid = f"00000000-0000-4000-8000-{seq:012d}"
        point = self.writer.point(point_name)
        told = (self.writer.run.id, self._boot_ms(at_ms), at_ms, about or at_ms, kind, point, "ana", replaces)
        self.waiting.append(Entry(seq, uuid, *told, json.dumps(content)))
        return uuid

    def flush(self) -> None:
        if self.waiting:
            self.writer.append(self.waiting)
        self.waiting = []

    def report(self, period: Period, points: list[str] | None = None) -> Report:
        self.flush()
        with Reader(self.folder) as reader:
            return period_report(reader, accepted_site(reader), period, points)

    def _poll(self, at_ms: int, point: str, map_: str, raw: bytes | None, fault: str | None) -> None:
        asked = plan_of(self.maps[map_])
        got = 0 if raw is None else (1 << len(asked)) - 1
        self._anchor(at_ms)
        plan = self.writer.plan(self.texts[map_], asked)
        seq, run, point_id = self.writer.next_seq(), self.writer.run.id, self.writer.point(point)
        utc_ms = None if self.undated else at_ms
        boot_ms = self._boot_ms(at_ms)
        self.waiting.append(Poll(seq, run, point_id, plan, boot_ms, at_ms, utc_ms, got, raw, fault, None))
        if len(self.waiting) > 500:
            self.flush()

    def _anchor(self, at_ms: int) -> None:
        if not self.undated and at_ms - self.anchored_ms >= 3_600_000:
            seq, run = self.writer.next_seq(), self.writer.run.id
            self.waiting.append(Anchor(seq, run, self._boot_ms(at_ms), at_ms, 50))
            self.anchored_ms = at_ms

    def _boot_ms(self, at_ms: int) -> int:
        return at_ms - self.boot_began_ms


@cache
def meter_of(text: str) -> RegisterMap:
    meter, problems = parse_map(text, "map")
    assert meter is not None, problems
    return meter


@cache
def plan_of(text: str) -> tuple[Read, ...]:
    """All of a map in one plan, looked for once: it is asked for with every poll."""
    return reads(meter_of(text))


def words_of(meter: RegisterMap, read: Read, values: dict[str, float]) -> bytes:
    """The words of one read; a quantity without a value is zero."""
    found = bytearray(2 * read.words)
    for quantity in meter.quantities.values():
        inside = read.register <= quantity.register and quantity.end <= read.register + read.words
        if inside and quantity.table.function == read.function:
            begin = 2 * (quantity.register - read.register)
            words = encode(meter, quantity.name, values.get(quantity.name, 0), _factor(quantity, values))
            found[begin : begin + 2 * quantity.words] = words
    return bytes(found)


def _factor(quantity: Quantity, values: dict[str, float]) -> Fraction | None:
    factor = quantity.factor
    return None if factor is None else factor_of(factor, Fraction(values.get(factor.quantity, 0)))


def made_record(path: Path, begins: str, **more: object) -> MadeRecord:
    return MadeRecord(RecordFolder(path / "quail.record"), at(begins), **more)  # type: ignore[arg-type]  # named values of a test

"""What the report of a year of minute polls costs, beside that of a month: seconds of a processor, peak of memory.

.venv/bin/python tests/benchmarks/year_report.py [FOLDER]

The record (one point, 14 months, a reboot a week, misses, outages, a rollover, permits that change hands) is made in
FOLDER and kept there for the next run, or in a temporary folder. Each report is made in a process of its own.
"""

import hashlib
import json
import os
import random
import resource
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import astuple
from pathlib import Path

from tallywell.ledger.periods import Period, calendar_year, month
from tallywell.readings.facts import Anchor, Event, Fact, Poll
from tallywell.registers.blocks import reads
from tallywell.registers.register_map import parse_map
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.store import schema
from tallywell.store.append import open_writer
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
  north-discharge: {well: north, line: field, address: 17, map: inline-a.yaml, every: 1 min, pipe: 8 in,
                    running_above: 20 gpm, display: {one_count: 100 gal, digits: 8}}
permits:
  P-2041: {kind: right, points: [{point: north-discharge, share: 1, to: 2026-07-11}], authorised: 420 acre_foot,
           year_starts: 10-01}
  P-2042: {kind: right, points: [{point: north-discharge, share: 1, from: 2026-07-11}], authorised: 420 acre_foot,
           year_starts: 10-01}
"""
MAP = """\
map: inline-a
revision: 2
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm, valid: {from: 0, to: 2500 gpm}}
  forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
  reverse_total: {table: input, register: 4, type: uint32, one_count: 100 gal, digits: 8}
  status:        {table: holding, register: 20, type: bits, bits: {0: external_power, 2: empty_pipe}}
"""
SEED = 11
BEGIN_MS = 1_764_547_200_000  # 2025-12-01, so that the year has a month before it
MINUTE_MS, WEEK, DAYS = 60_000, 7 * 1440, 425
CAPACITY = 10**8
PERIODS = {"a month": month("2026-07"), "a year": calendar_year("2026")}


def facts() -> Iterator[Fact]:
    """Minute by minute: a pump that starts and stops, about one poll in 100 missed, an outage a fortnight."""
    chance, seq, gallons, rate = random.Random(SEED), 1, (CAPACITY - 700_000) * 100.0, 0.0
    for minute in range(DAYS * 1440):
        now, boot_ms, run = BEGIN_MS + minute * MINUTE_MS, minute % WEEK * MINUTE_MS + 30_000, minute // WEEK + 2
        if minute % WEEK == 0:
            yield Event(
                seq := seq + 1, run, boot_ms, now, "started", canonical({"after": "unclean_end", "boot": "new"})
            )
        if minute % 60 == 0:
            yield Anchor(seq := seq + 1, run, boot_ms, now, 50)
        rate = chance.choice([0.0, 0.0, 412.5, 871.25]) if minute % 240 == 0 else rate
        gallons += rate
        dead = minute % (2 * WEEK) in range(9000, 9180)
        raw = None if dead or chance.random() < 0.01 else words(rate, int(gallons) // 100 % CAPACITY)
        got, fault = (3, None) if raw else (0, "no_answer")
        yield Poll(seq := seq + 1, run, 1, 1, boot_ms, now, now, got, raw, fault, None)


def words(rate: float, total: int) -> bytes:
    """Registers 0 to 5 of the input table and register 20 of the holding table."""
    return struct.pack(">fIIH", rate, total, 17, 1)


def make(folder: RecordFolder) -> None:
    """The first run's names and texts by the writer, the rows by the schema's own insert."""
    folder.create()
    sha256 = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in (("site", SITE), ("map", MAP))}
    accepted = {"file": "quail.yaml", "site": sha256["site"], "maps": {"inline-a.yaml": sha256["map"]}}
    map_, _ = parse_map(MAP, "inline-a.yaml")
    assert map_ is not None
    with open_writer(folder, "0.benchmark", "boot-0") as writer:
        writer.text("site", SITE)
        assert writer.plan(writer.text("map", MAP), reads(map_)) == writer.point("north-discharge") == 1
        writer.append([Event(writer.next_seq(), writer.run.id, 0, BEGIN_MS, "accepted", canonical(accepted))])
    with closing(sqlite3.connect(folder.db, isolation_level=None)) as bulk:
        bulk.execute("BEGIN")
        for boot in range(DAYS * 1440 // WEEK + 1):
            bulk.execute(schema.insert("run"), (boot + 2, f"run-{boot + 1}", f"boot-{boot + 1}", "0.benchmark"))
        for fact in facts():
            bulk.execute(schema.insert(schema.TABLE[type(fact)]), astuple(fact))
        bulk.execute("COMMIT")


def report(folder: RecordFolder, period: Period) -> None:
    """In a process of its own, for its peak of memory."""
    before = peak_mib()
    began = time.process_time()
    with Reader(folder) as reader:
        made = period_report(reader, accepted_site(reader), period)
    seconds = time.process_time() - began
    volume = made.points[0].volume
    assert volume is not None
    sha256 = hashlib.sha256(repr(made).encode()).hexdigest()
    told = {"seconds": seconds, "before": before, "peak": peak_mib(), "m3": float(volume.m3), "sha256": sha256[:12]}
    print(json.dumps(told))


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # KiB on Linux


def measured(folder: RecordFolder, name: str) -> dict[str, float]:
    command = [sys.executable, __file__, "report", str(folder.path), name]
    one_order = {**os.environ, "PYTHONHASHSEED": "0"}  # sets are printed in the order of their hashes
    ran = subprocess.run(command, check=True, capture_output=True, text=True, env=one_order)
    told: dict[str, float] = json.loads(ran.stdout)
    print(
        f"{name:8} {told['seconds']:6.2f} s   peak {told['peak']:6.1f} MiB, of which {told['before']:.1f} before it"
        f"   {told['m3']:,.1f} m3   report {told['sha256']}",
        flush=True,
    )
    return told


def compare(path: Path) -> None:
    folder = RecordFolder(path)
    if not folder.db.exists():
        began = time.perf_counter()
        make(folder)
        print(f"record made in {time.perf_counter() - began:.0f} s, {folder.db.stat().st_size >> 20} MiB", flush=True)
    short, long = (measured(folder, name) for name in PERIODS)
    seconds, peak = (long[what] / short[what] for what in ("seconds", "peak"))
    print(f"year : month  {seconds:.1f} x the seconds, {peak:.2f} x the peak")


def main(words: list[str]) -> None:
    if words[:1] == ["report"]:
        report(RecordFolder(Path(words[1])), PERIODS[words[2]])
    elif words:
        compare(Path(words[0]))
    else:
        with tempfile.TemporaryDirectory() as made:
            compare(Path(made) / "quail.record")


if __name__ == "__main__":
    main(sys.argv[1:])

"""A 64-bit total above 2^63, which SQLite's INTEGER cannot hold (its type documentation, section 2): nothing stops."""

import sqlite3
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tallywell.line.timing import LineSettings
from tallywell.registers.register_map import parse_map
from tallywell.schedule.system_clock import SystemClock, boot_id
from tallywell.service.files import load_site
from tallywell.service.once import poll_once
from tallywell.service.world import World
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.station import Station
from tallywell.simulator.wire import Wire
from tests.whole.site_on_ptys import called

pytestmark = pytest.mark.alone

MAP = """\
map: wide
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 300 ms}
quantities:
  forward_total: {table: input, register: 0, type: uint64, one_count: 1 L, capacity: 2^64, for_the_books: yes}
  flow_rate:     {table: input, register: 4, type: uint32, unit: 0.1 L/s}
"""
SITE = """\
site: Quail Flat Test Stand
time_zone: Etc/UTC
lines:
  field: {port: PORT, baud: 115200, parity: none}
wells:
  north: {called: Well 1}
points:
  north: {well: north, line: field, address: 5, map: wide.yaml, every: 1 s, pipe: 8 in}
"""
FIRST = 2**64 - 40  # it also goes round on the way
LITRES_A_SECOND = 20


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The site file, and the record of three polls a second and more apart, made by the commands' own code."""
    folder = tmp_path_factory.mktemp("wide")
    wide, problems = parse_map(MAP, "wide.yaml")
    assert wide is not None, problems
    began_ms = time.time_ns() // 1_000_000
    profile = Profile((Piece(began_ms, LITRES_A_SECOND * 1_000_000),))
    station = Station([Meter(5, wide, profile, first_count=FIRST)], 1_000_000)
    settings = LineSettings("", 115_200, "none", 1)
    with Wire(station, settings, lambda: time.time_ns() // 1_000_000) as wire:
        (folder / "wide.yaml").write_text(MAP, encoding="utf-8")
        (folder / "stand.yaml").write_text(SITE.replace("PORT", str(wire.path)), encoding="utf-8")
        loaded = load_site(folder / "stand.yaml")
        assert loaded.site is not None, loaded.problems
        log: list[str] = []
        for _ in range(4):
            world = World(SystemClock(), boot_id(), log.append)
            poll_once(loaded, loaded.site, tuple(loaded.site.points.values()), world)
            time.sleep(0.8)
    return folder / "stand.yaml", loaded.record


def test_every_poll_is_kept_and_its_column_for_other_tools_stays_empty(stand: tuple[Path, Path]) -> None:
    with sqlite3.connect(f"file:{stand[1] / 'record.db'}?mode=ro", uri=True) as record:
        rows = record.execute("SELECT raw, fault, forward FROM poll ORDER BY seq").fetchall()
    record.close()
    counts = [int.from_bytes(raw[:8]) for raw, _, _ in rows]
    assert len(counts) == 4
    assert counts[0] > 2**63
    for count, (_, fault, column) in zip(counts, rows, strict=True):
        assert (fault, column) == (("out_of_range", None) if count >= 2**63 else (None, count))


def test_the_volume_goes_through_2_to_the_64(stand: tuple[Path, Path]) -> None:
    """Metered between the first and the last reading, in whole litres, through the rollover at 2^64."""
    site, folder = stand
    with sqlite3.connect(f"file:{folder / 'record.db'}?mode=ro", uri=True) as record:
        counts = [int.from_bytes(raw[:8]) for (raw,) in record.execute("SELECT raw FROM poll ORDER BY seq")]
    record.close()
    expected = (counts[-1] - counts[0]) % 2**64
    assert counts[-1] < counts[0], "it did not go round meanwhile"
    called("clock", site, "--it-is", datetime.now(UTC).strftime("%Y-%m-%d %H:%M"), "--within", "2 min")
    today = datetime.now(UTC).date()
    told = called("report", site, "--from", str(today - timedelta(days=1)), "--to", str(today))
    assert f"{expected} counts" in told, told

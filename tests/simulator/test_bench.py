"""The bench site on pseudo-terminals: every sample meter is played by the simulator and read by the real line code."""

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read
from tallywell.registers.decode import Decoded, bringing, decode
from tallywell.registers.quantity import Quantity, RegisterMap
from tallywell.schedule.system_clock import SystemClock, boot_id
from tallywell.service.files import load_site
from tallywell.service.once import poll_once
from tallywell.service.site import Line, Point, Site
from tallywell.service.stand_in import stand_in
from tallywell.service.world import World
from tallywell.simulator.field import invented
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import HOUR_MS, Piece, Profile
from tallywell.simulator.station import Served, Station
from tallywell.simulator.wire import Wire
from tests.simulator.samples import MAPS, NAMES, tells

pytestmark = pytest.mark.alone

CONFIGS = MAPS.parent
Row = tuple[tuple[Read, ...], int, bytes, str | None]


def utc_ms() -> int:
    return time.time_ns() // 1_000_000


def running(point: Point) -> Meter:
    """Its pump has been running for an hour at the most that it is invented with."""
    meter = invented(point.address, point.map, point.possible_rate.si, point.name)
    most = max(piece.rate for piece in meter.profile.pieces)
    return replace(meter, profile=Profile((Piece(utc_ms() - HOUR_MS, most),)), first_count=4000)


@dataclass(frozen=True, slots=True)
class Bench:
    """What the record has of one pass over every point, and what the simulated meters answered meanwhile."""

    site: Site
    meters: dict[str, Meter]
    rows: dict[str, list[Row]]
    served: list[Served]

    def served_ms(self, address: int, read: Read) -> int:
        """When the meter was asked for it last."""
        asked = (address, read.function, read.register, read.words)
        return [s.utc_ms for s in self.served if (s.address, s.function, s.register, s.words) == asked][-1]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    folder = tmp_path_factory.mktemp("bench")
    (folder / "maps").symlink_to(MAPS)
    text = (CONFIGS / "bench.yaml").read_text()
    (folder / "bench.yaml").write_text(text)
    site = load_site(folder / "bench.yaml").site
    assert site is not None
    meters = {point.name: running(point) for point in site.points.values()}
    served: list[Served] = []
    with ExitStack() as stack:
        ports = {}
        for line in site.lines.values():
            station = Station([meters[point.name] for point in site.points_of(line.name)], 1_000_000)
            assert isinstance(line, Line)
            settings = LineSettings("", line.baud, "none", line.stop_bits)
            ports[line.name] = stack.enter_context(Wire(station, settings, utc_ms, served.append)).path
        (folder / "played.yaml").write_text(stand_in(text, ports, "played.record"))
        loaded = load_site(folder / "played.yaml")
        assert loaded.site is not None
        log: list[str] = []
        world = World(SystemClock(), boot_id(), log.append)
        poll_once(loaded, loaded.site, tuple(loaded.site.points.values()), world)
        yield Bench(loaded.site, meters, rows(loaded.record / "record.db"), served)


def rows(record: Path) -> dict[str, list[Row]]:
    """By point: what was asked, which of it came, the words, and the fault."""
    found: dict[str, list[Row]] = {}
    with sqlite3.connect(f"file:{record}?mode=ro", uri=True) as connection:
        query = (
            "SELECT point.name, plan.reads, got, raw, fault FROM poll"
            " JOIN point ON point.id = poll.point JOIN plan ON plan.id = poll.plan ORDER BY seq"
        )
        for name, asked, got, raw, fault in connection.execute(query):
            reads = tuple(Read(*read) for read in json.loads(asked))
            found.setdefault(name, []).append((reads, got, raw or b"", fault))
    connection.close()
    return found


def decoded(bench: Bench, point: str) -> list[tuple[tuple[Read, ...], Decoded]]:
    return [(reads, decode(bench.site.points[point].map, reads, got, raw)) for reads, got, raw, _ in bench.rows[point]]


def test_a_point_for_each_sample_map(bench: Bench) -> None:
    assert {point.map_name for point in bench.site.points.values()} == {f"maps/{name}.yaml" for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_every_meter_answers_all_that_it_is_asked(bench: Bench, name: str) -> None:
    assert [(fault, got) for _, got, _, fault in bench.rows[name]] == [
        (None, (1 << len(reads)) - 1) for reads, _, _, _ in bench.rows[name]
    ]


@pytest.mark.parametrize("name", NAMES)
def test_every_value_is_the_meters_own_when_it_was_asked(bench: Bench, name: str) -> None:
    meter = bench.meters[name]
    seen = set()
    for reads, one in decoded(bench, name):
        for value in one.values.values():
            at_ms = bench.served_ms(meter.address, at_which(meter.map, reads, value.about))
            assert tells(value, meter, at_ms), (value.quantity, value, meter.value(value.quantity, at_ms))
            seen.add(value.quantity)
    assert seen == set(meter.map.quantities)


def at_which(register_map: RegisterMap, reads: tuple[Read, ...], quantity: Quantity) -> Read:
    """The read that a value is of; where its high part was read before and behind its low part, that of the latter."""
    found = bringing(register_map, reads, quantity)
    return reads[found[len(found) // 2]]


@pytest.mark.parametrize("name", NAMES)
def test_water_runs_at_every_meter(bench: Bench, name: str) -> None:
    books = [one.books for _, one in decoded(bench, name) if one.books is not None]
    assert books
    assert all(value.total is not None and value.total.low > 4000 for value in books)


def test_the_sleeper_was_woken(bench: Bench) -> None:
    """The read that wakes it is not answered, so that nothing of it is on record."""
    wake = bench.site.points["probe-f"].map.wake
    assert wake is not None
    assert wake.read not in [read for reads, _, _, _ in bench.rows["probe-f"] for read in reads]

"""Another library (minimalmodbus) is the master, simulated meters answer, and the daemon hears both on a third port.

The three hang together as on one pair of wires: what the master and the meters say goes to each other and to the
listener. Whatever the listener writes is kept, and has to be nothing.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import minimalmodbus
import pytest

from tallywell.line.timing import LineSettings
from tallywell.service.files import load_site
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.station import Served, Station
from tallywell.simulator.wire import Wire
from tests.whole.site_on_ptys import MAP, called, leave_alone, rows, site_text, tallywell
from tests.whole.site_on_ptys import field as meters_in_the_field

pytestmark = pytest.mark.alone

BAUD = 19_200
ALL, TOTAL = (4, 0, 4), (4, 2, 2)
MAP_WITH_MORE = MAP + "  alarm_word: {table: holding, register: 30, type: uint16}\n"


@dataclass
class Pair:
    """The wires: the master's pseudo-terminal and the listener's, with the simulated meters between them."""

    meters: str
    of_master: str = ""
    of_listener: str = ""
    written: bytearray = field(default_factory=bytearray)

    @contextmanager
    def connected(self) -> Iterator[None]:
        ends = [os.openpty() for _ in range(2)]
        for _, far in ends:
            tty.setraw(far)
        (master, far_master), (listener, far_listener) = ends
        self.of_master, self.of_listener = os.ttyname(far_master), os.ttyname(far_listener)
        meters = os.open(self.meters, os.O_RDWR | os.O_NOCTTY)
        over, end = os.pipe()
        for descriptor in (master, listener, meters):
            os.set_blocking(descriptor, False)
        thread = threading.Thread(target=self._carry, args=(master, listener, meters, over))
        thread.start()
        try:
            yield
        finally:
            os.write(end, b"x")
            thread.join()
            for descriptor in (master, listener, meters, over, end, far_master, far_listener):
                os.close(descriptor)

    def _carry(self, master: int, listener: int, meters: int, over: int) -> None:
        to = {master: (meters, listener), meters: (master, listener)}
        while True:
            ready, _, _ = select.select([master, listener, meters, over], [], [])
            if over in ready:
                return
            for source in ready:
                chunk = os.read(source, 4096)
                if source == listener:
                    self.written += chunk
                for sink in to.get(source, ()):
                    try:
                        os.write(sink, chunk)
                    except BlockingIOError:  # nobody reads there
                        assert sink == listener


@dataclass
class Master:
    """Asks what it is told to, in rounds, in a thread of its own."""

    path: str
    asks: list[tuple[int, tuple[int, int, int]]]
    good: int = 0

    @contextmanager
    def asking(self, every_s: float) -> Iterator[None]:
        over = threading.Event()
        instruments = {}
        for unit, _ in self.asks:
            instruments[unit] = minimalmodbus.Instrument(self.path, unit)
            assert instruments[unit].serial is not None
            instruments[unit].serial.baudrate = BAUD
            instruments[unit].serial.timeout = 0.3

        def ask() -> None:
            while not over.wait(every_s):
                for unit, (function, register, words) in self.asks:
                    try:
                        instruments[unit].read_registers(register, words, functioncode=function)
                        self.good += 1
                    except minimalmodbus.ModbusException:  # a meter that is not there
                        continue

        thread = threading.Thread(target=ask)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[tuple[Pair, Path, list[Served]]]:
    (tmp_path / "panel.yaml").write_text(MAP_WITH_MORE, encoding="utf-8")
    site = tmp_path / "stand.yaml"
    link = tmp_path / "listener"
    text = "site: Quail Flat Test Stand\ntime_zone: America/Denver\nlines:\n"
    text += f"  pair: {{port: {link}, baud: {BAUD}, parity: none, listen_only: yes}}\nwells:\n  north:\npoints:\n"
    for unit in (1, 2, 3, 4):
        text += f"  p{unit}: {{well: north, line: pair, address: {unit}, map: panel.yaml, every: 1 s, pipe: 8 in}}\n"
    site.write_text(text, encoding="utf-8")
    loaded = load_site(site)
    assert loaded.site is not None, loaded.problems
    profile = Profile((Piece(0, 1_000_000),))
    meters = [Meter(p.address, p.map, profile) for p in loaded.site.points.values() if p.address != 3]
    served: list[Served] = []
    settings = LineSettings("wire", BAUD, parity="none")
    with Wire(Station(meters, 2_000_000), settings, _utc_ms, served.append, paced=True) as wire:
        pair = Pair(wire.path)
        with pair.connected():
            link.symlink_to(pair.of_listener)
            yield pair, site, served


def _utc_ms() -> int:
    return time.time_ns() // 1_000_000


@contextmanager
def daemon(site: Path) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    process = subprocess.Popen(tallywell("run", site), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    log: list[str] = []
    assert process.stdout is not None
    stream = process.stdout
    reader = threading.Thread(target=lambda: log.extend(line.rstrip() for line in stream))
    reader.start()
    try:
        yield process, log
    finally:
        leave_alone(process)
        reader.join()


def test_what_another_master_reads_becomes_rows_and_nothing_is_sent(stand: tuple[Pair, Path, list[Served]]) -> None:
    """Meter 1 is asked all in one, meter 2 its total alone, 3 is asked and is not there, 4 is there and not asked."""
    pair, site, served = stand
    master = Master(pair.of_master, [(1, ALL), (2, TOTAL), (3, ALL)])
    record = site.with_suffix(".record")
    with master.asking(0.1):
        with daemon(site) as (_, log):
            until = time.monotonic() + 30
            while sum(line.startswith("stored ") for line in log) < 20 and time.monotonic() < until:
                time.sleep(0.1)
            said = called("read", site, "p1")
            status = called("status", site, code=1)
        assert called("read", site, "p2"), "without a daemon, this command listens"
        alone = called("read", site, "p3", code=1)
    assert master.good > 20
    assert bytes(pair.written) == b"", "not a byte was written"
    _rows_are_what_was_served(record, served)
    found = rows(record, "SELECT DISTINCT p.name, fault FROM poll JOIN point p ON p.id = point ORDER BY 1")
    assert found == [("p1", None), ("p2", None), ("p3", "no_answer"), ("p4", "no_answer")]
    assert "forward_total" in said
    assert "the other master was not heard to ask for flow_rate, alarm_word" in status
    assert "the other master was not heard to ask for alarm_word" in status
    assert [line for line in log if "p2" in line and "not heard to ask for flow_rate, alarm_word" in line]
    assert [line for line in log if "p4" in line and "does not ask this address; another master asks address 1" in line]
    assert not [line for line in log if "p3" in line and "does not ask" in line]
    assert "another master asks address 1, 2, 3" in alone


def _rows_are_what_was_served(record: Path, served: list[Served]) -> None:
    """Every good row holds what that meter answered to these reads, about then; a row each second and no more."""
    answers: dict[tuple[int, int, int, int], list[Served]] = {}
    for one in served:
        answers.setdefault((one.address, one.function, one.register, one.words), []).append(one)
    good = rows(
        record,
        "SELECT p.name, l.reads, raw, shown_ms, boot_ms FROM poll JOIN point p ON p.id = point "
        "JOIN plan l ON l.id = plan WHERE fault IS NULL ORDER BY seq",
    )
    assert len(good) > 8
    times: dict[object, list[int]] = {}
    for name, told, raw, shown_ms, boot_ms in good:
        assert isinstance(shown_ms, int)
        assert isinstance(boot_ms, int)
        ((function, register, words),) = json.loads(str(told))
        there = answers[int(str(name)[1:]), function, register, words]
        assert any(one.data == raw and abs(one.utc_ms - shown_ms) < 1_000 for one in there)
        times.setdefault(name, []).append(boot_ms // 1_000)
    for marks in times.values():
        assert len(marks) <= max(marks) - min(marks) + 3, "no more than one for each mark, and one that was asked for"


def test_simulate_plays_the_other_master_too(tmp_path: Path) -> None:
    text = site_text(1, 2).replace("parity: none}", "parity: none, listen_only: yes}")
    with meters_in_the_field(tmp_path, text, "--trouble", "bad_crc:5") as simulated:
        said = called("read", simulated)
    assert "listening for up to" in said
    assert said.count("forward_total") == 2

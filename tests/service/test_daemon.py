"""The daemon on a jumping clock, with simulated meters behind a port of the test's own: what reaches the record."""

import json
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from tallywell.line import frame
from tallywell.line.away import Back, Change, Lost, PortAway, Reason
from tallywell.line.timing import AnySettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.faults import Fault
from tallywell.readings.problems import StorageFault
from tallywell.readings.traffic import Tap
from tallywell.schedule.jumping_clock import JumpingClock
from tallywell.service import daemon, record_trouble
from tallywell.service.daemon import Daemon
from tallywell.service.entering import Statement, draft_of
from tallywell.service.files import load_site
from tallywell.service.sentences import duration
from tallywell.service.world import World
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.station import Station
from tallywell.store import append
from tallywell.store.database import RecordFolder
from tallywell.store.inbox import drop
from tallywell.store.query import Reader
from tests.whole.site_on_ptys import MAP, site_text

START_NS = 1_784_000_000_000_000_000  # 14 July 2026
MINUTE_NS = 60_000_000_000


@dataclass
class TestPort:
    """In the place of a serial port: asks the station at once; does what `spoil` says instead, if it says anything."""

    __test__ = False
    station: Station
    clock: JumpingClock
    spoil: Callable[[Ask], Fault | None] = lambda _ask: None
    trouble: PortAway | None = None
    ahead: Callable[[Outcome], None] | None = None
    tap: Tap | None = None
    lost: Lost | None = None
    told: list[Change] = field(default_factory=list)
    stopped: threading.Event = field(default_factory=threading.Event)
    asks: list[Ask] = field(default_factory=list)

    def exchange(self, ask: Ask) -> Outcome:
        now = self.clock.boot_ns()
        fault = Fault.STOPPED if self.stopped.is_set() else self.spoil(ask)
        self.note(away=fault is Fault.PORT_LOST)
        if fault is not None:
            return Outcome(ask, None, fault, sent_ns=now, ended_ns=now)
        self.asks.append(ask)
        answers = self.station.hear(frame.request(ask.address, ask.read), self.clock.true_utc_ns() // 1_000_000)
        if not ask.expects_reply:
            self.clock.wait(now + ask.longest_delay_ns, self.stopped)
            return Outcome(ask, b"", None, sent_ns=now, ended_ns=self.clock.boot_ns())
        if not answers:
            return Outcome(ask, None, Fault.NO_ANSWER, sent_ns=now, ended_ns=now)
        if answers[0].frame[1] & frame.EXCEPTION_BIT:
            return Outcome(ask, None, Fault.EXCEPTION, now, now, now, exception_code=answers[0].frame[2])
        return Outcome(ask, answers[0].frame[3:-2], None, sent_ns=now, ended_ns=now, first_ns=now)

    def note(self, *, away: bool) -> None:
        if away and self.lost is None:
            self.trouble = PortAway("port /dev/none: no such device", Reason.GONE)
            self.lost = Lost(self.clock.boot_ns(), self.trouble, Reason.GONE, "/dev/ttyUSB0")
            self.told.append(self.lost)
        elif self.lost is not None and not away:
            self.told.append(Back(self.clock.boot_ns(), "/dev/ttyUSB1", self.lost))
            self.trouble = self.lost = None

    def look(self) -> None:
        pass

    def changes(self) -> tuple[Change, ...]:
        told, self.told = tuple(self.told), []
        return told

    def stop(self) -> None:
        self.stopped.set()

    def close(self) -> None:
        pass


class Stand:
    """One line, two points, a poll a minute unless said; run it until so many rows are acknowledged."""

    def __init__(self, folder: Path, map_text: str = MAP, every: str = "1 min", **clock: int) -> None:
        (folder / "panel.yaml").write_text(map_text, encoding="utf-8")
        site = folder / "stand.yaml"
        site.write_text(site_text(1, 2, every), encoding="utf-8")
        self.loaded = load_site(site)
        assert self.loaded.site is not None, self.loaded.problems
        self.site = self.loaded.site
        self.record = RecordFolder(self.loaded.record)
        self.clock = JumpingClock(START_NS, participants=2, **clock)
        self.log: list[str] = []
        profile = Profile((Piece(0, 1_000_000),))  # one count a second
        points = self.site.points.values()
        self.station = Station([Meter(point.address, point.map, profile) for point in points])
        self.spoil: Callable[[Ask], Fault | None] = lambda _ask: None
        self.daemon: Daemon | None = None
        self.asks: list[Ask] = []

    def run(self, rows: int, heard: Callable[[str], None] = lambda _line: None) -> None:
        acknowledged = 0

        def log(line: str) -> None:
            nonlocal acknowledged
            self.log.append(line)
            acknowledged += line.startswith("stored ")
            heard(line)
            if acknowledged >= rows and self.daemon is not None:
                self.daemon.stop()

        self.daemon = Daemon(self.loaded, self.site, World(self.clock, self.clock.boot_id, log, self.port, MINUTE_NS))
        self.daemon.run()

    def port(self, _settings: AnySettings, _clock: Clock) -> TestPort:
        return TestPort(self.station, self.clock, self.spoil, asks=self.asks)

    def rows(self, query: str) -> list[tuple[object, ...]]:
        connection = sqlite3.connect(f"file:{self.record.path / 'record.db'}?mode=ro", uri=True)
        try:
            return connection.execute(query).fetchall()
        finally:
            connection.close()

    def events(self) -> list[str]:
        return [str(name) for (name,) in self.rows("SELECT name FROM event ORDER BY seq")]


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    return Stand(tmp_path)


def test_polls_stand_on_the_marks_of_the_wall_clock_and_hold_what_the_meter_said(stand: Stand) -> None:
    stand.run(20)
    rows = stand.rows("SELECT utc_ms, forward, flow, fault FROM poll ORDER BY seq")
    assert len(rows) >= 20
    began = rows[0][0]
    for number, (utc_ms, forward, _flow, fault) in enumerate(rows):
        assert isinstance(utc_ms, int)
        assert isinstance(began, int)
        assert fault is None
        if number < 2:
            assert utc_ms - began < 1_000, "each point is polled at once when the daemon starts"
        else:
            assert utc_ms % 60_000 < 1_000, "and then a poll a minute, on the minute"
        assert forward == utc_ms // 1000 % 10**8


def test_every_stored_line_comes_after_its_commit(stand: Stand) -> None:
    def on_record(line: str) -> None:
        if line.startswith("stored "):
            assert stand.rows(f"SELECT count(*) FROM poll WHERE seq = {int(line.split()[1])}") == [(1,)]

    stand.run(10, on_record)


def test_rows_of_a_boot_that_was_not_synchronised_get_their_date_on_reading(tmp_path: Path) -> None:
    stand = Stand(tmp_path, unsynchronised_ns=5 * MINUTE_NS, wrong_by_ns=-86_400_000_000_000)
    stand.run(20)
    undated = stand.rows("SELECT seq FROM poll WHERE utc_ms IS NULL ORDER BY seq")
    assert undated, "the first minutes had no date when they were stored"
    assert "clock_stepped" in stand.events()
    with Reader(stand.record) as reader:
        point = reader.point_id("line0-p1")
        assert point is not None
        found = list(reader.polls(point, 1, reader.newest_seq()))
    for poll, when in found:
        assert when.utc_ms is not None
        assert poll.forward is not None
        assert abs(when.utc_ms // 1000 % 10**8 - poll.forward) <= 1, "its date is the instant the meter was at"
    assert [poll.seq for poll, _ in found] == sorted(poll.seq for poll, _ in found)


def test_an_end_without_farewell_is_known_at_the_next_start(stand: Stand) -> None:
    class Cut(Exception):
        pass

    def cut(line: str) -> None:
        if line.startswith("stored "):
            raise Cut

    with pytest.raises(Cut):
        stand.run(100, cut)
    assert "stopped" not in stand.events()
    stand.run(4)
    stand.run(4)
    after = [json.loads(str(c))["after"] for (c,) in stand.rows("SELECT content FROM event WHERE name='started'")]
    assert after == ["first", "unclean end", "stopped"]


def test_a_port_that_goes_and_comes_back_is_said_once_and_is_on_record(stand: Stand) -> None:
    asked = 0

    def away(_ask: Ask) -> Fault | None:
        nonlocal asked
        asked += 1
        return Fault.PORT_LOST if 4 < asked < 12 else None

    stand.spoil = away
    stand.run(24)
    told = stand.rows("SELECT name, content, boot_ms FROM event WHERE name LIKE 'port%' ORDER BY seq")
    (lost, why, went_ms), (back, how, came_ms) = [(name, json.loads(str(c)), ms) for name, c, ms in told]
    assert (lost, back) == ("port_lost", "port_back"), "once for the line, however many points hang on it"
    way = {"line": "line0", "port": "/dev/none-line0", "reason": "gone"}
    assert why == way | {"device": "/dev/ttyUSB0", "why": "port /dev/none: no such device"}
    away_ms = how.pop("away_ms")
    assert how == way | {"device": "/dev/ttyUSB1", "before": "/dev/ttyUSB0"}
    assert isinstance(went_ms, int)
    assert isinstance(came_ms, int)
    assert abs(came_ms - went_ms - away_ms) <= 1
    (line,) = [line for line in stand.log if " is back " in line]
    before, _, after = line.partition(duration(away_ms))
    assert before == "line line0: port /dev/none-line0 is back after "
    assert after == ", as /dev/ttyUSB1 (before: /dev/ttyUSB0)"
    said = [line for line in stand.log if "no way to the line" in line]
    assert len(said) == 2
    assert len([line for line in stand.log if "no such device" in line]) == 1, "once for the line, not for each point"
    faults = [fault for (fault,) in stand.rows("SELECT fault FROM poll ORDER BY seq")]
    assert faults.count("port_lost") == 7, "each attempt is a row"


def test_while_the_record_cannot_be_written_readings_wait_and_none_is_lost_or_doubled(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest, refusals = append.Writer.append, 0

    def failing(self: append.Writer, facts: list[object]) -> None:
        nonlocal refusals
        if len(stand.log) >= 3 and refusals < 2:
            refusals += 1
            raise StorageFault("disk full", hint="make room", again=True)
        honest(self, facts)  # type: ignore[arg-type]  # a stand-in for the method, with its own words

    monkeypatch.setattr(append.Writer, "append", failing)
    stand.run(30)
    assert refusals == 2
    acknowledged = [int(line.split()[1]) for line in stand.log if line.startswith("stored ")]
    stored = [seq for (seq,) in stand.rows("SELECT seq FROM poll ORDER BY seq")]
    assert acknowledged == stored
    assert len(set(acknowledged)) == len(acknowledged)
    minutes = [utc // 60_000 for (utc,) in stand.rows("SELECT utc_ms FROM poll WHERE point = 1 ORDER BY seq")]  # type: ignore[operator]  # a row is objects
    assert minutes == list(range(minutes[0], minutes[0] + len(minutes))), "no minute is missing"
    assert record_trouble.KEPT_FACTS >= 10_000
    (told,) = stand.rows("SELECT content FROM event WHERE name = 'record_back'")
    assert json.loads(str(told[0])) | {"away_ms": 0} == {"away_ms": 0, "lost_polls": {}, "lost_others": 0}


def test_what_is_given_up_of_a_long_trouble_is_counted_on_record_at_its_place(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest, refusals = append.Writer.append, 0

    def failing(self: append.Writer, facts: list[object]) -> None:
        nonlocal refusals
        if len(stand.log) >= 3 and refusals < 40:
            refusals += 1
            raise StorageFault("disk full", hint="make room", again=True)
        honest(self, facts)  # type: ignore[arg-type]  # a stand-in for the method, with its own words

    monkeypatch.setattr(append.Writer, "append", failing)
    monkeypatch.setattr(record_trouble, "KEPT_FACTS", 10)
    monkeypatch.setattr(daemon, "RETRY_S", 0.0)
    stand.run(40)
    (told,) = stand.rows("SELECT content FROM event WHERE name = 'record_back'")
    lost = json.loads(str(told[0]))
    assert set(lost["lost_polls"]) == {"line0-p1", "line0-p2"}
    minutes = [utc // 60_000 for (utc,) in stand.rows("SELECT utc_ms FROM poll WHERE point = 1 ORDER BY seq")]  # type: ignore[operator]  # a row is objects
    (hole,) = [new - old - 1 for old, new in pairwise(minutes) if new - old > 1]
    assert lost["lost_polls"]["line0-p1"] == hole
    around = stand.rows("SELECT seq FROM event WHERE name = 'record_refused'")
    stored = [int(str(seq)) for (seq,) in stand.rows("SELECT seq FROM poll ORDER BY seq")]
    before, behind = max(pairwise(stored), key=lambda two: two[1] - two[0])
    assert [before < int(str(seq)) < behind for (seq,) in around] == [True], "it lies in the hole"
    assert any(f"{sum(lost['lost_polls'].values()) + lost['lost_others']} facts were given up" in x for x in stand.log)


def test_an_ask_for_an_unknown_point_is_answered_and_not_left_lying(stand: Stand) -> None:
    stand.record.create()
    uuid = drop(stand.record, draft_of(Statement("ask", "nowhere", None, "someone", {})))
    stand.run(4)
    asked = [json.loads(str(c)) for (c,) in stand.rows("SELECT content FROM event WHERE name = 'asked'")]
    refused = [json.loads(str(c)) for (c,) in stand.rows("SELECT content FROM event WHERE name = 'inbox_refused'")]
    assert {"uuid": uuid, "poll": None} in asked or refused
    assert not list((stand.record.path / "inbox").glob("*.json"))


def test_a_disk_that_stays_full_is_told_once_and_at_the_end_what_is_lost(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest, refusals = append.Writer.append, 0

    def failing(self: append.Writer, facts: list[object]) -> None:
        nonlocal refusals
        if len(stand.log) >= 3:
            refusals += 1
            if refusals == 3 and stand.daemon is not None:
                stand.daemon.stop()
            raise StorageFault("disk full", hint="make room", again=True)
        honest(self, facts)  # type: ignore[arg-type]  # a stand-in for the method, with its own words

    monkeypatch.setattr(append.Writer, "append", failing)
    stand.run(10**9)
    assert refusals > 3
    assert len([line for line in stand.log if "disk full" in line]) == 1
    assert "lost" in stand.log[-1]
    assert "stopped" not in stand.events()


def test_an_ask_whose_file_cannot_be_taken_away_is_answered_once(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    def refusing(_folder: RecordFolder, _uuid: str) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tallywell.service.daemon.finish", refusing)
    stand.record.create()
    drop(stand.record, draft_of(Statement("ask", "line0-p1", None, "someone", {})))
    stand.run(12)
    assert stand.events().count("asked") == 1
    assert any("cannot be taken away" in line for line in stand.log)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_line_thread_that_fails_ends_the_daemon_and_what_was_read_is_kept(stand: Stand) -> None:
    asked = 0

    def fails(_ask: Ask) -> Fault | None:
        nonlocal asked
        asked += 1
        if asked == 6:
            stand.clock.participants = 1  # the daemon's thread waits alone from now on
            raise ZeroDivisionError("as a bug would")
        return None

    stand.spoil = fails
    with pytest.raises(RuntimeError, match="thread of line line0 has ended"):
        stand.run(10**9)
    assert len(stand.rows("SELECT seq FROM poll")) == 5
    assert any(line.startswith("line line0: its thread has ended") for line in stand.log)
    assert "stopped" not in stand.events()


def test_stop_from_another_thread_ends_it_at_once(stand: Stand) -> None:
    def later(line: str) -> None:
        if line.startswith("started") and stand.daemon is not None:
            threading.Timer(0.2, stand.daemon.stop).start()

    began = time.monotonic()
    stand.run(10**9, later)
    assert stand.events()[-1] == "stopped"
    print(f"ran and stopped in {time.monotonic() - began:.2f} s")


def test_a_reading_that_does_not_fit_is_said_and_looked_at_again_before_its_next_mark(stand: Stand) -> None:
    """Of another meter hung there while the program did not run. Three readings decide, and the third is not hurried:
    what a meter shows for some seconds after power-up is no reset.
    """
    stand.run(6)
    points = stand.site.points.values()
    profile = Profile((Piece(0, 1_000_000),))
    stand.station = Station([Meter(point.address, point.map, profile, first_count=70_000_000) for point in points])
    begun = len(stand.log)
    before = len(stand.rows("SELECT seq FROM poll"))
    stand.run(12)
    said = [line for line in stand.log[begun:] if "looked at again" in line]
    assert len(said) == 2, "once for each point"
    decided = [line for line in stand.log[begun:] if "and goes on from there" in line]
    assert len(decided) == 2
    rows = stand.rows(f"SELECT point, boot_ms, forward FROM poll ORDER BY seq LIMIT -1 OFFSET {before}")
    at = [boot_ms for point, boot_ms, _ in rows if point == 1 and isinstance(boot_ms, int)]
    look, mark, *others = [later - earlier for earlier, later in pairwise(at)]
    assert 10_000 <= look < 12_000 < mark
    assert others
    assert all(59_000 < other < 61_000 for other in others)

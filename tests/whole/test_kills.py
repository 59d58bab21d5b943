"""`tallywell run` killed with -9, its moment drawn inside the write window: what was acknowledged is on record.

The window is met from both sides: a drawn moment after the write-ahead log begins to change (committed, perhaps not yet
acknowledged), or after the first acknowledgement of a commit is heard (whoever acknowledges too early is found out).

The simulated meters are real ones to the daemon: frames on pseudo-terminals, two lines with ten points each.
"""

import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.whole.site_on_ptys import called, leave_alone, rows, site_text, tallywell
from tests.whole.site_on_ptys import field as simulated_field

KILLS = 50
AT_LEAST = 20  # `stored` lines before each kill
SEED = 20260714

# The same daemon with its one law broken: it acknowledges before the commit. The campaign must find it out.
HASTY = """
import sys
from tallywell.commandline import main
from tallywell.readings.facts import Poll
from tallywell.service import daemon

def store_too_late(self):
    for fact in self._unstored:
        if isinstance(fact, Poll):
            self._world.log(f"stored {fact.seq}")
    import time
    time.sleep(0.02)  # the window that a slow card opens
    log, self._world = self._world, daemon.World(self._clock, self._world.boot_id, lambda text: None)
    try:
        honest(self)
    finally:
        self._world = log

honest, daemon.Daemon._store = daemon.Daemon._store, store_too_late
sys.exit(main(["run", sys.argv[1]]))
"""


@dataclass
class Life:
    """One life of a daemon, as its log tells it."""

    process: "subprocess.Popen[str]"
    acknowledged: list[int] = field(default_factory=list)
    heard: threading.Event = field(default_factory=threading.Event)
    ready: threading.Event = field(default_factory=threading.Event)

    def listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.startswith("stored "):
                self.acknowledged.append(int(line.split()[1]))
                self.heard.set()
                if len(self.acknowledged) >= AT_LEAST:
                    self.ready.set()


def live_and_die(command: list[str], record: Path, chance: random.Random) -> list[int]:
    """Start, wait for at least 20 acknowledged rows, kill inside the next write window; the acknowledged seqs."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    life = Life(process)
    listener = threading.Thread(target=life.listen)
    listener.start()
    assert life.ready.wait(30), f"no {AT_LEAST} stored lines within 30 s (exit {process.poll()})"
    time.sleep(0.3)  # commits come a second apart: the lines of this one are through, the next is still to come
    if chance.random() < 0.5:
        wait_for_a_write(record / "record.db-wal")
        time.sleep(chance.uniform(0.0, 0.002))
    else:
        life.heard.clear()
        assert life.heard.wait(10), "nothing was acknowledged any more"
        time.sleep(chance.uniform(0.0, 0.003))
    process.kill()
    process.wait(20)
    listener.join(20)
    return life.acknowledged


def wait_for_a_write(log: Path) -> None:
    """Until the write-ahead log changes; a commit takes some milliseconds from there to its acknowledgement."""
    before, until = log.stat(), time.monotonic() + 10
    while (now := log.stat()).st_mtime_ns == before.st_mtime_ns and now.st_size == before.st_size:
        assert time.monotonic() < until, "nothing is written any more"
        time.sleep(0.0002)


def campaign(command: list[str], record: Path, kills: int, seed: int) -> tuple[set[int], int]:
    """(acknowledged seqs that are not on record, rows on record that were not acknowledged)."""
    chance = random.Random(seed)
    seen: set[int] = set()
    for _ in range(kills):
        seen |= set(live_and_die(command, record, chance))
    stored = {int(str(seq)) for (seq,) in rows(record, "SELECT seq FROM poll")}
    print(f"seed {seed}: {kills} kills, {len(seen)} acknowledged, {len(stored)} on record, lost {len(seen - stored)}")
    return seen - stored, len(stored - seen)


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Path]:
    with simulated_field(tmp_path, site_text(lines=2, points=10)) as site:
        yield site


@pytest.mark.timeout(900)
def test_nothing_acknowledged_is_lost_and_each_entry_arrives_once(stand: Path) -> None:
    record = stand.with_suffix(".record")
    dropped: list[str] = []
    over = threading.Event()
    dropper = threading.Thread(target=drop_entries, args=(record, dropped, over))
    dropper.start()
    try:
        lost, unacknowledged = campaign(tallywell("run", stand), record, KILLS, SEED)
    finally:
        over.set()
        dropper.join(60)
    assert not lost
    print(f"{unacknowledged} rows were committed and not yet acknowledged; {len(dropped)} entries dropped meanwhile")
    called("clock", stand, "--it-is", time.strftime("%H:%M:%SZ", time.gmtime()), "--within", "5 s")
    entered = [uuid for (uuid,) in rows(record, "SELECT uuid FROM entry WHERE kind = 'visit'")]
    assert sorted(map(str, entered)) == sorted(dropped), "each dropped entry is on record exactly once"
    assert len(dropped) > KILLS, "entries were dropped all the while"
    assert not list((record / "inbox").glob("*.json")), "nothing waits any more"
    report_says_what_the_gap_was(stand, record)


def report_says_what_the_gap_was(site: Path, record: Path) -> None:
    """A kill with some seconds of darkness behind it is a gap in the report, with its cause."""
    process = subprocess.Popen(tallywell("run", site), stdout=subprocess.PIPE, text=True)
    time.sleep(4)
    assert leave_alone(process, signal.SIGKILL) == -signal.SIGKILL
    time.sleep(4)
    process = subprocess.Popen(tallywell("run", site), stdout=subprocess.PIPE, text=True)
    time.sleep(5)
    assert leave_alone(process) == 0
    called("clock", site, "--it-is", time.strftime("%H:%M:%SZ", time.gmtime()), "--within", "5 s")
    today = datetime.now(ZoneInfo("America/Denver")).date().isoformat()
    report = called("report", site, "--from", today[:8] + "01", "--to", today, "--point", "line0-p1")
    assert "ended without a stop" in report
    assert rows(record, "PRAGMA quick_check") == [("ok",)]


def drop_entries(record: Path, dropped: list[str], over: threading.Event) -> None:
    """A person who keeps entering visits while the daemon is killed again and again."""
    from tallywell.service.entering import Statement, draft_of
    from tallywell.store.database import RecordFolder
    from tallywell.store.inbox import drop

    while not (record / "inbox").exists():
        time.sleep(0.05)
    while not over.is_set():
        statement = Statement("visit", "line0-p1", None, "operator", {"shows": "00000001", "note": ""})
        dropped.append(drop(RecordFolder(record), draft_of(statement)))
        time.sleep(0.2)


@pytest.mark.timeout(300)
def test_the_campaign_finds_a_daemon_that_acknowledges_before_the_commit(stand: Path, tmp_path: Path) -> None:
    script = tmp_path / "hasty.py"
    script.write_text(HASTY, encoding="utf-8")
    record = stand.with_suffix(".record")
    lost: set[int] = set()
    for seed in range(SEED, SEED + 4):
        lost, _ = campaign([sys.executable, str(script), str(stand)], record, 5, seed)
        if lost:
            break
    assert lost, "20 kills of a daemon that acknowledges too early lost nothing: this campaign could not fail"


def test_sigterm_ends_it_at_once_and_the_running_exchange_is_on_record_as_stopped(tmp_path: Path) -> None:
    with simulated_field(
        tmp_path, site_text(lines=1, points=2), "--silent", "line0-p1", "--silent", "line0-p2"
    ) as site:
        text = (tmp_path / "panel.yaml").read_text(encoding="utf-8")
        (tmp_path / "panel.yaml").write_text(text.replace("200 ms", "5 s"), encoding="utf-8")
        process = subprocess.Popen(tallywell("run", site), stdout=subprocess.PIPE, text=True)
        time.sleep(3)  # by now it waits for a meter that does not answer, for 5 s
        before = time.monotonic()
        assert leave_alone(process) == 0
        print(f"left in {time.monotonic() - before:.3f} s")
        record = site.with_suffix(".record")
        faults = [fault for (fault,) in rows(record, "SELECT fault FROM poll ORDER BY seq")]
        events = [name for (name,) in rows(record, "SELECT name FROM event ORDER BY seq")]
    assert faults[-1] == "stopped"
    assert events[0] == "accepted"
    assert events[-1] == "stopped"

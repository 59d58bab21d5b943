"""`tallywell run` in a process of its own, on a port that is not there: what must not end it, and how it ends."""

import signal
import sqlite3
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import pytest

from tests.whole.site_on_ptys import MAP, called, rows, site_text, tallywell


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "panel.yaml").write_text(MAP, encoding="utf-8")
    path = tmp_path / "stand.yaml"
    path.write_text(site_text(lines=1, points=1), encoding="utf-8")
    return path


def await_polls(record: Path, process: "subprocess.Popen[str]") -> None:
    until = time.monotonic() + 30
    while time.monotonic() < until and process.poll() is None:
        time.sleep(0.2)
        with suppress(sqlite3.OperationalError):  # not made yet
            if rows(record, "SELECT count(*) > 0 FROM poll") == [(1,)]:
                return


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is Linux's stand-in for a disk without room")
def test_a_log_on_a_full_disk_does_not_end_the_reading_of_meters(site: Path) -> None:
    record = site.with_suffix(".record")
    with Path("/dev/full").open("w") as full:
        process = subprocess.Popen(tallywell("run", site), stdout=full, stderr=subprocess.PIPE, text=True)
        await_polls(record, process)
        process.terminate()
        _, said = process.communicate(timeout=20)
    assert "Traceback" not in said
    assert rows(record, "SELECT count(*) > 0 FROM poll") == [(1,)]
    assert rows(record, "SELECT name FROM event ORDER BY seq DESC LIMIT 1") == [("stopped",)]


def test_read_beside_a_daemon_that_does_not_know_the_point_says_so_at_once(site: Path) -> None:
    record = site.with_suffix(".record")
    process = subprocess.Popen(tallywell("run", site), stdout=subprocess.DEVNULL, text=True)
    try:
        await_polls(record, process)
        site.write_text(site_text(lines=1, points=2), encoding="utf-8")
        said = called("read", site, "line0-p2", code=1)
    finally:
        process.terminate()
        process.wait(20)
    assert "older site file" in said
    assert "within" not in said


@pytest.mark.parametrize("sent", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_closed_terminal_ends_it_in_order_as_a_stop_does(site: Path, sent: signal.Signals) -> None:
    record = site.with_suffix(".record")
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)  # tests under nohup would hand on that it is ignored
    try:
        process = subprocess.Popen(tallywell("run", site), stdout=subprocess.DEVNULL, text=True)
    finally:
        signal.signal(signal.SIGHUP, before)
    await_polls(record, process)
    process.send_signal(sent)
    assert process.wait(20) == 0
    assert rows(record, "SELECT name FROM event ORDER BY seq DESC LIMIT 1") == [("stopped",)]

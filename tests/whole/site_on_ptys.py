"""A site of our own on simulated meters, run by the commands as a user runs them. For tests that kill and restart."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MAP = """\
map: panel-meter
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 200 ms}
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""


def site_text(lines: int, points: int, every: str = "1 s") -> str:
    """A site of so many lines with so many points each."""
    text = "site: Quail Flat Test Stand\ntime_zone: America/Denver\nlines:\n"
    names = [f"line{k}" for k in range(lines)]
    text += "".join(f"  {name}: {{port: /dev/none-{name}, baud: 115200, parity: none}}\n" for name in names)
    text += "wells:\n  north: {called: Well 1, agency_id: 23-0417}\npoints:\n"
    for name in names:
        for k in range(1, points + 1):
            text += (
                f"  {name}-p{k}: {{well: north, line: {name}, address: {k}, map: panel.yaml, every: {every}, "
                "pipe: 8 in, running_above: 20 gpm}\n"
            )
    return text


def tallywell(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "tallywell", *map(str, words)]


def called(*words: str | Path, code: int = 0) -> str:
    """Run a command to its end; its output. The exit code is asserted."""
    done = subprocess.run(tallywell(*words), capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == code, f"{words}: exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stdout + done.stderr
    return done.stdout


@contextmanager
def field(folder: Path, text: str, *options: str, map_text: str = MAP) -> Iterator[Path]:
    """Simulated meters for the site text; gives the site file that leads to them."""
    (folder / "panel.yaml").write_text(map_text, encoding="utf-8")
    site = folder / "stand.yaml"
    site.write_text(text, encoding="utf-8")
    simulated = folder / "stand.simulated.yaml"
    simulated.unlink(missing_ok=True)
    simulator = subprocess.Popen(tallywell("simulate", site, *options), stdout=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 20
        while not simulated.exists() and time.monotonic() < until and simulator.poll() is None:
            time.sleep(0.05)
        assert simulated.exists(), "the simulator has not written its site file"
        yield simulated
    finally:
        simulator.send_signal(signal.SIGTERM)
        simulator.wait(20)


def rows(record: Path, query: str) -> list[tuple[object, ...]]:
    """What another process sees in the record."""
    connection = sqlite3.connect(f"file:{record / 'record.db'}?mode=ro", uri=True, timeout=20)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def leave_alone(process: "subprocess.Popen[str]", kind: int = signal.SIGTERM) -> int:
    """Send a signal and wait for the end."""
    if process.poll() is None:
        os.kill(process.pid, kind)
    return process.wait(20)

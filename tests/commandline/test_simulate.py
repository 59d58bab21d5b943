"""`tallywell simulate` as an installer uses it: a site file without hardware, in a process of its own."""

import re
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import minimalmodbus
import pytest
import yaml

MAP = """\
map: plain
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""
SITE = """\
site: Quail Flat   # invented
time_zone: America/Denver
lines:
  near: {port: /dev/serial/by-path/near, baud: 19200, parity: even}   # the left adapter
  far:
    port: /dev/serial/by-path/far
    baud: 9600
wells:
  north: {called: Well 1}
points:
  north: {well: north, line: near, address: 17, map: plain.yaml, every: 1 min, pipe: 8 in}
  mid:   {well: north, line: near, address: 18, map: plain.yaml, every: 1 min, pipe: 8 in}
  south: {well: north, line: far, address: 17, map: plain.yaml, every: 1 min, pipe: 6 in}
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "plain.yaml").write_text(MAP)
    (tmp_path / "quail.yaml").write_text(SITE)
    return tmp_path / "quail.yaml"


def command(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "tallywell", *map(str, words)]


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(*words), capture_output=True, text=True, timeout=60, check=False)


@contextmanager
def simulated(site: Path, *options: str) -> Iterator[Path]:
    """The simulator at work; gives the site file it wrote. Ended by SIGTERM, which it must take well."""
    words = command("simulate", site, "--seconds", "60", *options)
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as simulator:
        assert simulator.stdout is not None
        for line in simulator.stdout:
            if line.startswith("Ctrl-C"):
                break
        try:
            yield site.with_name("quail.simulated.yaml")
        finally:
            simulator.send_signal(signal.SIGTERM)
            assert simulator.wait(timeout=20) == 0


def count(port: str, address: int) -> int:
    """The total by another library's master (minimalmodbus 2.1.1)."""
    meter = minimalmodbus.Instrument(port, address, close_port_after_each_call=True)
    meter.serial.timeout = 1.0
    return int(struct.unpack(">I", struct.pack(">2H", *meter.read_registers(2, 2, 4)))[0])


def ports(copy: Path) -> dict[str, str]:
    return {name: line["port"] for name, line in yaml.safe_load(copy.read_text())["lines"].items()}


def test_the_copy_names_the_simulated_lines_and_a_record_of_its_own(site: Path) -> None:
    with simulated(site) as copy:
        written = copy.read_text()
        found = ports(copy)
        assert "# the left adapter" in written
        assert yaml.safe_load(written)["record"] == "quail.simulated.record"
        assert all(Path(port).is_char_device() for port in found.values())
        readings = [count(found["near"], 17), count(found["near"], 18), count(found["far"], 17)]
        assert len(set(readings)) == 3
    assert site.read_text() == SITE
    assert not any(Path(port).is_symlink() for port in found.values())


def test_read_shows_the_simulated_meter_and_keeps_the_row_apart(site: Path) -> None:
    with simulated(site) as copy:
        before = count(ports(copy)["near"], 18)
        shown = run("read", copy, "mid")
        after = count(ports(copy)["near"], 18)
    assert shown.returncode == 0, shown.stdout + shown.stderr
    numbers = {int(word.replace(",", "")) for word in re.findall(r"\b\d[\d,]*\b", shown.stdout)}
    assert numbers & set(range(before, after + 1)), shown.stdout
    assert (site.parent / "quail.simulated.record" / "record.db").exists()
    assert not (site.parent / "quail.record").exists()


def test_started_again_the_totals_do_not_fall_back(site: Path) -> None:
    with simulated(site) as copy:
        before = count(ports(copy)["far"], 17)
    time.sleep(0.1)
    with simulated(site) as copy:
        after = count(ports(copy)["far"], 17)
    assert 0 <= after - before < 10_000


def test_silent_resting_and_going_round(site: Path) -> None:
    options = ("--silent", "mid", "--resting", "north", "--rollover", "south")
    with simulated(site, *options) as copy:
        found = ports(copy)
        first = count(found["near"], 17)
        with pytest.raises(minimalmodbus.NoResponseError):
            count(found["near"], 18)
        assert count(found["near"], 17) == first
        assert 100_000_000 - 10_000 < count(found["far"], 17) < 100_000_000


def test_a_path_with_blanks_can_be_copied_from_what_is_said(site: Path) -> None:
    folder = site.parent / "pump house"
    folder.mkdir()
    for name in ("plain.yaml", "quail.yaml"):
        (folder / name).write_text((site.parent / name).read_text())
    answered = run("simulate", folder / "quail.yaml", "--seconds", "1")
    assert f"tallywell run '{folder}/quail.simulated.yaml'" in answered.stdout


def test_a_second_one_leaves_the_lines_to_the_first(site: Path) -> None:
    with simulated(site) as copy:
        second = run("simulate", site, "--seconds", "1")
        assert second.returncode == 1
        assert "stands in for this site already" in second.stderr
        assert count(ports(copy)["near"], 17) > 0
    assert run("simulate", site, "--seconds", "1").returncode == 0


def missed(copy: Path, point: str) -> str:
    """What the record has of one poll that `read` makes."""
    run("read", copy, point)
    with sqlite3.connect(f"file:{copy.with_name('quail.simulated.record') / 'record.db'}?mode=ro", uri=True) as record:
        rows = record.execute("SELECT fault FROM poll ORDER BY seq").fetchall()
    record.close()
    return str(rows[-1][0])


@pytest.mark.parametrize(
    ("trouble", "fault"),
    [("bad_crc:mid:100", "bad_crc"), ("twice:100", "stray_bytes"), ("refuses:mid:100", "exception")],
)
def test_a_trouble_is_told_by_its_name(site: Path, trouble: str, fault: str) -> None:
    with simulated(site, "--trouble", trouble) as copy:
        assert missed(copy, "mid") == fault


def test_a_trouble_at_one_meter_leaves_its_neighbour_alone(site: Path) -> None:
    with simulated(site, "--trouble", "silent:mid:100", "--trouble", "bad_crc:south:100") as copy:
        assert count(ports(copy)["near"], 17) > 0
        with pytest.raises(minimalmodbus.NoResponseError):
            count(ports(copy)["near"], 18)
        with pytest.raises(minimalmodbus.InvalidResponseError):
            count(ports(copy)["far"], 17)


def test_an_adapter_that_is_pulled_out_takes_its_name_away_and_comes_back(site: Path) -> None:
    with simulated(site, "--trouble", "unplugged:north:60") as copy:
        near, far = (Path(port) for port in ports(copy).values())
        gone, back, until = False, False, time.monotonic() + 60
        while not back and time.monotonic() < until:
            gone = gone or not near.is_symlink()
            back = gone and near.is_char_device()
            assert far.is_char_device()
            time.sleep(0.01)
        assert back, "the name leads nowhere meanwhile, and then to a device again"


def test_troubles_that_are_not_there(site: Path) -> None:
    listed = run("simulate", "--list-troubles")
    assert listed.returncode == 0
    assert "late_queued (5 of 100 answers; any line): no_answer" in listed.stdout
    assert "noise (120 times a minute; serial lines only): stray_bytes" in listed.stdout
    for typed, said in [
        ("late_queud", "did you mean 'late_queued'?"),
        ("late_queued:nroth", "did you mean 'north'?"),
        ("silent:101", "0 to 100 of 100 answers"),
        ("silent:north:1:2", "RECIPE:POINT:RATE"),
        ("silent:north:often", "RECIPE:POINT:RATE"),
    ]:
        refused = run("simulate", site, "--trouble", typed, "--seconds", "1")
        assert refused.returncode == 2, typed
        assert said in refused.stderr
        assert "Traceback" not in refused.stderr


def test_what_is_called_wrongly_and_what_stands_in_the_way(site: Path) -> None:
    unknown = run("simulate", site, "--silent", "nroth", "--seconds", "1")
    assert unknown.returncode == 2
    assert "'north'" in unknown.stderr
    for seconds in ("0", "-1", "nan", "soon"):
        assert run("simulate", site, "--seconds", seconds).returncode == 2
    site.with_name("quail.simulated.yaml").write_text("site: my own\n")
    refused = run("simulate", site, "--seconds", "1")
    assert refused.returncode == 1
    assert "was not written by this command" in " ".join(refused.stderr.split())
    assert site.with_name("quail.simulated.yaml").read_text() == "site: my own\n"
    assert not list(site.parent.glob("quail.simulated.near"))
    site.write_text(SITE.replace("address: 18", "address: 17"))
    faulty = run("simulate", site, "--seconds", "1")
    assert faulty.returncode == 1
    assert "Traceback" not in faulty.stderr


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_a_line_through_a_host_is_played_at_a_port_that_stays(site: Path, framing: str) -> None:
    far = "  far:\n    port: /dev/serial/by-path/far\n    baud: 9600\n"
    site.write_text(SITE.replace(far, f"  far: {{host: 192.0.2.10, framing: {framing}}}   # on the pole\n"))
    found = []
    for _ in range(2):
        with simulated(site) as copy:
            assert "# on the pole" in copy.read_text()
            found.append(yaml.safe_load(copy.read_text())["lines"]["far"])
            shown = run("read", copy, "south")
            assert shown.returncode == 0, shown.stdout + shown.stderr
            assert "forward_total" in shown.stdout
    assert found[0] == found[1]
    assert found[0]["host"] == "127.0.0.1"
    gone = run("read", copy, "south")
    assert gone.returncode != 0
    assert "connection refused" in gone.stdout + gone.stderr
    assert "Traceback" not in gone.stdout + gone.stderr
    checked = run("check", site)
    assert "Of line far through a host no wire time is known" in " ".join(checked.stdout.split())


@pytest.mark.parametrize(
    ("framing", "trouble", "fault"),
    [
        ("tcp", "refuses:south:100", "exception"),
        ("tcp", "other_unit:100", "wrong_address"),
        ("rtu", "bad_crc:100", "bad_crc"),
    ],
)
def test_a_trouble_of_a_line_through_a_host_is_told_by_its_name(
    site: Path, framing: str, trouble: str, fault: str
) -> None:
    far = "  far:\n    port: /dev/serial/by-path/far\n    baud: 9600\n"
    site.write_text(SITE.replace(far, f"  far: {{host: 192.0.2.10, framing: {framing}}}\n"))
    with simulated(site, "--trouble", trouble) as copy:
        assert missed(copy, "south") == fault


def test_a_trouble_that_no_host_lets_through_is_refused_in_words(site: Path) -> None:
    far = "  far:\n    port: /dev/serial/by-path/far\n    baud: 9600\n"
    site.write_text(SITE.replace(far, "  far: {host: 192.0.2.10}\n"))
    for typed, said in [
        (
            "bad_crc:south",
            "south is on a line through a host; bad_crc can be played on serial lines, and with framing rtu",
        ),
        ("echo:south", "south is on a line through a host; echo can be played on serial lines, and on no such line"),
    ]:
        refused = run("simulate", site, "--trouble", typed, "--seconds", "1")
        assert refused.returncode == 2, typed
        assert said in " ".join(refused.stderr.split())

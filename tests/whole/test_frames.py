"""What passes over the lines, watched as a user does: without a daemon, beside it, kept and replayed."""

import signal
import subprocess
import time
from pathlib import Path

import pytest

from tallywell.readings.problems import EdgeFailure
from tallywell.service import frames
from tallywell.store.append import open_writer
from tallywell.store.database import RecordFolder
from tests.whole.site_on_ptys import called, field, leave_alone, rows, site_text, tallywell

WIDTH = 100


def test_without_a_daemon_it_polls_and_stores_nothing(tmp_path: Path) -> None:
    kept = tmp_path / "kept.txt"
    with field(tmp_path, site_text(1, 2), "--trouble", "bad_crc:line0-p1:20") as site:
        shown = called("frames", site, "--seconds", "5", "--keep", kept)
    assert shown.startswith("no daemon runs: polling by the site file, nothing is stored.")
    assert "line0-p1 (address 1), input 0 to 3: flow_rate, forward_total" in shown
    assert "good after " in shown
    assert all(len(line) <= WIDTH for line in shown.splitlines())
    assert not (tmp_path / "stand.simulated.record" / "record.db").exists()
    again = called("frames", site, "--replay", kept)
    assert table(again) == table(shown), "the same exchanges end the same way, from the kept bytes alone"
    assert table(shown)[0].split()[:3] == ["Point", "Asked", "Good"]
    refused = called("frames", site, "--replay", kept, "--refused")
    assert "good after " not in refused


def table(shown: str) -> list[str]:
    return shown.strip().split("\n\n")[-1].splitlines()


@pytest.mark.alone  # no poll may be lost, and the meters' longest delay is 200 ms
def test_beside_the_daemon_two_look_on_and_one_is_killed(tmp_path: Path) -> None:
    with field(tmp_path, site_text(1, 2)) as site:
        record = tmp_path / "stand.simulated.record"
        daemon = subprocess.Popen(tallywell("run", site), stdout=subprocess.DEVNULL, text=True)
        try:
            until = time.monotonic() + 20
            while not (record / "record.db").exists() and time.monotonic() < until:
                time.sleep(0.1)
            doomed = subprocess.Popen(tallywell("frames", site), stdout=subprocess.PIPE, text=True)
            assert doomed.stdout is not None
            assert doomed.stdout.readline().startswith("the daemon polls; this only looks on.")
            assert doomed.stdout.readline()
            assert leave_alone(doomed, signal.SIGKILL) == -signal.SIGKILL
            doomed.stdout.close()
            shown = called("frames", site, "--seconds", "4")
            assert "line0-p2 (address 2), input 0 to 3" in shown
            assert int(table(shown)[1].split()[1]) >= 2, "it goes on polling each second"
            assert list((record / "listeners").iterdir()) == [], "the killed one's socket was taken away"
        finally:
            assert leave_alone(daemon) == 0
        faults = rows(record, "SELECT count(*) FROM poll WHERE fault IS NOT NULL AND fault <> 'stopped'")
        assert faults == [(0,)], "nobody who looks on costs a poll"


def test_it_ends_when_the_daemon_does(tmp_path: Path) -> None:
    with field(tmp_path, site_text(1, 1)) as site:
        record = tmp_path / "stand.simulated.record"
        daemon = subprocess.Popen(tallywell("run", site), stdout=subprocess.DEVNULL, text=True)
        until = time.monotonic() + 20
        while not (record / "record.db").exists() and time.monotonic() < until:
            time.sleep(0.1)
        watching = subprocess.Popen(tallywell("frames", site), stdout=subprocess.PIPE, text=True)
        assert watching.stdout is not None
        assert watching.stdout.readline().startswith("the daemon polls")
        for _ in range(4):  # the table counts what was heard whole: an exchange or two
            assert watching.stdout.readline()
        assert leave_alone(daemon) == 0
        shown, _ = watching.communicate(timeout=20)
    assert "the daemon has ended" in shown
    assert table(shown)[1].startswith("line0-p1")
    assert watching.returncode == 0


def test_who_holds_the_record_and_is_no_daemon_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames, "GREETED_WITHIN_S", 0.3)
    folder = RecordFolder(tmp_path / "stand.record")
    folder.create()
    with open_writer(folder, "0.test", "boot"), pytest.raises(EdgeFailure, match="does not let others look on"):
        list(frames.daemons_rows(folder.path, print))


def test_a_full_card_is_one_message(tmp_path: Path) -> None:
    """A file that may not grow beyond 1,000 bytes stands for it."""
    kept = tmp_path / "kept.txt"
    with field(tmp_path, site_text(1, 1)) as site:
        words = tallywell("frames", site, "--seconds", "20", "--keep", kept)
        limited = ["bash", "-c", 'ulimit -f 1; exec "$@"', "bash", *words]
        done = subprocess.run(limited, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1
    assert f"{kept}: it cannot be written any more (File too large)" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_whose_output_goes_away_ends_quietly(tmp_path: Path) -> None:
    kept = tmp_path / "kept.txt"
    with field(tmp_path, site_text(1, 1)) as site:
        called("frames", site, "--seconds", "3", "--keep", kept)
    shown = subprocess.Popen(
        tallywell("frames", site, "--replay", kept), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert shown.stdout is not None
    shown.stdout.close()
    assert shown.stderr is not None
    assert shown.stderr.read() == ""
    shown.stderr.close()
    shown.wait(20)


def test_one_line_of_a_kept_file(tmp_path: Path) -> None:
    kept = tmp_path / "kept.txt"
    with field(tmp_path, site_text(2, 1)) as site:
        called("frames", site, "--seconds", "3", "--keep", kept)
    shown = called("frames", site, "--replay", kept, "--line", "line1")
    assert "line1-p1" in shown
    assert "line0" not in shown


CUT_OFF = """\
tallywell frames 1
site Stand
began 2026-07-01T10:00:00-06:00
line line0 port=/dev/none baud=9600 parity=none stop_bits=1 latency_ms=20

1.000000000 line0 asked address=1 function=4 register=2 words=2 longest_delay_ms=200
1.010000000 line0 sent 01 04 00 02 00 02 d0 0b
1.040000000 line0 heard 01 04 04 00 00 00 07 ba 46
1.060000000 line0 ended good
2.000000000 line0 asked address=1 function=4 register=2 words=2 longest_delay_ms=200
2.010000000 line0 sent 01 04 00 02 00 02 d0 0b
2.040000000 line0 heard 01 04
"""


def test_an_exchange_that_the_end_cuts_off_is_not_told(tmp_path: Path) -> None:
    """Nobody knows how it went on: it is no damaged answer."""
    (tmp_path / "panel.yaml").write_text(PANEL, encoding="utf-8")
    (tmp_path / "stand.yaml").write_text(site_text(1, 1), encoding="utf-8")
    (tmp_path / "kept.txt").write_text(CUT_OFF)
    shown = called("frames", tmp_path / "stand.yaml", "--replay", tmp_path / "kept.txt")
    assert table(shown)[1].split()[:3] == ["line0-p1", "1", "1"]
    assert "wrong_length" not in shown


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--line", "feild"), 2, "there is no line 'feild'; the site has line0"),
        (("--seconds", "0"), 2, "'0' is no number of seconds above 0"),
        (("--replay", "none.txt"), 1, "none.txt: it cannot be read (No such file or directory)"),
        (("--replay", "stand.yaml"), 1, "stand.yaml:1:1: this is no file of kept frames"),
        (("--replay", "kept.txt", "--keep", "more.txt"), 2, "--keep and --seconds do not go with --replay"),
        (("--keep", "stand.yaml", "--seconds", "1"), 1, "stand.yaml: there is such a file already"),
        (("--replay", "kept.txt"), 1, "kept.txt:5:1: these are no bytes"),
        (("--replay", "undated.txt"), 1, "undated.txt:1:1: the file does not say when it was begun"),
    ],
)
def test_called_wrongly(tmp_path: Path, words: tuple[str, ...], code: int, said: str) -> None:
    (tmp_path / "panel.yaml").write_text(PANEL, encoding="utf-8")
    (tmp_path / "stand.yaml").write_text(site_text(1, 1), encoding="utf-8")
    head = "tallywell frames 1\nsite Stand\nbegan {}\nline line0 port=/dev/none baud=9600 parity=none stop_bits=1\n"
    (tmp_path / "kept.txt").write_text(head.format("2026-07-01T10:00:00-06:00") + "0.5 line0 heard 1g\n")
    (tmp_path / "undated.txt").write_text(head.format("yesterday"))
    done = subprocess.run(
        tallywell("frames", "stand.yaml", *words), cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == code, done.stderr
    assert said in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


PANEL = """\
map: panel-meter
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""

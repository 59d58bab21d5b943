"""`tallywell read` and `status` on simulated meters whose map reads in several rhythms, with and without the daemon."""

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.commandline.test_run import await_polls
from tests.whole.site_on_ptys import MAP, called, field, leave_alone, rows, site_text, tallywell

pytestmark = pytest.mark.alone

MORE = """\
  status:        {table: discrete, register: 0, type: bits, bits: {1: {name: cover_open, means: suspect, when: 0}}}
  serial_number: {table: holding, register: 70, type: text, words: 3, setting: serial}
  unit_setting:  {table: holding, register: 80, type: uint16, enumeration: {0: litre, 1: gallon}, setting: unit,
                  expected: gallon}
  temperature:   {table: input, register: 60, type: int16, unit: 0.1 degC, every: 1 h}
"""
WAKE = "wake: {table: holding, register: 80, words: 1, wait: 50 ms, window: 2 s}\nquantities:"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Path]:
    """The map is not written for what hangs there: the meters have their covers on and count in gallons."""
    simulated_map = MAP.replace("quantities:", WAKE) + MORE
    with field(tmp_path, site_text(1, 2, "2 s"), map_text=simulated_map) as simulated:
        wrong = simulated_map.replace("when: 0", "when: 1").replace("expected: gallon", "expected: litre")
        (tmp_path / "panel.yaml").write_text(wrong, encoding="utf-8")
        yield simulated


def test_without_a_daemon_every_set_is_read_and_shown(site: Path) -> None:
    said = called("read", site, "line0-p1")
    _shows_all(said)
    record = site.parent / record_of(site)
    plans = rows(record, "SELECT plan.reads, poll.fault FROM poll JOIN plan ON plan.id = poll.plan ORDER BY seq")
    assert [fault for _, fault in plans] == [None] * 3
    assert [json.loads(str(asked))[0][:2] for asked, _ in plans] == [[4, 0], [4, 60], [3, 70]], "the books' total first"
    assert rows(record, "SELECT name FROM event ORDER BY seq") == [
        ("accepted",),
        ("setting_unexpected",),
        ("settings",),
    ]
    again = called("read", site, "line0-p1")
    assert "unit_setting reads gallon" in again
    assert rows(record, "SELECT count(*) FROM event WHERE name LIKE 'setting%'") == [(2,)]


def test_beside_a_daemon_what_was_just_read_is_shown_whole(site: Path) -> None:
    record = site.parent / record_of(site)
    process = subprocess.Popen(tallywell("run", site), stdout=subprocess.PIPE, text=True)
    try:
        await_polls(record, process)
        _shows_all(called("read", site, "line0-p2"))
        told = called("status", site, code=1)
    finally:
        leave_alone(process)
    assert process.stdout is not None
    log = process.stdout.read()
    process.stdout.close()
    assert log.count("unit_setting reads gallon, and the map panel-meter is written for litre") == 2
    assert told.count("says that its numbers are suspect (cover_open)") == 2
    assert told.count("unit_setting reads gallon") == 2
    assert rows(record, "SELECT count(*) FROM poll WHERE fault IS NOT NULL AND fault != 'stopped'") == [(0,)]


def _shows_all(said: str) -> None:
    words = said.split()
    for name in ("flow_rate", "forward_total", "status", "serial_number", "temperature", "cover_open"):
        assert name in words, said
    assert "the meter says that its numbers are suspect (cover_open)" in said
    assert "settings, read 20" in said
    assert "unit_setting reads gallon, and the map panel-meter is written for litre" in said


def record_of(site: Path) -> str:
    """The record's folder, as the simulated site file names it."""
    import yaml

    return str(yaml.safe_load(site.read_text(encoding="utf-8"))["record"])

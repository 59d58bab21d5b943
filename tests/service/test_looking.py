"""What `status` sees in a record."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tallywell.readings.facts import Poll
from tallywell.readings.problems import EdgeFailure, Problem
from tallywell.registers.register_map import parse_map
from tallywell.service import looking
from tallywell.store.append import open_writer
from tallywell.store.query import Reader
from tests.service.test_daemon import Stand
from tests.whole.site_on_ptys import MAP


def test_each_map_is_parsed_once_however_many_polls_are_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand = Stand(tmp_path)
    stand.run(30)
    parsed = 0

    def counting(text: str, name: str) -> object:
        nonlocal parsed
        parsed += 1
        return parse_map(text, name)

    monkeypatch.setattr("tallywell.service.looking.parse_map", counting)
    now = stand.clock.boot_id, stand.clock.boot_ns() // 1_000_000, stand.clock.utc_ns() // 1_000_000
    with Reader(stand.record) as reader:
        found = looking.states(reader, stand.site, now)
    assert parsed == 1, "both points have the same map and the same plan"
    assert ["is counting" in state.sentence for state in found] == [True, True]


def test_a_map_that_a_newer_version_finds_fault_with_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand = Stand(tmp_path)
    stand.run(4)
    fault = Problem("map 1", 3, 1, "numbering is not what it was")
    monkeypatch.setattr("tallywell.service.looking.parse_map", lambda _text, _name: (None, (fault,)))
    with Reader(stand.record) as reader, pytest.raises(EdgeFailure, match="numbering is not what it was"):
        looking.states(reader, stand.site, (stand.clock.boot_id, 0, 0))


MORE = """\
  status:        {table: holding, register: 90, type: bits, bits: {1: {name: cover_open, means: suspect}}, every: 1 h}
  serial_number: {table: holding, register: 70, type: text, words: 3, setting: serial}
"""


def test_only_polls_of_the_books_total_tell_of_silence_and_all_tell_of_conditions(tmp_path: Path) -> None:
    """The newest polls of the point are settings that did not come, and a status word that is read each hour."""
    stand = Stand(tmp_path, MAP + MORE)
    stand.run(30)
    now = stand.clock.boot_id, stand.clock.boot_ns() // 1_000_000, stand.clock.utc_ns() // 1_000_000
    plans = {json.loads(str(asked))[0][1]: int(str(plan)) for plan, asked in stand.rows("SELECT id, reads FROM plan")}

    def seen(plan: int, raw: bytes | None, fault: str | None) -> looking.State:
        with open_writer(stand.record, "0.0.1", now[0]) as writer:
            point, run = writer.point("line0-p1"), writer.run.id
            got = 0 if raw is None else 1
            writer.append([Poll(writer.next_seq(), run, point, plan, now[1], now[2], now[2], got, raw, fault, None)])
        with Reader(stand.record) as reader:
            return looking.states(reader, stand.site, now)[0]

    for _ in range(3):
        silent = seen(plans[70], None, "no_answer")
    assert silent.well
    assert "is counting" in silent.sentence
    assert seen(plans[70], b"A-1\0\0\0", None).well
    suspect = seen(plans[90], b"\x00\x02", None)
    assert "is counting; says that its numbers are suspect (cover_open)" in suspect.sentence
    assert not suspect.well
    assert seen(plans[90], b"\x00\x00", None).well
    now = now[0], now[1] + 600_000, now[2] + 600_000
    assert seen(plans[0], None, "exception").sentence.startswith("line0-p1 (line line0, address 1): refusals")
    dead = seen(plans[70], b"A-1\0\0\0", None)
    assert (dead.well, "last reading 10 min ago" in dead.sentence) == (False, True), "settings are no reading"


def state_of(stand: Stand) -> looking.State:
    now = stand.clock.boot_id, stand.clock.boot_ns() // 1_000_000, stand.clock.utc_ns() // 1_000_000
    with Reader(stand.record) as reader:
        return looking.states(reader, stand.site, now)[0]


def test_sets_that_are_read_oftener_do_not_hide_the_readings(tmp_path: Path) -> None:
    """The status word is read each second, the books' total each ten minutes."""
    stand = Stand(tmp_path, MAP + MORE.replace("every: 1 h", "every: 1 s"), every="10 min")
    stand.run(2600)
    assert "is counting" in state_of(stand).sentence


def test_what_is_read_daily_is_told_all_day(tmp_path: Path) -> None:
    """The map reads the status word once a day; since midnight showed the cover open there were 300."""
    stand = Stand(tmp_path, MAP + MORE.replace("every: 1 h", "every: 1 day"))
    meter = stand.station.meters[1]
    stand.station.meters[1] = replace(meter, constants={**meter.constants, "status": 2})
    stand.run(900)
    assert "suspect (cover_open)" in state_of(stand).sentence


def test_conditions_are_by_the_map_of_the_newest_reading(tmp_path: Path) -> None:
    """The first map looked at the wrong bit, in a set of its own; the corrected one reads none."""
    stand = Stand(tmp_path, MAP + MORE)
    meter = stand.station.meters[1]
    stand.station.meters[1] = replace(meter, constants={**meter.constants, "status": 2})
    stand.run(4)
    assert "suspect (cover_open)" in state_of(stand).sentence
    corrected = Stand(tmp_path, MAP)
    corrected.clock = stand.clock
    corrected.run(4)
    assert "suspect" not in state_of(corrected).sentence

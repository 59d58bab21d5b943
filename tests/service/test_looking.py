"""What `status` sees in a record."""

from pathlib import Path

import pytest

from tallywell.readings.problems import EdgeFailure, Problem
from tallywell.registers.register_map import parse_map
from tallywell.service import looking
from tallywell.store.query import Reader
from tests.service.test_daemon import Stand


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

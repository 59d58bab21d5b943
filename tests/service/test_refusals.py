"""What a meter refuses: said once with registers and what to do, on record with its end, and shown by `status`."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tallywell.readings.exchange import Read
from tallywell.readings.facts import Poll
from tallywell.registers.register_map import parse_map
from tallywell.service import looking
from tallywell.service.refusals import Refusal, refusal_of
from tallywell.store.query import Reader
from tests.service.test_daemon import Stand
from tests.whole.site_on_ptys import MAP

STATUS_WORD = "  status: {table: holding, register: 90, type: bits, bits: {1: cover_open}, every: 1 h}\n"
ELSEWHERE = MAP.replace("register: 2,", "register: 12,").replace("register: 0,", "register: 10,")


def with_meter(stand: Stand, map_text: str) -> None:
    """The first meter is of another model than the site's map says."""
    found, problems = parse_map(map_text, "other.yaml")
    assert found is not None, problems
    stand.station.meters[1] = replace(stand.station.meters[1], map=found)


def events(stand: Stand, name: str) -> list[dict[str, object]]:
    return [json.loads(str(one)) for (one,) in stand.rows(f"SELECT content FROM event WHERE name = '{name}'")]


def state_of(stand: Stand) -> looking.State:
    now = stand.clock.boot_id, stand.clock.boot_ns() // 1_000_000, stand.clock.utc_ns() // 1_000_000
    with Reader(stand.record) as reader:
        return looking.states(reader, stand.site, now)[0]


def test_a_total_that_is_refused_is_said_once_in_words_and_asked_for_rarely(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    with_meter(stand, ELSEWHERE)
    stand.run(60)
    said = [line for line in stand.log if "refuses" in line]
    assert len(said) == 1
    assert "line0-p1 (line line0, address 1): refusals since" in said[0]
    assert "it refuses input registers 0 to 3 on the wire (flow_rate, forward_total) with exception 2" in said[0]
    assert "check number, numbering, table and model" in said[0]
    refused, other = (int(str(count)) for (count,) in stand.rows("SELECT count(*) FROM poll GROUP BY point"))
    assert refused < 12
    assert other > 45, "it keeps its rate"
    (noted,) = events(stand, "read_refused")
    assert noted == {
        "point": "line0-p1", "function": 4, "register": 0, "words": 4, "exception": 2,
        "quantities": ["flow_rate", "forward_total"],
    }  # fmt: skip
    state = state_of(stand)
    assert state.sentence.count("it refuses input registers 0 to 3") == 1
    assert not state.well


def test_when_it_answers_its_rate_is_back_and_that_is_on_record(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    mended = stand.station.meters[1]
    with_meter(stand, ELSEWHERE)

    def mend(line: str) -> None:
        if line == "stored 40":
            stand.station.meters[1] = mended

    stand.run(120, mend)
    assert len(events(stand, "read_refused")) == len(events(stand, "read_answered")) == 1
    minutes = [int(str(ms)) // 60_000 for (ms,) in stand.rows("SELECT utc_ms FROM poll WHERE point = 1 AND got")]
    assert minutes == list(range(minutes[0], minutes[0] + len(minutes)))
    assert len(minutes) > 20
    assert "refuses" not in state_of(stand).sentence
    assert state_of(stand).well


def test_a_set_that_is_refused_shows_in_status_beside_a_meter_that_counts(tmp_path: Path) -> None:
    stand = Stand(tmp_path, MAP + STATUS_WORD)
    with_meter(stand, MAP)
    stand.run(300)
    said = [line for line in stand.log if "refuses" in line]
    assert len(said) == 1, "not each hour"
    assert "it refuses holding register 90 on the wire (status)" in said[0]
    state = state_of(stand)
    assert "is counting" in state.sentence
    assert "it refuses holding register 90 on the wire (status) with exception 1" in state.sentence
    assert not state.well


@pytest.mark.parametrize(("code", "words"), [(1, "does not know this table"), (3, "so many at once"), (6, "busy")])
def test_what_each_code_asks_for(code: int, words: str) -> None:
    said = Refusal(Read(3, 70, 6), code, ("serial",)).said
    assert said.startswith(f"it refuses holding registers 70 to 75 on the wire (serial) with exception {code}, ")
    assert words in said


def test_a_code_of_the_makers_own_is_told_as_such() -> None:
    assert "exception 99, of its maker's: look it up" in Refusal(Read(1, 3, 1), 99, ()).said


def test_only_refusals_are_told_as_such() -> None:
    found, _ = parse_map(MAP, "m.yaml")
    assert found is not None
    reads = (Read(4, 0, 4),)
    poll = Poll(1, 1, 1, 1, 0, 0, None, 0, None, "no_answer", '[{"exception":11,"read":0}]')
    assert refusal_of(poll, reads, found) is None, "a gateway's own word"
    assert refusal_of(replace(poll, fault="exception", refused=None), reads, found) is None
    refused = refusal_of(replace(poll, fault="exception"), reads, found)
    assert refused == Refusal(reads[0], 11, ("flow_rate", "forward_total"))

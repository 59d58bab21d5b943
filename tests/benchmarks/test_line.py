"""The benchmark of the line finds what it looks for; and the long run beside the libraries (`-m campaign`)."""

import pytest

from tallywell.simulator.line import Request
from tallywell.simulator.station import Served
from tallywell.simulator.trouble import RECIPES
from tests.benchmarks.line import LEFT_OUT, TARGETS, TROUBLE_BAUD, TROUBLE_S
from tests.benchmarks.line_cell import Poll, Task, in_own_process, judged
from tests.benchmarks.line_masters import MASTERS, OURS, present

pytestmark = pytest.mark.alone

SILENCE_NS = 2_000
LIBRARIES = [name for name in MASTERS if name not in (OURS, "bare Python") and present(name)]


def request(at_ns: int, register: int, data: bytes, *struck: str, quiet_ns: int = SILENCE_NS) -> Request:
    served = Served(0, 17, 4, register, 4, data)
    return Request(at_ns, quiet_ns, True, served, tuple(RECIPES[name] for name in struck))


def poll(began_ns: int, register: int, content: bytes | None) -> Poll:
    return Poll(began_ns, began_ns + 50, 17, register, content)


def test_the_answer_to_this_very_request_is_right() -> None:
    found = judged(
        [poll(0, 0, b"aa"), poll(100, 10, None)], [request(1, 0, b"aa"), request(101, 10, b"bb")], SILENCE_NS
    )
    assert (found.polls, found.right, found.missed, found.wrong) == (2, 1, 1, {})


def test_an_answer_to_an_earlier_request_is_stale() -> None:
    requests = [request(1, 0, b"aa"), request(101, 0, b"bb"), request(201, 10, b"cc")]
    found = judged([poll(0, 0, None), poll(100, 0, b"aa"), poll(200, 10, b"bb")], requests, SILENCE_NS)
    assert (found.right, found.wrong, found.missed) == (0, {"stale": 2}, 1)


@pytest.mark.parametrize("content", [b"ab", b"a", b""])
def test_what_no_meter_said_is_damaged(content: bytes) -> None:
    assert judged([poll(0, 0, content)], [request(1, 0, b"aa")], SILENCE_NS).wrong == {"damaged": 1}


@pytest.mark.parametrize("name", ["other_unit", "other_function"])
def test_the_right_words_in_another_frame_are_foreign(name: str) -> None:
    assert judged([poll(0, 0, b"aa")], [request(1, 0, b"aa", name)], SILENCE_NS).wrong == {"foreign": 1}


def test_a_masters_own_retry_is_its_poll() -> None:
    asked_twice = [request(1, 0, b"aa"), request(40, 0, b"bb")]
    assert judged([poll(0, 0, b"bb")], asked_twice, SILENCE_NS).right == 1
    assert judged([poll(0, 0, b"cc")], [], SILENCE_NS).wrong == {"damaged": 1}


def test_requests_before_the_silence_are_counted() -> None:
    requests = [request(1, 0, b"aa"), request(101, 0, b"bb", quiet_ns=SILENCE_NS - 1)]
    assert judged([], requests, SILENCE_NS).hasty == 1


def test_a_short_run_of_ours() -> None:
    """In its own processes, as the benchmark does it; no time is asserted."""
    found = in_own_process(Task(OURS, 115_200, 1.0, insists=True))
    print(found)
    assert (found.wrong, found.hasty, found.missed) == ({}, 0, 0)
    assert found.right > 0
    assert found.cpu_s_per_1000 > 0
    assert found.mib > 1


def test_what_is_asked_for_too_early_is_seen_in_a_library() -> None:
    """modbus_tk 1.1.5 keeps no silence behind an answer (its RtuMaster._send): the line says so."""
    if present("modbus_tk") is None:
        pytest.skip("pip install -e '.[benchmarks]'")
    found = in_own_process(Task("modbus_tk", 9_600, 1.0))
    print(found)
    assert found.hasty > found.requests / 2


@pytest.mark.campaign
@pytest.mark.timeout(1_200)
@pytest.mark.parametrize("baud", TARGETS)
def test_every_silence_is_kept(baud: int) -> None:
    found = in_own_process(Task(OURS, baud, TROUBLE_S, insists=True))
    print(baud, found, f"cycle over the wire limit {found.ratio:.3f}, to be at most {TARGETS[baud]}")
    assert (found.wrong, found.hasty, found.missed) == ({}, 0, 0)


@pytest.mark.campaign
@pytest.mark.timeout(1_200)
@pytest.mark.parametrize("recipe", [name for name in RECIPES if name not in LEFT_OUT])
def test_a_recipe_at_length_beside_the_libraries(recipe: str) -> None:
    ours = in_own_process(Task(OURS, TROUBLE_BAUD, TROUBLE_S, recipe))
    print(f"{recipe}: {OURS} {ours}")
    for library in LIBRARIES:
        print(f"{recipe}: {library} {in_own_process(Task(library, TROUBLE_BAUD, TROUBLE_S, recipe))}")
    assert ours.wrong == {}
    assert ours.right > ours.polls / 2, "refusing everything does not pass"

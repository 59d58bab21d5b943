"""Whether a line can carry what is asked of it."""

from dataclasses import replace

import pytest

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import begin
from tallywell.schedule.load import Load
from tests.schedule.test_due import MIN, MS, Line, S, plan


def line_of(points: int, every_ns: int, took_ns: int) -> Line:
    plans = [plan(f"p{k}", 1 + k, every_ns) for k in range(points)]
    return Line(begin(plans, 1, 0), 1, took_ns=took_ns)


def test_a_line_with_room_is_not_overfull() -> None:
    line = line_of(4, S, 240 * MS)
    line.run(10 * MIN)
    assert not line.state.load.overfull


@pytest.mark.parametrize(("points", "every_ns", "took_ns"), [(4, S, 500 * MS), (40, 15 * MIN, 60 * S), (2, S, 3 * S)])
def test_one_that_is_asked_for_more_than_it_has_time_for_is(points: int, every_ns: int, took_ns: int) -> None:
    line = line_of(points, every_ns, took_ns)
    begun_ns = line.now_ns
    line.run(8 * 60 * MIN)
    load = line.state.load
    assert load.overfull
    assert load.since_ns - begun_ns < max(2 * MIN, 4 * points * took_ns)
    times = points * took_ns / every_ns
    assert load.due / load.made == pytest.approx(times, rel=0.05), "as many times as there is time for"


def test_it_is_over_when_the_marks_are_kept_again() -> None:
    line = line_of(4, S, 500 * MS)
    line.run(10 * MIN)
    assert line.state.load.overfull
    line.took_ns = 100 * MS
    line.run(12 * MIN + S)
    assert not line.state.load.overfull


def test_one_burst_is_not_enough() -> None:
    """40 s of a person's or a set's reads, and a machine that slept for an hour."""
    line = line_of(4, S, 100 * MS)
    long = replace(plan("p0", 1), reads=tuple(Read(3, k, 1) for k in range(125)) * 3, every_ns=None, main=False)
    line.state = begin([*[turn.plan for turn in line.state.turns], long], 1, 0, at_once=True)
    line.run(5 * MIN)
    assert [len(ended.outcomes) for ended in line.passes].count(375) == 1
    line.now_ns += 60 * MIN
    line.run(70 * MIN)
    assert not line.state.load.overfull


@pytest.mark.parametrize("fault", [Fault.NO_ANSWER, Fault.PORT_LOST])
def test_marks_that_are_lost_because_nobody_could_be_asked_are_no_sign_of_it(fault: Fault) -> None:
    line = line_of(2, S, 10 * MS)
    line.answers = lambda ask: fault if ask.address == 1 or fault is Fault.PORT_LOST else None
    line.run(20 * MIN)
    assert not line.state.load.overfull


def after(load: Load, polls: int, lost: int, points: int = 4) -> Load:
    """So many passes within two minutes, each `lost` marks late."""
    for _ in range(polls):
        load = load.after(lost, points, load.from_ns + 2 * MIN)
    return load


def test_it_takes_two_bad_stretches_in_a_row_and_one_good_one_ends_it() -> None:
    one = after(Load(5), 8, 1)
    assert (one.overfull, one.since_ns) == (False, 5)
    two = after(one, 8, 1)
    assert (two.overfull, two.since_ns, two.made, two.due) == (True, 5, 16, 32)
    assert not after(after(one, 8, 0), 8, 1).overfull, "not in a row"
    assert not after(two, 8, 0).overfull


def test_a_stretch_is_as_long_as_it_takes_to_poll_each_point_twice() -> None:
    assert not after(Load(0), 79, 1, points=40).bad
    assert after(Load(0), 80, 1, points=40).bad


def test_between_a_tenth_and_a_hundredth_it_stays_as_it_was() -> None:
    full = after(after(Load(0), 8, 1), 8, 1)
    some = after(full, 19, 0, points=10).after(1, 10, full.from_ns + 2 * MIN)
    assert (some.overfull, some.since_ns) == (True, 0)
    none = after(Load(0), 19, 0, points=10).after(1, 10, 2 * MIN)
    assert none.bad == 0

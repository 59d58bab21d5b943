"""Who is due: marks of the wall clock, order, owing units, looks, steps of the clock."""

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import ClockStepped, LineState, LookAgain, Plan, Sleep, begin, learned, next_ask

S = 1_000_000_000
MIN, HOUR = 60 * S, 3600 * S
READ, SECOND_READ = Read(4, 0, 10), Read(3, 20, 1)


def plan(point: str, address: int, every_ns: int = MIN, reads: tuple[Read, ...] = (READ,)) -> Plan:
    return Plan(point, address, reads, every_ns, longest_delay_ns=S)


def good(ask: Ask, at_ns: int) -> Outcome:
    return Outcome(ask, bytes(2 * ask.read.words), None, at_ns, at_ns + S // 100)


def bad(ask: Ask, at_ns: int, fault: Fault = Fault.NO_ANSWER, owes_until_ns: int | None = None) -> Outcome:
    return Outcome(ask, None, fault, at_ns, at_ns + S, owes_until_ns=owes_until_ns)


def asked(state: LineState, now_ns: int) -> Ask:
    ask = next_ask(state, now_ns)
    assert isinstance(ask, Ask), ask
    return ask


def sleeps_until(state: LineState, now_ns: int) -> int:
    sleep = next_ask(state, now_ns)
    assert isinstance(sleep, Sleep), sleep
    return sleep.until_ns


def polled(state: LineState, now_ns: int) -> tuple[LineState, Pass]:
    """The whole pass that is due now, every read good."""
    ended = None
    while ended is None:
        state, ended = learned(state, good(asked(state, now_ns), now_ns), now_ns)
    return state, ended


def run(state: LineState, from_ns: int, until_ns: int, takes_ns: int = 0) -> list[Pass]:
    """All passes in a stretch of time when nothing goes wrong and each request takes `takes_ns`."""
    passes = []
    while from_ns < until_ns:
        what = next_ask(state, from_ns)
        if isinstance(what, Sleep):
            assert what.until_ns > from_ns
            from_ns = what.until_ns
            continue
        state, ended = learned(state, good(what, from_ns), from_ns + takes_ns)
        passes += [ended] if ended else []
        from_ns += takes_ns
    return passes


class TestMarks:
    def test_first_poll_stands_on_the_next_mark(self) -> None:
        state = begin([plan("a", 1)], 100 * S, wall_minus_boot_ns=7 * S)
        assert sleeps_until(state, 100 * S) == 113 * S

    def test_or_at_once_and_then_on_the_mark(self) -> None:
        state = begin([plan("a", 1)], 100 * S, 7 * S, at_once=True)
        state, ended = polled(state, 100 * S)
        assert (ended.due_ns, sleeps_until(state, 100 * S)) == (100 * S, 113 * S)

    def test_a_point_that_missed_three_marks_is_polled_once(self) -> None:
        state = begin([plan("a", 1)], S, 0)
        state, ended = polled(state, 250 * S)
        assert (ended.due_ns, sleeps_until(state, 250 * S)) == (60 * S, 300 * S)

    def test_no_drift_over_a_year(self) -> None:
        """Every poll starts up to 0.9 s late; each of the 35,040 quarter hours is polled, and on its mark."""
        state, now_ns, marks = begin([plan("a", 1, 15 * MIN)], 1, 5), 1, []
        for number in range(35_040):
            now_ns = sleeps_until(state, now_ns) + number % 10 * (S // 10)
            state, ended = polled(state, now_ns)
            marks.append(ended.due_ns)
        assert marks == [k * 15 * MIN - 5 for k in range(1, 35_041)]


class TestOrder:
    def test_by_due_time_and_then_in_turn(self) -> None:
        state = begin([plan("a", 1), plan("b", 2), plan("c", 3)], S, 0)
        order = [ended.point for ended in run(state, S, 5 * MIN, takes_ns=S)]
        assert order == ["a", "b", "c"] * 4

    def test_an_overfull_line_serves_each_in_turn(self) -> None:
        """Each pass takes 0.7 s and each of three points wants one a second."""
        state = begin([plan("a", 1, S), plan("b", 2, S), plan("c", 3, S)], 1, 0)
        order = [ended.point for ended in run(state, 1, 60 * S, takes_ns=7 * S // 10)]
        assert max(order.count(point) for point in "abc") - min(order.count(point) for point in "abc") <= 1

    def test_a_hurried_point_does_not_keep_a_slow_one_waiting(self) -> None:
        state = begin([plan("hurried", 1, S), plan("slow", 2, MIN)], 1, 0)
        slow = [ended for ended in run(state, 1, 10 * MIN, takes_ns=3 * S) if ended.point == "slow"]
        assert [ended.due_ns for ended in slow] == [k * MIN for k in range(1, 10)]
        assert all(ended.outcomes[0].sent_ns - ended.due_ns <= 6 * S for ended in slow)

    def test_a_line_without_points_sleeps(self) -> None:
        assert sleeps_until(begin([], 5, 0), 5) > 5

    def test_two_plans_of_one_unit_that_begin_alike(self) -> None:
        plans = [plan("a", 1, MIN), replace(plan("a", 1, 2 * MIN), reads=(READ, SECOND_READ))]
        passes = run(begin(plans, S, 0), S, 10 * MIN + S)
        assert [len(ended.reads) for ended in passes].count(1) == 10
        assert [len(ended.reads) for ended in passes].count(2) == 5
        assert all(ended.complete for ended in passes)


class TestPass:
    def test_reads_in_plan_order_as_one_pass(self) -> None:
        state = begin([plan("a", 1, reads=(READ, SECOND_READ)), plan("b", 2)], S, 0)
        ask = asked(state, MIN)
        assert ask == Ask(1, READ, S)
        state, ended = learned(state, good(ask, MIN), MIN)
        assert (ended, asked(state, MIN)) == (None, Ask(1, SECOND_READ, S))
        state, ended = learned(state, good(Ask(1, SECOND_READ, S), MIN), MIN)
        assert ended is not None
        assert (ended.point, ended.complete, ended.due_ns, ended.asked) == ("a", True, MIN, None)

    @pytest.mark.parametrize("fault", [Fault.NO_ANSWER, Fault.EXCEPTION, Fault.PORT_LOST, Fault.STOPPED])
    def test_stops_at_its_first_fault(self, fault: Fault) -> None:
        state = begin([plan("a", 1, reads=(READ, SECOND_READ, READ))], S, 0)
        state, _ = learned(state, good(asked(state, MIN), MIN), MIN)
        state, ended = learned(state, bad(asked(state, MIN), MIN, fault), MIN + S)
        assert ended is not None
        assert ([outcome.fault for outcome in ended.outcomes], ended.complete) == ([None, fault], False)
        assert sleeps_until(state, MIN + S) == 2 * MIN

    def test_an_outcome_that_nobody_asked_for_is_our_own_bug(self) -> None:
        with pytest.raises(AssertionError, match="nobody here asks"):
            learned(begin([plan("a", 1)], S, 0), good(Ask(9, READ, S), S), S)


class TestOwing:
    def test_an_owing_unit_waits_while_others_are_asked(self) -> None:
        state = begin([plan("a", 1, 10 * S), plan("b", 2, 10 * S)], S, 0)
        state, _ = learned(state, bad(asked(state, 10 * S), 10 * S, owes_until_ns=25 * S), 11 * S)
        state, ended = polled(state, 11 * S)
        assert (ended.point, sleeps_until(state, 12 * S)) == ("b", 20 * S)
        state, ended = polled(state, 20 * S)
        assert (ended.point, sleeps_until(state, 21 * S)) == ("b", 25 * S)
        assert asked(state, 25 * S).address == 1

    def test_all_points_of_the_unit_wait(self) -> None:
        state = begin([plan("a", 1), plan("b", 1)], S, 0)
        state, _ = learned(state, bad(asked(state, MIN), MIN, owes_until_ns=MIN + 30 * S), MIN + S)
        assert sleeps_until(state, MIN + S) == MIN + 30 * S

    def test_a_person_waits_too(self) -> None:
        state = begin([plan("a", 1)], S, 0)
        state, _ = learned(state, bad(asked(state, MIN), MIN, owes_until_ns=MIN + 30 * S), MIN + S)
        state, _ = learned(state, LookAgain("a", "u1"), MIN + 2 * S)
        assert sleeps_until(state, MIN + 2 * S) == MIN + 30 * S


class TestLookAgain:
    def test_is_due_now_and_carries_the_ask(self) -> None:
        state = begin([plan("a", 1)], S, 0)
        state, ended = learned(state, LookAgain("a", "u1"), 10 * S)
        assert ended is None
        state, ended = polled(state, 10 * S)
        assert (ended.asked, ended.due_ns, sleeps_until(state, 11 * S)) == ("u1", 10 * S, MIN)

    def test_twice_the_same_is_once_and_two_are_two(self) -> None:
        state = begin([plan("a", 1)], S, 0)
        for number, uuid in enumerate(("u1", "u1", "u2", None, None)):
            state, _ = learned(state, LookAgain("a", uuid), number * S)
        passes = run(state, 10 * S, 11 * S)
        assert [ended.asked for ended in passes] == ["u1", "u2", None]

    def test_one_that_comes_during_the_pass_gets_its_own(self) -> None:
        state = begin([plan("a", 1, reads=(READ, SECOND_READ))], S, 0)
        state, _ = learned(state, good(asked(state, MIN), MIN), MIN)
        state, _ = learned(state, LookAgain("a", "u1"), MIN)
        passes = run(state, MIN, MIN + S)
        assert [ended.asked for ended in passes] == [None, "u1"]

    def test_a_point_of_another_line_changes_nothing(self) -> None:
        state = begin([plan("a", 1)], S, 0)
        assert learned(state, LookAgain("elsewhere", "u1"), S) == (state, None)


class TestClockStepped:
    @pytest.mark.parametrize("by_s", [-86_400 * 400, -3600, -59, -31, -30, -29, -1, 0, 1, 29, 30, 31, 59, 3600, 10**9])
    def test_next_mark_is_the_first_at_least_half_after_the_last_poll(self, by_s: int) -> None:
        state = begin([plan("a", 1)], S, 0)
        state, _ = polled(state, MIN)
        state, _ = learned(state, ClockStepped(by_s * S), MIN + S)
        next_ns = sleeps_until(state, MIN + S)
        assert (next_ns + by_s * S) % MIN == 0
        assert MIN // 2 <= next_ns - MIN < MIN // 2 + MIN

    def test_stepped_again_and_again_it_is_still_polled(self) -> None:
        state, now_ns, polls = begin([plan("a", 1)], S, 0), S, []
        for number in range(2000):
            state, _ = learned(state, ClockStepped((number * 7919 % 600) * S), now_ns)
            if isinstance(next_ask(state, now_ns), Ask):
                state, _ = polled(state, now_ns)
                polls.append(now_ns)
            now_ns += S
        assert all(MIN // 2 <= b - a <= MIN // 2 + MIN for a, b in pairwise(polls))

    @pytest.mark.parametrize(("month", "day", "hours"), [(3, 8, 23), (11, 1, 25)])
    def test_local_midnights_of_the_days_when_clocks_change(self, month: int, day: int, hours: int) -> None:
        """Polled daily: the change of the offset comes as a step at 02:00 (America/Denver, 2026; tz database)."""
        zone = ZoneInfo("America/Denver")
        midnight = datetime(2026, month, day, tzinfo=zone)
        began = midnight.timestamp()

        def wall_ns(boot_ns: int) -> int:
            local = datetime.fromtimestamp(began + boot_ns / S, zone)
            offset = local.utcoffset()
            assert offset is not None
            return int((began + offset / timedelta(seconds=1)) * S)

        state = begin([plan("a", 1, 24 * HOUR)], 0, wall_ns(0))
        state, first = polled(state, 0)
        state, _ = learned(state, ClockStepped(wall_ns(3 * HOUR)), 3 * HOUR)
        assert (first.due_ns, sleeps_until(state, 3 * HOUR)) == (0, hours * HOUR)

    def test_quarter_hours_do_not_notice_a_change_of_the_offset(self) -> None:
        state = begin([plan("a", 1, 15 * MIN)], 1, 0)
        state, _ = polled(state, 15 * MIN)
        state, _ = learned(state, ClockStepped(-HOUR), 16 * MIN)
        assert sleeps_until(state, 16 * MIN) == 30 * MIN

    def test_a_first_poll_at_once_is_not_put_off(self) -> None:
        state = begin([plan("a", 1)], 100 * S, 0, at_once=True)
        state, _ = learned(state, ClockStepped(5 * S), 101 * S)
        assert asked(state, 101 * S).address == 1


def test_after_a_start_no_unit_is_asked_while_it_may_answer_whoever_asked_before() -> None:
    slow = replace(plan("slow", 2), longest_delay_ns=5 * S)
    state = begin([plan("north", 1), slow], 59 * S + S // 2, 0, owed=True)
    assert sleeps_until(state, 60 * S) == 60 * S + S // 2
    assert asked(state, 60 * S + S // 2).address == 1
    state, _ = polled(state, 60 * S + S // 2)
    assert sleeps_until(state, 61 * S) == 64 * S + S // 2
    assert asked(state, 64 * S + S // 2).address == 2
    assert asked(begin([plan("north", 1)], 40 * S, 0, owed=True), 60 * S).address == 1, "else it costs nothing"

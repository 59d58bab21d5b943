"""Passes beside the marks: after "later", for the ledger, and how rarely what is refused is asked for."""

from dataclasses import replace
from itertools import pairwise

import pytest

from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.faults import Fault
from tallywell.schedule.again import LOOK_NS, MOST_EXTRAS, REFUSED_NS
from tallywell.schedule.due import LookAgain, Plan, begin
from tests.schedule.test_due import BLOCK, HOUR, MIN, MS, READ, SECOND_READ, Line, S, plan, point, told


class Refusing(Line):
    """A line whose refusals carry a code, after 20 ms."""

    code = 2

    def _outcome(self, ask: Ask) -> Outcome:
        fault, sent_ns = self.answers(ask), self.now_ns
        if fault is not Fault.EXCEPTION:
            return super()._outcome(ask)
        self.now_ns += 20 * MS
        return Outcome(ask, None, fault, sent_ns, self.now_ns, self.now_ns, exception_code=self.code)


def refusing(code: int, *plans: Plan) -> Refusing:
    line = Refusing(begin(plans, 1, 0), 1)
    line.code, line.answers = code, lambda _ask: Fault.EXCEPTION
    return line


def begun(line: Line) -> list[int]:
    return [ended.outcomes[0].sent_ns for ended in line.passes]


class TestLater:
    """5, acknowledge: the request is being worked on; 6, busy: ask again (V1.1b3, section 7)."""

    @pytest.mark.parametrize("code", [5, 6])
    def test_asked_again_a_little_later_three_times_at_most_before_the_next_mark(self, code: int) -> None:
        line = refusing(code, plan("a", 1))
        line.run(3 * MIN - S)
        first = [at - MIN for at in begun(line) if at < 2 * MIN]
        assert len(first) == 1 + MOST_EXTRAS
        apart = [round((after - before) / S, 1) for before, after in pairwise(first)]
        assert apart == [1.0, 2.0, 4.0]
        assert [at - 2 * MIN for at in begun(line) if at >= 2 * MIN] == first, "and so at each mark"

    def test_an_answer_ends_it(self) -> None:
        line = refusing(6, plan("a", 1))
        line.answers = lambda _ask: Fault.EXCEPTION if line.now_ns < MIN + 2 * S else None
        line.run(3 * MIN - S)
        assert [ended.fault for ended in line.passes] == [Fault.EXCEPTION] * 2 + [None] * 2
        assert begun(line)[-1] == 2 * MIN

    def test_where_the_mark_comes_first_the_mark_it_is(self) -> None:
        line = refusing(6, plan("a", 1, S))
        line.run(MIN + 1)
        assert begun(line) == [k * S for k in range(1, 61)]

    def test_others_are_asked_meanwhile(self) -> None:
        line = refusing(6, plan("a", 1), plan("b", 2))
        line.answers = lambda ask: Fault.EXCEPTION if ask.address == 1 else None
        line.run(2 * MIN - S)
        assert [ended.point for ended in line.passes] == ["a", "b", "a", "a", "a"]

    def test_failure_of_the_meter_is_a_missed_poll_and_no_more(self) -> None:
        """4, server device failure."""
        line = refusing(4, plan("a", 1))
        line.run(10 * MIN + 1)
        assert begun(line) == [k * MIN for k in range(1, 11)]


class TestRefused:
    """1, 2, 3: illegal function, data address, data value. The map is wrong."""

    @pytest.mark.parametrize("code", [1, 2, 3])
    def test_asked_ever_more_rarely_up_to_the_bound_and_on_marks(self, code: int) -> None:
        line = refusing(code, plan("a", 1))
        line.run(2 * HOUR)
        apart = [(after - before) // MIN for before, after in pairwise(begun(line))]
        assert apart[:5] == [1, 2, 4, 8, 10]
        assert set(apart[4:]) == {REFUSED_NS // MIN}
        assert all(at % MIN == 0 for at in begun(line))

    def test_the_first_good_answer_restores_its_rate(self) -> None:
        line = refusing(2, plan("a", 1))
        line.answers = lambda _ask: Fault.EXCEPTION if line.now_ns < HOUR else None
        line.run(2 * HOUR)
        good = [ended.outcomes[0].sent_ns for ended in line.passes if ended.complete]
        assert good[0] <= HOUR + REFUSED_NS
        assert {after - before for before, after in pairwise(good)} == {MIN}

    def test_silence_in_between_restores_nothing(self) -> None:
        line = refusing(2, plan("a", 1))
        line.run(HOUR)
        line.answers = lambda _ask: Fault.NO_ANSWER
        line.run(HOUR + 11 * MIN)
        line.answers = lambda _ask: Fault.EXCEPTION
        line.run(2 * HOUR)
        assert begun(line)[-1] - begun(line)[-2] == REFUSED_NS

    def test_what_is_read_rarely_keeps_its_rhythm(self) -> None:
        line = refusing(2, plan("a", 1, 15 * MIN))
        line.run(5 * HOUR + 1)
        assert begun(line) == [k * 15 * MIN for k in range(1, 21)]

    def test_a_total_that_comes_is_not_asked_more_rarely_for_what_stands_beside_it(self) -> None:
        both = replace(plan("a", 1, reads=(READ, SECOND_READ)), books=0)
        line = refusing(2, both)
        line.answers = lambda ask: Fault.EXCEPTION if ask.read == SECOND_READ else None
        line.run(20 * MIN + S)
        assert begun(line) == [k * MIN for k in range(1, 21)]
        line = refusing(2, replace(both, books=1))
        line.answers = lambda ask: Fault.EXCEPTION if ask.read == SECOND_READ else None
        line.run(20 * MIN + 1)
        assert len(line.passes) == 5

    def test_of_one_set_it_says_nothing_about_the_others(self) -> None:
        plans = point("a", 1, "hourly")
        plans[1] = replace(plans[1], every_ns=MIN)
        line = refusing(2, *plans)
        line.answers = lambda ask: Fault.EXCEPTION if ask.read == BLOCK["hourly"] else None
        line.run(HOUR + S)
        names = told(line.passes)
        assert (names.count("a main"), names.count("a hourly")) == (60, 9)

    def test_a_person_who_asks_does_not_wait(self) -> None:
        line = refusing(2, plan("a", 1))
        line.run(HOUR)
        line.learn(LookAgain("a", "u1"))
        line.run(HOUR + S)
        assert (line.passes[-1].asked, begun(line)[-1]) == ("u1", HOUR)


class TestLedgersLook:
    def test_soon_but_not_sooner_than_registers_are_renewed(self) -> None:
        line = Line(begin([plan("a", 1, 15 * MIN)], 1, 0), 1)
        line.run(15 * MIN + S)
        line.learn(LookAgain("a"))
        line.run(30 * MIN)
        assert begun(line) == [15 * MIN, 15 * MIN + LOOK_NS]
        assert line.passes[-1].asked is None

    def test_long_after_the_last_poll_it_is_due_at_once(self) -> None:
        line = Line(begin([plan("a", 1, 15 * MIN)], 1, 0), 1)
        line.run(20 * MIN)
        line.learn(LookAgain("a"))
        line.run(21 * MIN)
        assert begun(line)[-1] == 20 * MIN

    def test_three_between_two_marks_however_often_it_wants_one(self) -> None:
        line = Line(begin([plan("a", 1, 15 * MIN)], 1, 0), 1)
        while line.now_ns < 60 * MIN + 1:
            line.run(line.now_ns + S)
            line.learn(LookAgain("a"))
        marks = [ended.due_ns for ended in line.passes]
        assert len(marks) == 3 + 4 + 4 + 4 + 1, "three before the first mark as well"
        assert all(after - before >= LOOK_NS for before, after in pairwise(begun(line)))

    def test_where_the_next_mark_comes_first_there_is_no_need(self) -> None:
        line = Line(begin([plan("a", 1, 10 * S)], 1, 0), 1)
        line.run(10 * S + 1)
        line.learn(LookAgain("a"))
        line.run(MIN + 1)
        assert begun(line) == [k * 10 * S for k in range(1, 7)]

    def test_any_pass_serves_it_and_the_other_sets_are_left_alone(self) -> None:
        line = Line(begin(point("a", 1, "settings"), 1, 0), 1)
        line.run(MIN + S)
        line.learn(LookAgain("a"))
        line.learn(LookAgain("a", "u1"))
        passes = line.run(MIN + 30 * S)
        assert [(name, ended.asked) for name, ended in zip(told(passes), passes, strict=True)] == [
            ("a settings", None), ("a main", "u1"),
        ]  # fmt: skip

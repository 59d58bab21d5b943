"""A unit that does not answer rests: how long, who else is asked meanwhile, and what ends it."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.back_off import DOUBTED, LEAST_RESTS, LONGEST_REST_NS, TRUSTED, rest_ns, unit_after
from tallywell.schedule.due import LookAgain, Plan, WakeAsk, begin
from tests.schedule.test_due import BLOCK, MIN, MS, READ, Line, S, plan, point, told

DELAYS = st.integers(1 * MS, 60 * S)


@given(st.integers(1, 247), st.integers(2, 10**6), DELAYS, st.integers(1, 247))
def test_a_rest_is_bounded(address: int, missed: int, cost_ns: int, silent: int) -> None:
    rest = rest_ns(address, missed, cost_ns, silent)
    assert rest <= max(LONGEST_REST_NS, LEAST_RESTS * cost_ns)
    assert rest > cost_ns, "at least as long as asking takes"
    assert rest == rest_ns(address, missed, cost_ns, silent), "the same each time"


@given(st.integers(1, 247), DELAYS)
def test_a_dead_unit_costs_at_most_a_tenth_of_the_time(address: int, cost_ns: int) -> None:
    """In the long run; 4 to 7 % where its rest is not cut short at 30 s."""
    share = cost_ns / (cost_ns + min(rest_ns(address, missed, cost_ns) for missed in range(6, 400)))
    assert share <= (0.1 if cost_ns > 1.5 * S else 0.0625)


def test_dead_units_of_one_supply_do_not_come_back_together() -> None:
    rests = [rest_ns(address, 8, S) for address in range(1, 31)]
    assert len(set(rests)) > 25
    assert max(rests) - min(rests) > 3 * S


def silent_line(*plans: Plan, silent: tuple[int, ...] = (1,)) -> Line:
    """The units named do not answer for 10 min, and all of them do after it."""
    line = Line(begin(plans, 1, 0), 1)
    line.answers = lambda ask: Fault.NO_ANSWER if ask.address in silent and line.now_ns < 10 * MIN else None
    return line


class TestRests:
    def test_after_two_without_an_answer_and_longer_each_time(self) -> None:
        line = silent_line(plan("a", 1, S))
        line.run(5 * MIN)
        apart = [(after - before) / S for (before, _), (after, _) in pairwise(line.asks)]
        assert apart[0] <= 2, "after the first one as ever: when it owes nothing any more"
        assert apart[1] < apart[2] < apart[3] < apart[4]
        assert all(16 <= each <= 21.1 for each in apart[5:]), "20 times the second that each costs, less the jitter"
        assert max(apart[5:]) - min(apart[5:]) > 1

    def test_others_keep_their_rate(self) -> None:
        line = silent_line(plan("a", 1, S), plan("b", 2, S))
        line.run(10 * MIN)
        good = [ended for ended in line.passes if ended.point == "b"]
        assert len(good) >= 0.94 * 600

    def test_a_point_that_is_polled_each_minute_misses_no_mark(self) -> None:
        line = silent_line(plan("a", 1))
        assert [ended.due_ns for ended in line.run(20 * MIN + 2)] == [k * MIN for k in range(1, 21)]
        assert all(ended.outcomes[0].sent_ns == ended.due_ns for ended in line.passes)

    @pytest.mark.parametrize("every_ns", [S // 2, S, 10 * S, 25 * S, 40 * S, MIN, 15 * MIN])
    @pytest.mark.parametrize("delay_ns", [S // 20, S, 3 * S, 8 * S])
    def test_a_meter_whose_supply_is_back_is_read_within_the_bound(self, every_ns: int, delay_ns: int) -> None:
        """From any attempt to the next one, on a quiet line: what it owes, then max(every, 30 s, 12 waits)."""
        found = replace(plan("a", 1, every_ns), longest_delay_ns=delay_ns)
        line = silent_line(found)
        line.run(10 * MIN)
        waits_ns = max(delay_ns, S)  # here each takes a second
        bound_ns = max(every_ns, LONGEST_REST_NS, LEAST_RESTS * waits_ns) + 2 * S
        assert all(after - before <= bound_ns for (before, _), (after, _) in pairwise(line.asks))
        line.run(line.now_ns + bound_ns)
        assert line.passes[-1].complete

    def test_the_first_answer_restores_its_rate_at_once(self) -> None:
        line = silent_line(plan("a", 1, S))
        line.run(10 * MIN + 22 * S)
        first = next(ended for ended in line.passes if ended.complete)
        begun_ns = first.outcomes[0].sent_ns
        later = [ended.outcomes[0].sent_ns for ended in line.passes if ended.outcomes[0].sent_ns > begun_ns]
        assert later[0] == (begun_ns // S + 1) * S
        assert all(after - before == S for before, after in pairwise(later))

    @pytest.mark.parametrize("fault", [Fault.EXCEPTION, Fault.WRONG_FUNCTION, Fault.WRONG_BYTE_COUNT])
    def test_so_does_any_frame_of_its_own(self, fault: Fault) -> None:
        line = silent_line(plan("a", 1, S))
        line.run(2 * MIN)
        assert line.state.unit(1).backed_off
        line.answers = lambda _ask: fault
        line.run(2 * MIN + 22 * S)
        assert not line.state.unit(1).backed_off

    @pytest.mark.parametrize("fault", [Fault.PORT_LOST, Fault.BAD_CRC, Fault.STRAY_BYTES, Fault.WRONG_ADDRESS])
    def test_what_is_no_timeout_makes_none_rest(self, fault: Fault) -> None:
        line = Line(begin([plan("a", 1, 10 * S)], 1, 0), 1)
        line.answers = lambda _ask: fault
        assert len(line.run(10 * MIN + 1)) == 60

    def test_a_lost_port_neither_counts_nor_ends_a_rest(self) -> None:
        line = silent_line(plan("a", 1, S))
        line.run(2 * MIN)
        before = line.state.unit(1)
        line.answers = lambda _ask: Fault.PORT_LOST
        line.run(2 * MIN + 22 * S)
        assert line.state.unit(1).missed == before.missed

    def test_many_dead_units_together_cost_hardly_more_than_one(self) -> None:
        """Ten with a tenth of a second each: together about 5 %, as their rests may grow to 2 s each times ten."""
        plans = [replace(plan(f"p{k}", k, S), longest_delay_ns=S // 10) for k in range(1, 12)]
        line = Line(begin(plans, 1, 0), 1)
        cost = S // 10

        def ends(ask: Ask) -> Outcome:
            sent_ns, line.now_ns = line.now_ns, line.now_ns + (cost if ask.address < 11 else S // 100)
            if ask.address < 11:
                return Outcome(ask, None, Fault.NO_ANSWER, sent_ns, line.now_ns, owes_until_ns=line.now_ns + cost)
            return Outcome(ask, bytes(20), None, sent_ns, line.now_ns)

        line._outcome = ends  # type: ignore[method-assign]  # its own second is too long here
        line.run(10 * MIN)
        late = [ask for at_ns, ask in line.asks if at_ns > 5 * MIN and ask.address < 11]
        assert len(late) * cost <= 0.07 * 5 * MIN
        assert {ask.address for ask in late} == set(range(1, 11))


class TestRows:
    def test_each_point_of_a_unit_has_a_row_where_its_readings_cease(self) -> None:
        """Two points of one dead unit: the second is tried once for itself, though the unit rests already."""
        plans = [plan("a", 1, S), replace(plan("b", 1, 25 * S), reads=(BLOCK["hourly"],))]
        line = silent_line(*plans, silent=())
        line.run(5 * MIN - 12 * S)
        line.answers = lambda _ask: Fault.NO_ANSWER if line.now_ns < 6 * MIN else None
        line.run(6 * MIN)
        assert line.state.unit(1).backed_off
        missed = [ended for ended in line.passes if ended.point == "b" and ended.fault is not None]
        assert missed[0].due_ns == 5 * MIN
        assert missed[0].outcomes[0].sent_ns < 5 * MIN + 2 * S

    def test_a_block_that_never_answers_does_not_make_the_total_rest(self) -> None:
        """Two sets that a meter keeps silent about fail one after the other; the total is read all the same."""
        plans = point("a", 1, "settings", "hourly")
        plans[0] = replace(plans[0], every_ns=10 * S)
        line = Line(begin(plans, 0, 0, at_once=True), 0)
        line.answers = lambda ask: None if ask.read == BLOCK["main"] else Fault.NO_ANSWER
        line.run(2 * MIN + 1)
        marks = [ended.due_ns for ended in line.passes if told([ended]) == ["a main"]]
        assert marks == [k * 10 * S for k in range(13)]


class TestPerson:
    def test_who_asks_does_not_wait_for_the_rest_to_end(self) -> None:
        line = silent_line(plan("a", 1, S))
        line.run(5 * MIN)
        asked = len(line.asks)
        line.learn(LookAgain("a", "u1"))
        line.run(5 * MIN + 2 * S)
        assert [ended.asked for ended in line.passes[-1:]] == ["u1"]
        assert len(line.asks) == asked + 1

    def test_the_ledger_does(self) -> None:
        line = silent_line(plan("a", 1, 10 * S))
        line.run(5 * MIN)
        asked, until_ns = len(line.asks), line.state.unit(1).until_ns
        line.learn(LookAgain("a"))
        line.run(until_ns)
        assert len(line.asks) == asked


class TestWakings:
    WAKE = WakeAsk(Read(3, 1, 1), wait_ns=200 * MS, window_ns=500 * MS)

    def test_a_waking_neither_counts_nor_restores(self) -> None:
        """It has no answer by its nature: the poll behind it tells."""
        line = silent_line(replace(plan("a", 1, S), wake=self.WAKE))
        line.answers = lambda ask: Fault.NO_ANSWER if ask.expects_reply else None
        line.run(MIN)
        polls = [ask for _, ask in line.asks if ask.expects_reply]
        assert line.state.unit(1).missed == len(polls) == len(line.passes)
        assert len(line.asks) == 2 * len(polls), "each of them had its waking"

    def test_its_wait_is_part_of_what_a_silent_unit_costs(self) -> None:
        outcome = Outcome(Ask(1, READ, S), None, Fault.NO_ANSWER, 0, S)
        waking = replace(plan("a", 1, S), wake=replace(self.WAKE, wait_ns=S))
        unit = replace(TRUSTED, missed=20)
        plainly = unit_after(unit, plan("a", 1, S), outcome, (), S)
        assert unit_after(unit, waking, outcome, (), S).until_ns > plainly.until_ns


def test_a_unit_is_trusted_again_after_so_many_quick_answers() -> None:
    found, ask = plan("a", 1), Ask(1, READ, S)
    unit = unit_after(TRUSTED, found, Outcome(ask, None, Fault.NO_ANSWER, 0, S), (), S)
    quick = Outcome(ask, bytes(20), None, 0, S // 10, first_ns=S // 20)
    for _ in range(DOUBTED):
        assert unit.doubt > 0
        unit = unit_after(unit, found, quick, (), S)
    assert unit == TRUSTED
    slow = replace(quick, first_ns=S // 2 + 1, ended_ns=S)
    assert unit_after(unit, found, slow, (), S).doubt == DOUBTED

"""Who is due: marks of the wall clock, order, owing units, looks, steps of the clock."""

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import ClockStepped, LineState, LookAgain, Plan, Sleep, WakeAsk, begin, learned, next_ask

S = 1_000_000_000
MS = 1_000_000
MIN, HOUR, DAY = 60 * S, 3600 * S, 86_400 * S
READ, SECOND_READ = Read(4, 0, 10), Read(3, 20, 1)


def plan(point: str, address: int, every_ns: int = MIN, reads: tuple[Read, ...] = (READ,)) -> Plan:
    return Plan(point, address, reads, every_ns, longest_delay_ns=S)


def good(ask: Ask, at_ns: int) -> Outcome:
    return Outcome(ask, bytes(ask.read.content_bytes), None, at_ns, at_ns + S // 100)


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
        for number, uuid in enumerate(("u1", "u1", "u2", "u2")):
            state, _ = learned(state, LookAgain("a", uuid), number * S)
        passes = run(state, 10 * S, 11 * S)
        assert [ended.asked for ended in passes] == ["u1", "u2"]

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


BLOCK = {"main": Read(4, 0, 10), "settings": Read(3, 70, 6), "once": Read(3, 50, 8), "hourly": Read(4, 60, 1)}


def point(name: str, address: int, *more: str) -> list[Plan]:
    """A main plan each minute and what else is named, as a map gives them."""
    main = replace(plan(name, address), reads=(BLOCK["main"],))
    kinds = {
        "settings": replace(main, every_ns=DAY, after_silence=True, main=False),
        "once": replace(main, every_ns=None, main=False),
        "hourly": replace(main, every_ns=HOUR, main=False),
    }
    return [main, *(replace(kinds[kind], reads=(BLOCK[kind],)) for kind in more)]


def told(passes: list[Pass]) -> list[str]:
    """ "a main" for each pass."""
    names = {read: name for name, read in BLOCK.items()}
    return [f"{ended.point} {names[ended.reads[0]]}" for ended in passes]


@dataclass
class Line:
    """A line with a clock of its own; `answers` says how each request ends, `took_ns` how long a good one takes."""

    state: LineState
    now_ns: int
    answers: Callable[[Ask], Fault | None] = lambda _ask: None
    took_ns: int = S // 100
    asks: list[tuple[int, Ask]] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)

    def run(self, until_ns: int) -> list[Pass]:
        """The passes that end in a stretch of time; a request without an answer takes 1 s."""
        before = len(self.passes)
        while self.now_ns < until_ns:
            what = next_ask(self.state, self.now_ns)
            if isinstance(what, Sleep):
                assert what.until_ns > self.now_ns
                self.now_ns = min(what.until_ns, until_ns)
                continue
            self.asks.append((self.now_ns, what))
            self.learn(self._outcome(what))
        return self.passes[before:]

    def learn(self, what: Outcome | LookAgain | ClockStepped) -> None:
        self.state, ended = learned(self.state, what, self.now_ns)
        self.passes += [ended] if ended else []

    def _outcome(self, ask: Ask) -> Outcome:
        fault, sent_ns = self.answers(ask), self.now_ns
        if not ask.expects_reply and fault is None:
            self.now_ns += ask.longest_delay_ns
            return Outcome(ask, b"", None, sent_ns, self.now_ns)
        self.now_ns += self.took_ns if fault is None else S
        if fault is None:
            return Outcome(ask, bytes(ask.read.content_bytes), None, sent_ns, self.now_ns)
        owes_ns = self.now_ns + S if fault is Fault.NO_ANSWER else None
        return Outcome(ask, None, fault, sent_ns, self.now_ns, owes_until_ns=owes_ns)


class TestReadSets:
    def test_each_set_has_its_marks_and_the_main_one_goes_first(self) -> None:
        line = Line(begin(point("a", 1, "settings", "once", "hourly"), 1, 0), 1)
        passes = line.run(2 * DAY + 1)
        marks = {name: [ended.due_ns for ended in passes if told([ended]) == [f"a {name}"]] for name in BLOCK}
        assert marks["main"] == list(range(MIN, 2 * DAY + 1, MIN))
        assert marks["hourly"] == list(range(HOUR, 2 * DAY + 1, HOUR))[: len(marks["hourly"])]
        assert (marks["settings"], marks["once"], len(marks["hourly"])) == ([DAY], [], 47)
        midnight = [ended for ended in passes if ended.due_ns == DAY]
        assert told(midnight) == ["a main", "a settings", "a hourly"], "polled longest ago goes first"

    def test_at_a_start_every_set_once_and_the_main_ones_of_all_points_first(self) -> None:
        plans = point("a", 1, "settings", "once") + point("b", 2, "once")
        line = Line(begin(plans, 5 * S, 0, at_once=True), 5 * S)
        assert told(line.run(59 * S)) == ["a main", "b main", "a settings", "a once", "b once"]
        later = line.run(3 * DAY)
        assert not [name for name in told(later) if "once" in name]
        assert told(later).count("a settings") == 2

    @pytest.mark.parametrize("silent", [False, True])
    def test_thirty_meters_settings_due_together_make_no_total_late(self, silent: bool) -> None:
        """At midnight, or when the supply is back: they take 36 s, and the totals are polled each 10 s."""
        settings = tuple(Read(3, 70 + k, 1) for k in range(12))
        plans = []
        for k in range(30):
            main, other = point(f"p{k}", 1 + k, "settings")
            plans += [replace(main, every_ns=10 * S), replace(other, reads=settings)]
        line = Line(begin(plans, DAY - MIN, 0), DAY - MIN, took_ns=S // 10)
        line.answers = lambda _ask: Fault.PORT_LOST if silent and line.now_ns < DAY else None
        line.run(DAY + 10 * MIN)
        good = [
            ended for ended in line.passes if ended.point == "p29" and ended.fault is None and len(ended.reads) == 1
        ]
        begun = [ended.outcomes[0].sent_ns for ended in good if ended.outcomes[0].sent_ns > DAY - 15 * S]
        assert len(begun) > 55
        assert max(later - sooner for sooner, later in itertools.pairwise(begun)) < 20 * S
        read = [ended for ended in line.passes if len(ended.reads) == 12 and ended.fault is None]
        assert len({ended.point for ended in read}) == 30
        assert max(ended.outcomes[0].sent_ns for ended in read) < DAY + 2 * MIN

    def test_what_is_wanted_once_is_tried_each_hour_until_it_came(self) -> None:
        line = Line(begin(point("a", 1, "once"), 5 * S, 0, at_once=True), 5 * S)
        line.answers = lambda ask: Fault.BAD_CRC if ask.read == BLOCK["once"] and line.now_ns < 2 * HOUR else None
        line.run(2 * DAY)
        tries = [ended.due_ns for ended in line.passes if told([ended]) == ["a once"]]
        assert tries == [5 * S, HOUR, 2 * HOUR]

    def test_marks_of_a_day_move_with_the_clock_and_a_plan_without_marks_does_not(self) -> None:
        line = Line(begin(point("a", 1, "settings", "once"), 5 * S, 0, at_once=True), 5 * S)
        line.run(HOUR)
        line.learn(ClockStepped(6 * HOUR))
        passes = [ended for ended in line.run(5 * DAY) if ended.reads[0] != BLOCK["main"]]
        assert [ended.due_ns for ended in passes] == [day * DAY - 6 * HOUR for day in range(1, 6)]
        assert set(told(passes)) == {"a settings"}

    def test_a_sleep_is_not_without_end(self) -> None:
        state = begin([replace(plan("a", 1), every_ns=None)], S, 0)
        assert sleeps_until(state, S) == S + HOUR


class TestAfterSilence:
    @pytest.mark.parametrize("fault", [Fault.NO_ANSWER, Fault.PORT_LOST])
    def test_settings_are_read_at_once_when_the_point_answers_again(self, fault: Fault) -> None:
        line = Line(begin(point("a", 1, "settings", "hourly") + point("b", 2, "settings"), 0, 0, at_once=True), 0)
        line.run(10 * MIN + S)
        line.answers = lambda ask: fault if ask.address == 1 else None
        assert [name for name in told(line.run(13 * MIN + 30 * S)) if "main" not in name] == []
        line.answers = lambda _ask: None
        assert sorted(told(line.run(14 * MIN + 30 * S))) == ["a main", "a settings", "b main"]
        assert [name for name in told(line.run(59 * MIN)) if "main" not in name] == [], "once for each silence"

    @pytest.mark.parametrize("fault", [Fault.BAD_CRC, Fault.EXCEPTION, Fault.STOPPED])
    def test_damage_is_no_silence(self, fault: Fault) -> None:
        line = Line(begin(point("a", 1, "settings"), 0, 0, at_once=True), 0)
        line.run(10 * MIN + S)
        line.answers = lambda _ask: fault if line.now_ns < 13 * MIN + S else None
        assert set(told(line.run(30 * MIN))) == {"a main"}

    def test_a_meter_that_was_away_at_the_start(self) -> None:
        """What is wanted once came not; it is read with the settings as soon as the meter answers."""
        line = Line(begin(point("a", 1, "settings", "once"), 0, 0, at_once=True), 0)
        line.answers = lambda _ask: Fault.NO_ANSWER if line.now_ns < 5 * MIN else None
        line.run(5 * MIN)
        assert told(line.run(6 * MIN)) == ["a main", "a settings", "a once"]
        assert set(told(line.run(3 * HOUR))) == {"a main"}

    def test_a_block_that_never_answers_is_no_silence_of_the_meter(self) -> None:
        """Many meters do not refuse an unknown register but say nothing: that must not call for it each minute."""
        line = Line(begin(point("a", 1, "settings", "once"), 0, 0, at_once=True), 0)
        line.answers = lambda ask: Fault.NO_ANSWER if ask.read == BLOCK["settings"] else None
        passes = told(line.run(5 * HOUR))
        assert (passes.count("a settings"), passes.count("a once"), passes.count("a main")) == (1, 1, 300)

    def test_another_set_that_came_well_before_notices_a_silence_that_the_main_one_slept_through(self) -> None:
        plans = point("a", 1, "settings", "hourly")
        plans[0] = replace(plans[0], every_ns=DAY)
        line = Line(begin(plans, 0, 0, at_once=True), 0)
        line.run(HOUR - S)
        line.answers = lambda _ask: Fault.NO_ANSWER
        line.run(3 * HOUR - S)
        line.answers = lambda _ask: None
        assert told(line.run(4 * HOUR - S)) == ["a hourly", "a settings"]


class TestLookAgainAtSets:
    def test_who_asks_gets_the_main_plan_last(self) -> None:
        line = Line(begin(point("a", 1, "settings", "once", "hourly"), 0, 0, at_once=True), 0)
        line.run(30 * S)
        line.learn(LookAgain("a", "u1"))
        passes = line.run(40 * S)
        assert sorted(told(passes)[:3]) == ["a hourly", "a once", "a settings"]
        assert [(name, ended.asked) for name, ended in zip(told(passes)[3:], passes[3:], strict=True)] == [
            ("a main", "u1")
        ]
        assert all(ended.asked is None for ended in passes[:3])

    def test_at_a_silent_meter_one_set_is_tried_before_the_main_one(self) -> None:
        line = Line(begin(point("a", 1, "settings", "once", "hourly"), 0, 0, at_once=True), 0)
        line.run(30 * S)
        line.answers = lambda _ask: Fault.NO_ANSWER
        line.run(70 * S)
        line.learn(LookAgain("a", "u1"))
        passes = line.run(80 * S)
        assert (len(passes), told(passes)[-1], passes[-1].asked) == (2, "a main", "u1")

    def test_without_a_start_sets_are_read_when_told(self) -> None:
        line = Line(begin(point("a", 1, "once"), S, 0), S)
        line.learn(LookAgain("a", "u1"))
        assert told(line.run(2 * S)) == ["a once", "a main"]


WAKE = WakeAsk(Read(3, 1, 1), wait_ns=200 * MS, window_ns=5 * S)


def sleepers(*names: str, reads: tuple[Read, ...] = (READ,)) -> list[Plan]:
    return [replace(plan(name, 1 + k, reads=reads), wake=WAKE) for k, name in enumerate(names)]


class TestWake:
    def test_a_sleeping_unit_is_woken_before_the_first_request(self) -> None:
        line = Line(begin(sleepers("a"), S, 0), S)
        (ended,) = line.run(2 * MIN)
        assert line.asks == [
            (MIN, Ask(1, WAKE.read, 200 * MS, expects_reply=False)),
            (MIN + 200 * MS, Ask(1, READ, S)),
        ]
        assert (ended.complete, [outcome.ask.read for outcome in ended.outcomes]) == (True, [READ])

    def test_within_the_window_it_is_not_woken_again(self) -> None:
        """Reads of 10 ms each; a person's look 4.5 s after the waking, and one later."""
        line = Line(begin(sleepers("a", reads=(READ,) * 3), S, 0), S)
        line.run(MIN + 4_500 * MS)
        line.learn(LookAgain("a", "u1"))
        line.run(MIN + 10 * S)
        line.learn(LookAgain("a", "u2"))
        line.run(MIN + 20 * S)
        woken = [at_ns for at_ns, ask in line.asks if not ask.expects_reply]
        assert woken == [MIN, MIN + 10 * S]
        assert [len(ended.outcomes) for ended in line.passes] == [3, 3, 3]

    def test_a_pass_that_outlasts_the_window_wakes_again(self) -> None:
        line = Line(begin(sleepers("a", reads=(READ,) * 700), S, 0), S)
        (ended,) = line.run(MIN + 30 * S)
        assert (ended.complete, len(ended.outcomes)) == (True, 700)
        woken = [at_ns for at_ns, ask in line.asks if not ask.expects_reply]
        assert woken == [MIN, MIN + 5 * S]

    def test_each_waking_serves_for_one_request_at_least(self) -> None:
        """A window that is over when the wait is: nothing can be promised, but it does not wake for ever."""
        short = replace(WAKE, window_ns=WAKE.wait_ns)
        line = Line(begin([replace(sleepers("a")[0], wake=short, reads=(READ, SECOND_READ))], S, 0), S)
        (ended,) = line.run(2 * MIN)
        assert (ended.complete, [ask.expects_reply for _, ask in line.asks]) == (True, [False, True] * 2)

    def test_two_points_of_one_unit_are_woken_once(self) -> None:
        plans = [replace(one, address=1) for one in sleepers("a", "b")]
        line = Line(begin(plans, S, 0), S)
        assert [ended.point for ended in line.run(2 * MIN)] == ["a", "b"]
        assert [ask.expects_reply for _, ask in line.asks] == [False, True, True]

    def test_each_unit_is_woken_for_itself(self) -> None:
        line = Line(begin(sleepers("a", "b"), S, 0), S)
        line.run(2 * MIN)
        assert [(ask.address, ask.expects_reply) for _, ask in line.asks] == [
            (1, False), (1, True), (2, False), (2, True),
        ]  # fmt: skip

    @pytest.mark.parametrize("fault", [Fault.PORT_LOST, Fault.STOPPED, Fault.STRAY_BYTES])
    def test_a_waking_that_could_not_be_sent_ends_the_pass(self, fault: Fault) -> None:
        line = Line(begin(sleepers("a"), S, 0), S)
        line.answers = lambda ask: None if ask.expects_reply else fault
        (ended,) = line.run(2 * MIN)
        assert (ended.fault, len(line.asks)) == (fault, 1)

    def test_a_silent_unit_is_a_missed_poll_and_is_woken_at_its_next(self) -> None:
        line = Line(begin(sleepers("a"), S, 0), S)
        line.answers = lambda ask: Fault.NO_ANSWER if ask.expects_reply else None
        passes = line.run(3 * MIN)
        assert [(ended.fault, len(ended.outcomes)) for ended in passes] == [(Fault.NO_ANSWER, 1)] * 2
        assert [ask.expects_reply for _, ask in line.asks] == [False, True] * 2

    def test_who_was_woken_and_then_put_off_is_woken_again(self) -> None:
        line = Line(begin(sleepers("a"), S, 0), S)
        line.run(2 * MIN + 100 * MS)
        line.learn(ClockStepped(-30 * S))
        line.run(2 * MIN + 40 * S)
        assert [(at_ns, ask.expects_reply) for at_ns, ask in line.asks[2:]] == [
            (2 * MIN, False), (2 * MIN + 30 * S, False), (2 * MIN + 30 * S + 200 * MS, True),
        ]  # fmt: skip

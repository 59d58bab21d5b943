"""From what another master was overheard to read to passes: one for each mark, however it splits what it reads."""

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.exchange import Ask, Outcome, Pass, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.readings.units import Measure
from tallywell.registers.decode import decode
from tallywell.registers.register_map import parse_map
from tallywell.schedule.plan import ClockStepped, LookAgain
from tallywell.service.accepting import point_plans
from tallywell.service.sampling import MARKS_BEFORE_SAYING, MOST_PLANS, SECOND_NS, WITHIN_NS, Sampled
from tallywell.service.site import Point

MAP = """\
map: overheard-meter
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 200 ms}
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
  status:        {table: holding, register: 20, type: bits, bits: {0: alarm}}
"""
S = SECOND_NS
EVERY = 60
TOTAL, FLOW, BOTH, STATUS = Read(4, 2, 2), Read(4, 0, 2), Read(4, 0, 10), Read(3, 20, 1)
HALF = Read(4, 2, 1)  # one word of the total


def sampled(every_s: int = EVERY, text: str = MAP) -> Sampled:
    found, problems = parse_map(text, "map", lambda name: Path(name).read_text(encoding="utf-8"))
    assert found is not None, problems
    rate = Measure(Fraction(1), "m3/s", Fraction(1))
    point = Point("p", "p", (), "l", 5, "map", found, every_s * 1000, rate)
    return Sampled(point, point_plans(point)[0], 0, 0)


def answer(read: Read, at_s: float, fill: int = 1) -> Outcome:
    at_ns = int(at_s * S)
    data = bytes([fill]) * read.content_bytes
    return Outcome(Ask(5, read, S), data, None, sent_ns=at_ns, ended_ns=at_ns, first_ns=at_ns)


def failure(read: Read, at_s: float, fault: Fault, heard: bytes = b"?") -> Outcome:
    at_ns = int(at_s * S)
    return Outcome(Ask(5, read, S), None, fault, sent_ns=at_ns, ended_ns=at_ns, refused=(Refused(fault, heard),))


def hear(one: Sampled, *outcomes: Outcome) -> list[Pass]:
    """What comes of these, looked at right behind each."""
    found: list[Pass] = []
    for outcome in outcomes:
        one.hear(outcome)
        found += one.due(outcome.ended_ns)
    return found


def reads(passes: list[Pass]) -> list[tuple[Read, ...]]:
    return [done.reads for done in passes]


def settled() -> Sampled:
    """One that has heard a whole round: all three, in three requests; its next mark is 120 s."""
    one = sampled()
    hear(one, answer(FLOW, 1), answer(TOTAL, 2), answer(STATUS, 3))
    hear(one, answer(FLOW, 61), answer(TOTAL, 62), answer(STATUS, 63))
    return one


def test_a_round_is_a_pass_once_all_that_is_asked_has_come() -> None:
    one = settled()
    assert not hear(one, answer(FLOW, 121), answer(TOTAL, 122))
    (done,) = hear(one, answer(STATUS, 123))
    assert done.reads == (STATUS, FLOW, TOTAL)
    assert done.complete
    assert decode(one.point.map, done.reads, 7, b"".join(o.data or b"" for o in done.outcomes)).books is not None


def test_a_master_that_asks_each_second_gives_one_row_for_each_mark() -> None:
    one = sampled()
    passes = [
        done for second in range(1, 600) for done in hear(one, answer(BOTH, second), answer(STATUS, second + 0.5))
    ]
    assert [done.outcomes[-1].at_ns // (EVERY * S) for done in passes] == list(range(10))
    assert all(done.outcomes[-1].at_ns % (EVERY * S) < 2 * S for done in passes)


def test_what_comes_before_the_mark_is_not_of_it() -> None:
    one = settled()
    assert not hear(one, answer(FLOW, 118), answer(STATUS, 119), answer(TOTAL, 121))
    (done,) = hear(one, answer(STATUS, 124), answer(FLOW, 125))
    assert [o.at_ns // S for o in done.outcomes] == [124, 125, 121]


def test_what_does_not_come_soon_is_left_out() -> None:
    one = settled()
    hear(one, answer(TOTAL, 121))
    assert one.next_ns() == 121 * S + WITHIN_NS
    assert reads(one.due(one.next_ns())) == [(TOTAL,)]
    late = settled()
    assert reads(hear(late, answer(FLOW, 121), answer(TOTAL, 130), answer(STATUS, 131))) == []
    assert reads(late.due(130 * S + WITHIN_NS)) == [(STATUS, TOTAL)], "no flow of nine seconds before"


def test_larger_reads_and_other_splits() -> None:
    one = sampled()
    assert reads(hear(one, answer(BOTH, 1), answer(FLOW, 1.1), answer(STATUS, 1.2))) == [(STATUS, BOTH)]


def test_two_words_of_one_value_come_from_one_answer() -> None:
    one = sampled()
    assert not hear(one, answer(HALF, 1), answer(Read(4, 3, 1), 1.1), answer(FLOW, 1.2), answer(STATUS, 1.3))
    (done,) = one.due(one.next_ns())
    assert done.fault is Fault.NO_ANSWER


def test_a_point_that_is_not_asked_is_a_missed_poll_for_each_mark() -> None:
    one = settled()
    missed = []
    for _ in range(4):
        missed += one.due(one.next_ns())
    assert [done.fault for done in missed] == [Fault.NO_ANSWER] * 4
    assert [done.due_ns // S for done in missed] == [120, 180, 240, 300]
    assert missed[0].reads == point_plans(one.point)[0].reads
    assert not one.due(one.next_ns() - 1)


def test_a_missed_poll_bears_what_was_heard_instead() -> None:
    one = settled()
    hear(one, failure(TOTAL, 121, Fault.BAD_CRC), failure(TOTAL, 140, Fault.EXCEPTION))
    (done,) = one.due(one.next_ns())
    assert done.fault is Fault.EXCEPTION
    assert [refused.fault for refused in done.outcomes[0].refused] == [Fault.BAD_CRC, Fault.EXCEPTION]
    (next_one,) = one.due(one.next_ns())
    assert next_one.fault is Fault.NO_ANSWER


def test_a_port_that_is_away_is_told_so() -> None:
    one = settled()
    (done,) = one.due(one.next_ns(), away=True)
    assert done.fault is Fault.PORT_LOST


def test_a_long_sleep_is_one_missed_poll() -> None:
    one = settled()
    assert len(one.due(100_000 * S)) == 1
    assert not one.due(100_000 * S)


def test_a_drift_against_the_marks_misses_none() -> None:
    """Another master asks each 60.05 s: sooner or later one mark has no request behind it for 60 s."""
    one, passes, at_s = sampled(), [], 59.0
    while at_s < 60 * 1500:
        one.hear(answer(BOTH, at_s))
        one.hear(answer(STATUS, at_s + 0.1))
        while one.next_ns() <= (at_s + 6) * S:
            passes += one.due(one.next_ns())
        passes += one.due(int((at_s + 6) * S))
        at_s += 60.05
    assert not [done for done in passes if done.fault]
    times = [done.outcomes[-1].at_ns for done in passes]
    assert max(after - before for before, after in pairwise(times)) < 2.1 * 60 * S


def test_a_person_gets_the_next_reading_or_hears_that_there_is_none() -> None:
    one = settled()
    one.learn(LookAgain("p", "u1"), 70 * S)
    one.learn(LookAgain("p", "u2"), 71 * S)
    one.learn(LookAgain("another", "u3"), 71 * S)
    (first,) = hear(one, answer(TOTAL, 72), answer(FLOW, 73), answer(STATUS, 74))
    (second,) = hear(one, answer(TOTAL, 82), answer(FLOW, 83), answer(STATUS, 84))
    assert (first.asked, second.asked) == ("u1", "u2")
    one.learn(LookAgain("p", "u4"), 90 * S)
    assert one.next_ns() == 90 * S + one.patience_ns
    (missed,) = one.due(one.next_ns())
    assert (missed.asked, missed.fault) == ("u4", Fault.NO_ANSWER)


def test_marks_follow_the_wall_clock() -> None:
    one = settled()
    one.learn(ClockStepped(30 * S), 100 * S)
    assert not hear(one, answer(BOTH, 110), answer(STATUS, 110))
    assert len(hear(one, answer(BOTH, 151), answer(STATUS, 151))) == 1


def test_what_is_never_asked_for_is_said_once() -> None:
    one = sampled()
    for mark in range(MARKS_BEFORE_SAYING):
        assert one.unheard() is None
        hear(one, answer(TOTAL, EVERY * mark + 1))
        one.due(EVERY * mark * S + 10 * S)
    assert one.unheard() == frozenset({"flow_rate", "status"})
    assert one.unheard() is None
    hear(one, answer(BOTH, 300))
    assert one.unheard() == frozenset({"status"})
    hear(one, answer(STATUS, 301))
    assert one.unheard() == frozenset()


def test_sets_that_are_read_seldom_come_when_they_are_overheard() -> None:
    text = MAP + "  serial:        {table: holding, register: 40, type: uint32, every: 1 day}\n"
    one = sampled(text=text)
    assert reads(hear(one, answer(BOTH, 1), answer(STATUS, 1), answer(Read(3, 40, 2), 2))) == [
        (STATUS, BOTH),
        (Read(3, 40, 2),),
    ]
    later = hear(one, answer(BOTH, 61), answer(STATUS, 61), answer(Read(3, 40, 2), 62))
    assert reads(later) == [(STATUS, BOTH)], "once a day"


def test_a_master_that_asks_in_ever_new_ways_does_not_fill_the_record_with_plans() -> None:
    one, found = sampled(every_s=1), set()
    for second in range(4 * MOST_PLANS):
        read = Read(4, 2, 2 + second % 100)
        for done in [*hear(one, answer(read, second)), *one.due(second * S + S // 2)]:
            found.add(done.reads)
    assert len(found) <= MOST_PLANS + 1


@given(
    st.lists(
        st.tuples(st.sampled_from((TOTAL, FLOW, BOTH, STATUS, HALF)), st.integers(1, 400), st.booleans()), max_size=60
    )
)
def test_any_traffic(heard: list[tuple[Read, int, bool]]) -> None:
    """Each pass is complete or failed at its beginning; a good one has the total; times rise; nothing waits in vain."""
    one, at_ds, last_ns = sampled(every_s=10), 0, -1
    for read, pause_ds, well in heard:
        at_ds += pause_ds
        outcome = answer(read, at_ds / 10) if well else failure(read, at_ds / 10, Fault.BAD_CRC)
        one.hear(outcome)
        passes = one.due(at_ds * S // 10)
        assert one.next_ns() > at_ds * S // 10
        for done in passes:
            assert done.complete or len(done.outcomes) == 1
            assert done.outcomes[0].ask.address == 5
            if done.complete:
                assert TOTAL in done.reads or BOTH in done.reads
                times = [o.at_ns for o in done.outcomes]
                assert max(times) - min(times) <= WITHIN_NS
                assert min(times) > last_ns
                last_ns = max(times)


def test_the_ledger_looks_again_but_not_in_a_flood() -> None:
    one = settled()
    for second in range(70, 80):
        one.learn(LookAgain("p"), second * S)
        passes = hear(one, answer(BOTH, second + 0.1), answer(STATUS, second + 0.2))
        assert len(passes) == (second == 70)
        assert all(done.asked is None for done in passes)

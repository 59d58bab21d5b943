"""What is known of an interval beside its two readings: power, the meter's status, what settles a question."""

from collections.abc import Callable
from dataclasses import replace

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading, Settled

from .conftest import RULES, at_ms

Intervals = Callable[..., list[Interval]]
Lines = Callable[..., list[str]]
MAY_STOP = replace(RULES, may_stop_unpowered=True)
HOUR = 60_084  # counts at most: 60 min and 5 s at 1,000 counts a minute, and one for two roundings


def test_silence_of_a_meter_that_may_stop_counting_is_a_lower_bound(lines: Lines) -> None:
    text = """
        00:00 1000
        00:15 missed no_answer
        00:30 missed no_answer
        00:45 missed no_answer
        01:00 1040
        01:15 1050
    """
    assert lines(text, rules=MAY_STOP) == [
        f"0:00-1:00 +40 lower bound, possibly unmetered [40, {HOUR}] (gap) (the meter may have been without power)",
        "1:00-1:15 +10 metered [10, 10]",
    ]
    assert lines(text)[0] == "0:00-1:00 +40 metered across a gap [40, 40] (gap)"


def test_a_cut_of_the_programs_own_power_may_be_the_meters_too(lines: Lines) -> None:
    text = """
        00:00 1000
        next boot
        00:59 happened unclean end
        01:00 1040
    """
    assert "lower bound" in lines(text, rules=MAY_STOP)[0]


def test_where_the_line_or_the_program_was_away_nothing_speaks_against_the_meters_power(lines: Lines) -> None:
    text = """
        00:00 1000
        00:15 missed port_lost
        00:30 happened stopped
        00:45 happened started
        01:00 1040
    """
    assert lines(text, rules=MAY_STOP) == ["0:00-1:00 +40 metered across a gap [40, 40] (gap)"]


def test_one_missed_poll_is_no_sign_of_a_dead_supply(lines: Lines) -> None:
    text = """
        00:00 1000
        00:15 missed no_answer
        00:30 1040
    """
    assert lines(text, rules=MAY_STOP) == ["0:00-0:30 +40 metered [40, 40]"]


def test_what_the_meter_says_of_itself_bounds_both_intervals_beside_it(lines: Lines) -> None:
    room = 15_084
    assert lines("""
        00:00 1000
        00:15 1010 says empty_pipe
        00:30 1010
        00:45 1030 doubts coil
        01:00 1040
    """) == [
        f"0:00-0:15 +10 not counting by the meter's own word [10, {room}]",
        f"0:15-0:30 +0 not counting by the meter's own word [0, {room}]",
        f"0:30-0:45 +20 suspect by the meter's own word [0, {room}]",
        f"0:45-1:00 +10 suspect by the meter's own word [0, {room}]",
    ]


def test_a_pump_that_stands_by_its_own_signal_moves_no_water_past_the_meter(intervals: Intervals) -> None:
    text = """
        00:00 1000 stands
        00:15 1000 stands
    """
    quiet = [replace(RULES, run_signal=True), RULES]
    for rules in quiet:
        (found,) = intervals(text, rules=rules)
        assert found.kind is Kind.METERED
    empty = [replace(one, not_counting=frozenset({"empty_pipe"})) for one in _readings(intervals, text)]
    kinds = [_fold(rules, empty) for rules in quiet]
    assert [(one.kind, one.high > 0) for (one,) in kinds] == [(Kind.NOT_COUNTING, False), (Kind.NOT_COUNTING, True)]


def _readings(intervals: Intervals, text: str) -> list[Reading]:
    (found,) = intervals(text)
    return [found.first, found.last]


def _fold(rules: Rules, readings: list[Reading]) -> list[Interval]:
    return list(fold(readings, begin(rules)))


# --- what settles a question

SHORT = """
    00:00 500
    00:15 510
    10:00 400
    10:15 410
"""  # a register of five digits may have gone round six times in this gap


def test_a_question_stays_one_without_proof(intervals: Intervals) -> None:
    found = intervals(SHORT, digits=5)[1]
    assert found.kind is Kind.QUESTION
    assert found.posted == 100_000 - 110


def test_a_person_settles_it(intervals: Intervals) -> None:
    answer = Settled("answer", at_ms("05:00"), 3)
    found = intervals(SHORT, digits=5, settled=(answer,))[1]
    assert (found.kind, found.posted, found.rollovers) == (Kind.ACROSS_GAP, 300_000 - 110, 3)
    assert (found.low, found.high) == (found.posted, found.posted)
    assert Flag.SETTLED in found.flags
    assert not found.flags & {Flag.SEVERAL_ROUNDS, Flag.RESET_FITS}


def test_an_answer_settles_no_other_interval_and_none_that_it_cannot_be(intervals: Intervals) -> None:
    before = Settled("answer", at_ms("00:05"), 3)
    never = Settled("answer", at_ms("05:00"), 0)
    for answer in (before, never):
        assert intervals(SHORT, digits=5, settled=(answer,))[1].kind is Kind.QUESTION


def test_hand_readings_in_between_settle_it_where_each_stretch_has_one_explanation(intervals: Intervals) -> None:
    """Seven digits go round in a week at the possible rate."""
    silence = """
        00:00 500
        00:15 510
        4d 00:00 by hand 515
        8d 00:00 520
        8d 00:15 530
    """
    without = "\n".join(line for line in silence.splitlines() if "hand" not in line)
    assert intervals(without, digits=7)[1].kind is Kind.QUESTION
    found = intervals(silence, digits=7)[1]
    assert (found.kind, found.posted, found.low, found.high) == (Kind.ACROSS_GAP, 10, 10, 10)
    assert Flag.SETTLED in found.flags


def test_a_hand_reading_that_a_reset_may_follow_settles_nothing(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 9000500
        00:15 9000510
        4d 00:00 by hand 9000515
        8d 00:00 520
        8d 00:15 530
    """,
        digits=7,
    )[1]
    assert found.kind is Kind.QUESTION


def test_the_flow_rate_settles_it_where_it_was_read_all_the_way(intervals: Intervals) -> None:
    """Polls whose total did not come, but whose flow rate did: 200 counts a minute for ten hours are 120,000."""
    gap = "\n".join(f"{m // 60:02}:{m % 60:02} missed no_value flow 200" for m in range(30, 600, 15))
    text = f"00:00 500 flow 200\n00:15 3500 flow 200\n{gap}\n10:00 20500 flow 200\n10:15 23500 flow 200"
    found = intervals(text, digits=5)[1]
    assert (found.kind, found.posted, found.rollovers) == (Kind.ACROSS_GAP, 117_000, 1)
    assert Flag.SETTLED in found.flags


def test_a_flow_rate_with_a_hole_in_it_settles_nothing(intervals: Intervals) -> None:
    minutes = [m for m in range(30, 600, 15) if not 200 < m < 300]
    gap = "\n".join(f"{m // 60:02}:{m % 60:02} missed no_value flow 200" for m in minutes)
    text = f"00:00 500 flow 200\n00:15 3500 flow 200\n{gap}\n10:00 20500 flow 200\n10:15 23500 flow 200"
    assert intervals(text, digits=5)[1].kind is Kind.QUESTION


def test_a_flow_rate_that_fits_two_explanations_settles_nothing(intervals: Intervals) -> None:
    """Four digits: a tenth of what flowed is more than a quarter of the capacity."""
    gap = "\n".join(f"{m // 60:02}:{m % 60:02} missed no_value flow 200" for m in range(30, 600, 15))
    text = f"00:00 500 flow 200\n00:15 3500 flow 200\n{gap}\n10:00 500 flow 200\n10:15 3500 flow 200"
    assert intervals(text, digits=4)[1].kind is Kind.QUESTION

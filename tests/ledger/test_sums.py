"""Intervals cut at edges and added up."""

from collections.abc import Callable
from fractions import Fraction

from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.ledger.sums import add_up
from tallywell.readings.quantities import Installed

GALLON = Fraction("0.003785411784")
Intervals = Callable[..., list[Interval]]
Clock = Callable[[str], int]


AGE = 84  # 5 s, as old as a register may be, at 1,000 counts a minute, and one for the rounding


def counts(volume: Fraction) -> int:
    found = volume / GALLON
    assert found.denominator == 1
    return found.numerator


def test_an_edge_between_two_polls_is_interpolated_and_the_second_part_gets_the_rest(
    intervals: Intervals, clock_ms: Clock
) -> None:
    found = add_up(
        intervals("""
            00:00 1000
            00:15 1010
        """),
        [clock_ms(at) for at in ("00:00", "00:05", "00:15")],
    )
    assert [part.counts for part in found.parts] == [(("seq 1", 3),), (("seq 1", 7),)]
    assert counts(found.whole.volume_m3) == 10
    assert not any(part.estimated for part in found.parts)
    assert [(counts(part.low_m3), counts(part.high_m3)) for part in found.parts] == [(0, 10), (0, 10 + AGE)]
    assert counts(found.whole.low_m3) == 0, "the register may have been 5 s old at the beginning"
    assert counts(found.whole.high_m3) == 10 + AGE, "and at the end"


def test_an_edge_inside_a_gap_is_an_estimate_with_bounds(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals("""
            00:00 1000
            02:00 missed no_answer
            04:00 1400
            04:15 1410
        """),
        [clock_ms("01:00"), clock_ms("04:15")],
    )
    begin = found.begin
    assert (begin.count, begin.low, begin.high, begin.estimated) == (1100, 1000, 1400, True)
    assert (begin.before, begin.after) != (None, None)
    assert (found.end.at is not None, found.end.count, found.end.estimated) == (True, 1410, False)
    assert counts(found.whole.volume_m3) == 310
    assert (counts(found.whole.low_m3), counts(found.whole.high_m3)) == (10, 410 + AGE)
    assert counts(found.whole.known_day_m3) == 10
    assert found.whole.estimated
    assert (found.whole.covered_ms, found.whole.expected_ms) == (15 * 60_000, 195 * 60_000)
    assert [(gap.missed, counts(gap.volume_m3)) for gap in found.gaps] == [((("no_answer", 1),), 400)]


def test_a_gap_that_lies_in_one_day_leaves_its_day_known(intervals: Intervals, clock_ms: Clock) -> None:
    story = """
        01:00 1000
        03:00 1200
    """
    one_day = add_up(intervals(story), [clock_ms("00:00"), clock_ms("1d 00:00")])
    assert counts(one_day.whole.known_day_m3) == 200
    two = add_up(intervals(story), [clock_ms("00:00"), clock_ms("02:00"), clock_ms("04:00")])
    assert (counts(two.whole.volume_m3), counts(two.whole.known_day_m3)) == (200, 0)


def test_equal_readings_on_both_sides_of_a_gap_make_the_edge_exact(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals("""
            00:00 1000
            04:00 1000
        """),
        [clock_ms("01:00"), clock_ms("02:00")],
    )
    assert (found.begin.low, found.begin.high, found.begin.estimated) == (1000, 1000, False)
    assert found.whole.low_m3 == found.whole.high_m3 == 0
    assert not found.whole.estimated


def test_edges_on_readings_balance_across_a_rollover(intervals: Intervals, clock_ms: Clock) -> None:
    story = """
        00:00 99999900
        00:15 99999950
        00:30 75
        00:45 100
    """
    found = add_up(intervals(story), [clock_ms("00:00"), clock_ms("00:45")])
    assert counts(found.whole.volume_m3) == 200
    assert found.begin.count is not None
    assert found.end.count is not None
    assert found.end.count - found.begin.count + 10**8 * found.whole.rollovers == 200
    assert [(roll.utc_ms, roll.capacity) for roll in found.rollovers] == [(clock_ms("00:30"), 10**8)]
    inside = add_up(intervals(story), [clock_ms("00:00"), clock_ms("00:25"), clock_ms("00:45")])
    assert [part.rollovers for part in inside.parts] == [0, 1]
    assert sum(part.volume_m3 for part in inside.parts) == found.whole.volume_m3
    late = add_up(intervals(story), [clock_ms("00:25"), clock_ms("00:45")])
    assert (late.begin.count, late.begin.low, late.begin.high) == (100_000_033, 99_999_950, 100_000_075)
    assert counts(late.whole.volume_m3) == 100 - 33 == 100 - 100_000_033 + 10**8


def test_steps_count_once_at_each_end_and_not_at_every_poll(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals("""
            00:00 998..1002
            00:15 1008..1012
            00:30 1018..1022
            00:45 1028..1032
        """),
        [clock_ms("00:00"), clock_ms("00:45")],
    )
    assert [counts(v) for v in (found.whole.low_m3, found.whole.volume_m3, found.whole.high_m3)] == [
        30 - (1012 - 1000) - 2,  # at the beginning the register may be 5 s old, and is not above the next reading
        30,
        30 + 2 + 2 + AGE,
    ]


def test_what_was_not_counted_stands_in_the_upper_bound(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals("""
            00:00 50000000
            00:15 50000100
            00:30 20
            00:45 120
            01:00 220
        """),
        [clock_ms("00:00"), clock_ms("01:00")],
    )
    assert [counts(v) for v in (found.whole.low_m3, found.whole.volume_m3, found.whole.high_m3)] == [
        300 - AGE,
        300,
        15_384 + AGE,
    ]
    assert found.whole.kinds == {Kind.METERED, Kind.RESET}
    assert found.whole.counts == (("seq 1", 100), ("seq 3", 200))


def test_a_question_bounds_the_volume_both_ways(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals(
            """
            00:00 990000
            02:00 500
            02:15 600
            """,
            digits=6,
        ),
        [clock_ms("00:00"), clock_ms("02:15")],
    )
    whole = found.whole
    assert [counts(v) for v in (whole.low_m3, whole.volume_m3, whole.high_m3)] == [100 - AGE, 10_600, 120_184 + AGE]


def test_an_interval_that_ends_before_it_begins_is_posted_whole_at_its_end(
    intervals: Intervals, clock_ms: Clock
) -> None:
    told = intervals(
        """
        00:10 1000
        00:15 1010
        next boot
        00:14 1015
        00:29 1020
        """,
        within_ms=120_000,
    )
    found = add_up(told, [clock_ms(at) for at in ("00:10", "00:13", "00:14", "00:29")])
    assert [counts(part.volume_m3) for part in found.parts] == [6, 2 + 5, 2 + 5]
    assert counts(found.whole.volume_m3) == 20
    assert found.whole.covered_ms == found.whole.expected_ms
    assert Flag.TIME_UNCERTAIN in found.parts[1].flags


def test_where_two_boots_overlap_one_period_begins_where_the_other_ends(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals(
        """
        00:00 99999980
        00:10 99999990
        00:15 00000010
        next boot
        00:13 00000020
        00:28 00000035
        00:43 00000050
        """,
        within_ms=120_000,
    )
    for at in ("00:12", "00:13", "00:14", "00:15", "00:20"):
        first = add_up(told, [clock_ms("00:00"), clock_ms(at)])
        second = add_up(told, [clock_ms(at), clock_ms("00:43")])
        assert first.end.count is not None
        assert second.begin.count is not None
        assert (first.end.count - second.begin.count) % 10**8 == 0
        assert counts(first.whole.volume_m3 + second.whole.volume_m3) == 70
        assert (first.end.count - 99_999_980 - counts(first.whole.volume_m3)) % 10**8 == 0
        assert first.end.low is not None
        assert first.end.high is not None
        assert first.end.low <= first.end.count <= first.end.high


def test_a_boot_clock_cuts_where_a_new_anchor_moved_the_dates(intervals: Intervals, clock_ms: Clock) -> None:
    from dataclasses import replace

    (one,) = intervals("""
        00:00 1000
        00:10 1600
    """)
    when = one.last.when
    moved = replace(one, last=replace(one.last, when=replace(when, boot_ms=when.boot_ms + 2000)))  # 602 s really passed
    found = add_up([moved], [clock_ms("00:00"), clock_ms("00:05"), clock_ms("00:10")])
    assert [counts(part.volume_m3) for part in found.parts] == [600 * 300 // 602, 600 - 600 * 300 // 602]


def test_missing_is_not_zero(intervals: Intervals, clock_ms: Clock) -> None:
    nothing = add_up([], [clock_ms("00:00"), clock_ms("01:00")])
    assert (nothing.whole.covered_ms, nothing.begin.count) == (0, None)
    assert nothing.unread == ((clock_ms("00:00"), clock_ms("01:00")),)
    late = add_up(
        intervals("""
            00:30 1000
            00:45 1000
        """),
        [clock_ms("00:00"), clock_ms("01:00")],
    )
    assert late.unread == ((clock_ms("00:00"), clock_ms("00:30")), (clock_ms("00:45"), clock_ms("01:00")))
    assert (late.begin.count, late.begin.after is not None, late.end.before is not None) == (None, True, True)
    assert (counts(late.whole.volume_m3), late.whole.covered_ms) == (0, 15 * 60_000)


def test_a_change_out_inside_a_month(
    intervals: Intervals, installed: Callable[..., Installed], clock_ms: Clock
) -> None:
    told = intervals(
        """
        00:00 1000
        00:15 1500
        00:45 20
        01:00 300
        """,
        installed=(installed("new", "00:30", 12),),
    )
    found = add_up(told, [clock_ms("00:00"), clock_ms("01:00")])
    assert found.whole.counts == (("seq 1", 500), ("new", 288))
    assert counts(found.whole.volume_m3) == 788
    assert (found.begin.segment, found.end.segment) != (None, None)
    assert found.end.segment is not None
    assert found.end.segment.id == "new"


def test_a_glitch_is_listed_where_it_was_read(intervals: Intervals, clock_ms: Clock) -> None:
    found = add_up(
        intervals("""
            00:00 1000
            00:15 7
            00:30 1010
        """),
        [clock_ms("00:00"), clock_ms("00:10"), clock_ms("00:30")],
    )
    assert [Kind.GLITCH in part.kinds for part in found.parts] == [False, True]
    assert counts(found.whole.volume_m3) == 10


def test_a_poll_a_moment_after_the_edge_nearly_is_the_reading_of_the_edge(
    intervals: Intervals, clock_ms: Clock
) -> None:
    """1,000 counts a minute are possible and a register may be 5 s old: only what can have passed since is open."""
    told = intervals("""
        00:00 1000
        00:15 9000
        00:30 17000
    """)
    edge = clock_ms("00:15") - 60  # the poll of 00:15 came 60 ms after the edge
    found = add_up(told, [clock_ms("00:00"), edge])
    assert found.end.count == 8999
    assert (found.end.low, found.end.high) == (
        9000 - 1 - 1,
        9000 + 82 + 1,
    )  # 60 ms less, 4.94 s more: 1 and 82.3 counts
    # The reading of the beginning may be 5 s old as well.
    assert (counts(found.whole.low_m3), counts(found.whole.high_m3)) == (7998 - 84, 8083)


def test_an_edge_inside_a_gap_is_bounded_from_both_sides_by_what_can_have_passed(
    intervals: Intervals, clock_ms: Clock
) -> None:
    told = intervals("""
        00:00 1000
        10:00 1400
        10:15 1410
    """)
    near_its_end = add_up(told, [clock_ms("09:59"), clock_ms("10:15")]).begin
    assert (near_its_end.low, near_its_end.high) == (1000, 1400), "400 counts may have passed within a minute"
    found = add_up(
        intervals("""
            00:00 1000
            10:00 90000
            10:15 90010
        """),
        [clock_ms("09:59"), clock_ms("10:15")],
    ).begin
    assert (found.low, found.high) == (90000 - 1000 - 1, 90000)
    assert found.estimated


def test_a_date_that_may_be_off_widens_the_bounds(intervals: Intervals, clock_ms: Clock) -> None:
    text = """
        00:00 1000
        00:15 9000
    """
    edge = clock_ms("00:15") - 60
    sharp = add_up(intervals(text), [clock_ms("00:00"), edge]).end
    vague = add_up(intervals(text, within_ms=60_000), [clock_ms("00:00"), edge]).end
    assert sharp.low is not None
    assert vague.low is not None
    assert sharp.low - vague.low == 1000, "a minute more, at 1,000 counts a minute"

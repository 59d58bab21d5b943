"""Readings in, intervals out."""

from collections.abc import Callable
from fractions import Fraction

import pytest

from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.readings.quantities import Installed

Lines = Callable[..., list[str]]
Intervals = Callable[..., list[Interval]]
Entry = Callable[..., Installed]


def test_a_plain_run(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 1010
        00:30 1010
    """) == ["0:00-0:15 +10 metered [10, 10]", "0:15-0:30 +0 metered [0, 0]"]


def test_a_rollover_goes_through_the_capacity_and_not_through_all_nines(lines: Lines) -> None:
    """8 digits, 99,999,950 then 00,000,075 are 125 counts (by definition; 124 would be subtracting at all nines)."""
    assert lines("""
        00:00 99999950
        00:15 75
        00:30 80
    """) == ["0:00-0:15 +125 metered rollovers 1 [125, 125]", "0:15-0:30 +5 metered [5, 5]"]


def test_a_gap_says_why_and_keeps_its_volume(intervals: Intervals) -> None:
    (one,) = intervals("""
        00:00 1000
        00:15 missed no_answer
        00:30 missed bad_crc
        00:45 missed no_answer
        00:50 happened stopped
        next boot
        00:55 happened started
        01:00 1400
    """)
    assert (one.kind, one.posted, one.gap) == (Kind.ACROSS_GAP, 400, True)
    assert one.missed == (("bad_crc", 1), ("no_answer", 2))
    assert one.cause == ("stopped", "started")


def test_one_missed_poll_is_no_gap_whatever_its_jitter_and_two_are_one(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:30 1010
    """) == ["0:00-0:30 +10 metered [10, 10]"]
    assert lines("""
        00:00 1000
        00:31 1010
    """) == ["0:00-0:31 +10 metered [10, 10]"]
    assert lines("""
        00:00 1000
        00:32 1010
    """) == ["0:00-0:32 +10 metered across a gap [10, 10] (gap)"]
    assert lines("""
        00:00 1000
        00:45 1010
    """) == ["0:00-0:45 +10 metered across a gap [10, 10] (gap)"]


def test_a_glitch_is_set_aside_and_noted(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 1010
        00:30 7
        00:45 1030
    """) == [
        "0:00-0:15 +10 metered [10, 10]",
        "0:30-0:30 +0 glitch [0, 0]",
        "0:15-0:45 +20 metered [20, 20] (glitch set aside inside)",
    ]


def test_two_glitches_that_contradict_one_another(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 7
        00:30 90000000
        00:45 1030
    """) == [
        "0:15-0:15 +0 glitch [0, 0]",
        "0:30-0:30 +0 glitch [0, 0]",
        "0:00-0:45 +30 metered across a gap [30, 30] (gap) (glitch set aside inside)",
    ]


def test_a_small_decrease_that_is_made_good_at_once_is_a_glitch(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 990
        00:30 1005
    """) == ["0:15-0:15 +0 glitch [0, 0]", "0:00-0:30 +5 metered [5, 5] (glitch set aside inside)"]


def test_a_glitch_that_fitted_is_found_out_by_the_three_after_it(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 1010
        00:30 1500
        00:45 1030
        01:00 1040
        01:15 1050
    """) == [
        "0:00-0:15 +10 metered [10, 10]",
        "0:30-0:30 +0 glitch [0, 0]",
        "0:15-0:45 +20 metered [20, 20] (glitch set aside inside)",
        "0:45-1:00 +10 metered [10, 10]",
        "1:00-1:15 +10 metered [10, 10]",
    ]


def test_a_count_beyond_the_capacity_is_set_aside_at_once(lines: Lines) -> None:
    """Wrong words, or too few digits stated: nothing of it may be posted, and each such reading is shown."""
    assert lines(
        """
        00:00 9990
        00:15 10010
        00:30 10020
        00:45 10030
        01:00 40
        """,
        digits=4,
    )[:3] == [
        f"{clock}-{clock} +0 glitch [0, 0] (count beyond the totalizer's capacity)"
        for clock in ("0:15", "0:30", "0:45")
    ]


def test_a_reset_is_reported_and_never_counted(intervals: Intervals) -> None:
    found = intervals("""
        00:00 50000000
        00:15 50000100
        00:30 20
        00:45 120
        01:00 220
    """)
    assert [(one.kind, one.posted) for one in found] == [
        (Kind.METERED, 100),
        (Kind.RESET, 0),
        (Kind.METERED, 100),
        (Kind.METERED, 100),
    ]
    assert found[1].high == 15_000 + 83 + 1  # 15 min and 5 s at 1,000 counts a minute, and one for two roundings
    assert [one.segment.id for one in found] == ["seq 1", "seq 1", "seq 3", "seq 3"]
    assert Flag.UNCONFIRMED in found[2].flags


def test_a_small_register_is_not_wrapped_because_time_passes(lines: Lines) -> None:
    """6 digits: a fall by 980,000 would fit as a rollover after 20 min, but by then the next readings have spoken."""
    found = lines(
        """
        00:00 980000
        00:15 20
        00:30 30
        00:45 40
        """,
        digits=6,
    )
    assert [line.split("[", maxsplit=1)[0] for line in found] == [
        "0:00-0:15 +0 reset ",
        "0:15-0:30 +10 metered ",
        "0:30-0:45 +10 metered ",
    ]


def test_an_impossible_step_is_reported_and_never_counted(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 2000000
        00:30 2000010
        00:45 2000020
    """) == [
        "0:00-0:15 +0 impossible step [0, 15084]",
        "0:15-0:30 +10 metered [10, 10]",
        "0:30-0:45 +10 metered [10, 10]",
    ]


def test_the_greatest_possible_step_is_metered_and_one_count_more_is_not(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 16084
    """) == ["0:00-0:15 +15084 metered [15084, 15084]"]
    assert lines("""
        00:00 1000
        00:15 16085
    """) == ["0:15-0:15 +0 not decided yet [0, 0]"]


def test_one_poll_after_a_step_nothing_is_decided(lines: Lines) -> None:
    assert lines("""
        00:00 50000000
        00:15 20
        00:30 30
    """) == ["0:15-0:15 +0 not decided yet [0, 0]", "0:30-0:30 +0 not decided yet [0, 0]"]


def test_after_a_long_gap_several_rounds_are_a_question(lines: Lines) -> None:
    """6 digits of 1 gal at 1,000 gpm possible go round in 16.7 h: in a day one round more fits, in two days two."""
    assert lines(
        """
        00:00 1000
        1d 00:00 2000
        3d 00:00 2000
        """,
        digits=6,
    ) == [
        "0:00-1 day, 0:00 +1000 question [1000, 1001000] (gap) (the totalizer may have gone round more often)",
        "1 day, 0:00-3 days, 0:00 +0 question [0, 2000000] (gap) (the totalizer may have gone round more often)",
    ]


def test_after_a_gap_a_rollover_that_may_be_a_reset_is_a_question(lines: Lines) -> None:
    assert lines(
        """
        00:00 990000
        02:00 500
        """,
        digits=6,
    ) == ["0:00-2:00 +10500 question rollovers 1 [0, 120084] (a reset fits as well) (gap)"]


def test_after_a_gap_a_rollover_that_is_hardly_a_reset_is_metered(lines: Lines) -> None:
    assert lines("""
        00:00 99990000
        02:00 500
    """) == ["0:00-2:00 +10500 metered across a gap rollovers 1 [10500, 10500] (gap)"]


def test_a_total_that_catches_up_across_a_gap_after_a_decrease_is_a_question(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        00:15 10
        03:15 1500
    """) == [
        "0:15-0:15 +0 glitch [0, 0]",
        "0:00-3:15 +500 question [500, 195084] (a reset fits as well) (gap) (glitch set aside inside)",
    ]


def test_steps_of_a_float_total_enter_the_bounds(lines: Lines) -> None:
    assert lines("""
        00:00 998..1002
        00:15 1008..1012
    """) == ["0:00-0:15 +10 metered [6, 14]"]


def test_lower_by_less_than_the_step_is_no_decrease_and_does_not_ratchet(intervals: Intervals) -> None:
    found = intervals("""
        00:00 998..1002
        00:15 996..1000
        00:30 998..1002
        00:45 1004..1008
    """)
    assert [one.posted for one in found] == [0, 0, 6]
    assert Flag.WITHIN_STEP in found[0].flags
    assert sum(one.posted for one in found) == found[-1].closing - found[0].opening


def test_a_register_that_counts_farther_runs_on(lines: Lines) -> None:
    """Its exponent rose, so it shows tens of the same count: one segment goes on, and goes round at the new end."""
    assert lines(
        """
        00:00 99999900
        00:15 99999950..99999960 digits 9
        00:30 99999990..100000000 digits 9
        00:45 100000020..100000030 digits 9
        01:00 999990 digits 9
    """,
        digits=8,
    )[:3] == [
        "0:00-0:15 +55 metered [50, 60]",
        "0:15-0:30 +40 metered [30, 50]",
        "0:30-0:45 +30 metered [20, 40]",
    ]


def test_a_register_that_counts_less_far_and_shows_less_ends_the_segment(lines: Lines) -> None:
    assert lines("""
        00:00 500 digits 9
        00:15 20 digits 8
        00:30 30 digits 8
        00:45 40 digits 8
    """) == [
        "0:00-0:15 +0 reset [0, 15084]",
        "0:15-0:30 +10 metered [10, 10]",
        "0:30-0:45 +10 metered [10, 10]",
    ]


@pytest.mark.parametrize("torn", ["520000 digits 10", "52 digits 6", "100000020 digits 9"])
def test_a_torn_exponent_is_a_glitch(lines: Lines, torn: str) -> None:
    """One reading whose exponent is not its own contradicts those around it as any other glitch does."""
    assert lines(f"""
        00:00 5100
        00:15 5200
        00:30 {torn}
        00:45 5300
        01:00 5400
    """) == [
        "0:00-0:15 +100 metered [100, 100]",
        "0:30-0:30 +0 glitch [0, 0]",
        "0:15-0:45 +100 metered [100, 100] (glitch set aside inside)",
        "0:45-1:00 +100 metered [100, 100]",
    ]


@pytest.mark.parametrize("torn", ["10000050 digits 8", "999999900 digits 9"])
def test_a_register_may_be_torn_where_its_exponent_rises(lines: Lines, torn: str) -> None:
    """The new digits with the old exponent, or the old digits with the new one."""
    assert lines(f"""
        00:00 99999900
        00:15 99999950
        00:30 {torn}
        00:45 100000500 digits 9
        01:00 100000600 digits 9
    """)[2:] == [
        "0:15-0:45 +550 metered [550, 550] (glitch set aside inside)",
        "0:45-1:00 +100 metered [100, 100]",
    ]


def test_a_scale_that_changes_ends_the_segment(intervals: Intervals) -> None:
    found = intervals("""
        00:00 1000
        00:15 1010
        00:30 1020 1/100
        00:45 1030 1/100
    """)
    assert [(one.kind, one.posted) for one in found] == [
        (Kind.METERED, 10),
        (Kind.SCALE_CHANGED, 0),
        (Kind.METERED, 10),
    ]
    assert [one.segment.id for one in found] == ["seq 1", "seq 1", "seq 3"]
    assert found[2].volume_m3 == Fraction(1, 10)


def test_undated_readings_post_nothing_and_the_sum_stays_exact(lines: Lines) -> None:
    assert lines("""
        00:00 1000
        next boot
        undated 1010
        undated 1020
        next boot
        00:45 1030
    """) == ["0:00-0:45 +30 metered across a gap [30, 30] (gap) (undated readings inside)"]


def test_a_boot_dated_before_the_last_one_posts_at_its_end(lines: Lines) -> None:
    (line,) = lines(
        """
        00:15 1000
        next boot
        00:14 1005
        """,
        within_ms=120_000,
    )
    assert line == "0:15-0:14 +5 metered [5, 5] (time uncertain)"


def test_dates_that_are_uncertain_widen_what_is_possible(lines: Lines) -> None:
    story = """
        00:15 1000
        next boot
        00:15 3000
    """
    assert lines(story) == ["0:15-0:15 +0 not decided yet [0, 0]"]
    assert lines(story, within_ms=60_000) == ["0:15-0:15 +2000 metered [2000, 2000] (time uncertain)"]


def test_without_an_entry_the_first_reading_opens_the_segment(intervals: Intervals) -> None:
    (one,) = intervals("""
        00:00 1000
        00:15 1010
    """)
    assert one.segment.id == "seq 1"
    assert Flag.NOT_ENTERED in one.flags
    assert one.plain


def test_a_change_out_counts_each_meter_by_itself(intervals: Intervals, installed: Entry) -> None:
    """Old meter 1000 to 1500, new 12 to 300: 788 counts (by definition; the fields are those of Kansas DWR 1-560)."""
    entries = (installed("new", "02:00", 12), installed("old", "00:00", 1000))
    found = intervals(
        """
        00:10 1100
        01:45 1500
        02:15 20
        02:30 300
        """,
        installed=entries,
    )
    assert [(one.segment.id, one.kind, one.posted) for one in found] == [
        ("old", Kind.FROM_FIRST_COUNT, 100),
        ("old", Kind.ACROSS_GAP, 400),
        ("old", Kind.CHANGE_OUT, 0),
        ("new", Kind.FROM_FIRST_COUNT, 8),
        ("new", Kind.METERED, 280),
    ]
    assert sum(one.posted for one in found) == 788
    assert not any(one.flags & {Flag.UNCONFIRMED, Flag.NOT_ENTERED} for one in found)
    assert found[2].high == 15_000 + 83 + 15_000 + 1  # what may have run between the old meter and the new, unmetered


def test_a_first_count_that_was_not_noted_opens_at_the_first_reading(intervals: Intervals, installed: Entry) -> None:
    found = intervals(
        """
        00:00 1000
        00:15 20
        00:30 30
        """,
        installed=(installed("new", "00:10", None),),
    )
    assert [(one.segment.id, one.posted) for one in found] == [("seq 1", 0), ("new", 10)]
    assert Flag.FIRST_COUNT_UNKNOWN in found[0].flags


def test_a_first_count_that_does_not_fit_is_reported(intervals: Intervals, installed: Entry) -> None:
    found = intervals(
        """
        00:15 500
        00:30 510
        00:45 520
        """,
        installed=(installed("new", "00:00", 900),),
    )
    assert [(one.segment.id, one.kind, one.posted) for one in found] == [
        ("new", Kind.UNEXPLAINED_DECREASE, 0),
        ("seq 1", Kind.METERED, 10),
        ("seq 1", Kind.METERED, 10),
    ]


def test_hand_readings_go_with_the_interval_they_lie_in(intervals: Intervals) -> None:
    (one,) = intervals("""
        00:00 1000
        00:07 by hand 1005
        00:15 1010
    """)
    assert [hand.total.count for hand in one.hand] == [1005]


def test_a_known_segment_may_be_given_to_a_fold_that_begins_late(installed: Entry) -> None:
    from tallywell.ledger.fold import begin, fold
    from tallywell.ledger.intervals import Segment
    from tallywell.ledger.rules import Rules
    from tallywell.readings.clocks import When
    from tallywell.readings.quantities import Reading, Scale
    from tallywell.readings.total import Total

    entry = installed("old", "00:00", 0)
    facts = [
        Reading(n, When(1, n * 60_000, entry.about_ms + n * 60_000, 0), Total.exact(n), Scale(Fraction(1), 10**6))
        for n in (7, 8)
    ]
    state = begin(Rules(60_000, Fraction(1)), (entry,), Segment("seq 5", confirmed=False))
    assert [one.segment.id for one in fold(facts, state)] == ["seq 5"]

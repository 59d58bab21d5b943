"""Greatest rate and hours pumped."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.intervals import Interval
from tallywell.ledger.rates import PeakFlow, Source, hours_pumped, maximum_rate, peak_flow

GALLON = Fraction("0.003785411784")
Intervals = Callable[..., list[Interval]]
Clock = Callable[[str], int]
DENVER = ZoneInfo("America/Denver")


def gpm(rate: Fraction) -> Fraction | int:
    return rate * 60 / GALLON


def test_the_greatest_mean_over_windows_of_the_local_clock(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals("""
        00:05 1000
        00:15 2000
        00:25 4000
        00:35 4000
    """)
    best = maximum_rate(told, clock_ms("00:00"), clock_ms("01:00"), DENVER)
    assert best is not None
    assert best.begin_ms == clock_ms("00:15")
    assert gpm(best.m3s) == Fraction(2000, 15)
    assert gpm(best.within_m3s) == Fraction(1, 15)


def test_the_greatest_ten_minutes_across_two_windows_are_not_taken(intervals: Intervals, clock_ms: Clock) -> None:
    """A burst from 00:10 to 00:20 belongs to two windows, half each: windows are those of the clock, not sliding."""
    told = intervals("""
        00:00 1000
        00:10 1000
        00:20 3000
        00:30 3000
    """)
    best = maximum_rate(told, clock_ms("00:00"), clock_ms("01:00"), DENVER)
    assert best is not None
    assert gpm(best.m3s) == Fraction(1000, 15)


def test_a_window_that_a_gap_reaches_into_does_not_count(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals("""
        00:00 1000
        00:15 1015
        00:20 1100
        01:00 9000
        01:15 9015
    """)
    best = maximum_rate(told, clock_ms("00:00"), clock_ms("02:00"), DENVER)
    assert best is not None
    assert gpm(best.m3s) == 1


def test_boots_that_overlap_do_not_fill_a_window_twice(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals(
        """
        00:00 1000
        00:10 2000
        next boot
        00:05 2000
        00:10 2500
        """,
        within_ms=300_000,
    )
    assert maximum_rate(told, clock_ms("00:00"), clock_ms("01:00"), DENVER) is None  # 00:10 to 00:15 was not read


def test_readings_further_apart_than_the_window_give_no_maximum_rate(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals("""
        00:00 1000
        00:30 2000
        01:00 3000
    """)
    assert maximum_rate(told, clock_ms("00:00"), clock_ms("01:00"), DENVER) is None
    hourly = maximum_rate(told, clock_ms("00:00"), clock_ms("01:00"), DENVER, window_ms=3_600_000)
    assert hourly is not None
    assert gpm(hourly.m3s) == Fraction(2000, 60)


def test_windows_stand_on_the_local_clock_where_the_offset_is_odd(intervals: Intervals, clock_ms: Clock) -> None:
    """Nepal keeps UTC+5:45: whole local hours begin at a quarter past of UTC."""
    told = intervals("""
        00:00 1000
        00:15 1900
        00:45 1900
        01:15 1900
    """)
    span = clock_ms("00:00"), clock_ms("02:00")
    best = maximum_rate(told, *span, ZoneInfo("Asia/Kathmandu"), window_ms=3_600_000)
    assert best is not None
    assert (best.begin_ms, gpm(best.m3s)) == (clock_ms("00:15"), 0)
    other = maximum_rate(told, *span, ZoneInfo("UTC"), window_ms=3_600_000)
    assert other is not None
    assert (other.begin_ms, gpm(other.m3s)) == (clock_ms("00:00"), 15)


def test_a_rollover_inside_a_window_is_counted(intervals: Intervals, clock_ms: Clock) -> None:
    told = intervals("""
        00:00 99999950
        00:15 75
    """)
    best = maximum_rate(told, clock_ms("00:00"), clock_ms("00:15"), DENVER)
    assert best is not None
    assert gpm(best.m3s) == Fraction(125, 15)


def test_a_window_longer_than_a_day_is_refused() -> None:
    with pytest.raises(ValueError, match="up to a day"):
        maximum_rate([], 0, 1, DENVER, window_ms=10**9)


def test_the_peak_is_the_greatest_flow_shown(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals("00:00 1000\n00:15 1010\n00:30 1020"), flows=(1, 3, 2))
    peak = peak_flow(told, clock_ms("00:00"), clock_ms("01:00"))
    assert peak is not None
    assert (peak.m3s, peak.begin_ms, peak.window_ms) == (Fraction(3), clock_ms("00:15"), 0)
    assert peak_flow(told, clock_ms("00:16"), clock_ms("00:30")) is None


def with_signal(
    told: list[Interval], running: tuple[bool | None, ...] = (), flows: tuple[int, ...] = ()
) -> list[Interval]:
    signals = [running[n] if running else None for n in range(len(told) + 1)]
    flow = [Fraction(flows[n]) if flows else None for n in range(len(told) + 1)]
    seen = [
        replace(reading, running=signals[n], flow_m3s=flow[n])
        for n, reading in enumerate([told[0].first, *(one.last for one in told)])
    ]
    return [replace(one, first=seen[n], last=seen[n + 1]) for n, one in enumerate(told)]


STORY = """
    00:00 1000
    00:15 1000
    00:30 1010
    00:45 1030
    01:00 1030
    03:00 1100
    03:15 1100
"""


def test_hours_by_the_run_signal(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals(STORY), running=(False, True, True, False, False, True, True))
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"))
    assert hours is not None
    assert hours.source is Source.FLOW
    assert hours.pumped_ms == 45 * 60_000  # 00:15 to 00:45 and 03:00 to 03:15; the gap is not covered
    assert hours.error_ms == 15 * 60_000  # one start seen late by up to 15 min, one stop as much
    assert (hours.covered_ms, hours.expected_ms) == (75 * 60_000, 195 * 60_000)


def test_hours_by_the_total_where_a_signal_is_missing(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals(STORY), running=(False, True, None, False, False, True, True))
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"))
    assert hours is not None
    assert (hours.source, hours.pumped_ms) == (Source.TOTAL, 30 * 60_000)  # 00:15 to 00:45
    assert hours.error_ms == 30 * 60_000  # the first and the last interval of the run


def test_hours_are_cut_at_the_period(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals(STORY), running=(True,) * 7)
    hours = hours_pumped(told, clock_ms("00:05"), clock_ms("00:20"))
    assert hours is not None
    assert (hours.pumped_ms, hours.error_ms, hours.covered_ms) == (15 * 60_000, 0, 15 * 60_000)
    assert hours_pumped(told, clock_ms("1d 00:00"), clock_ms("2d 00:00")) is None


def test_hours_by_a_run_signal_say_so(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals(STORY), running=(True,) * 7)
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"), run_signal=True)
    assert hours is not None
    assert hours.source is Source.RUN_SIGNAL


def with_hours(told: list[Interval], *minutes: int | None) -> list[Interval]:
    shown = [None if each is None else each * 60_000 for each in minutes]
    seen = [
        replace(reading, hour_meter_ms=shown[n])
        for n, reading in enumerate([told[0].first, *(one.last for one in told)])
    ]
    return [replace(one, first=seen[n], last=seen[n + 1]) for n, one in enumerate(told)]


def test_hours_by_the_hour_meter_across_a_gap(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_hours(intervals(STORY), 6000, 6000, 6012, 6024, 6024, 6090, 6102)
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"), step_ms=360_000)
    assert hours is not None
    assert (hours.source, hours.pumped_ms, hours.error_ms) == (Source.HOUR_METER, 102 * 60_000, 6 * 60_000)
    assert hours.covered_ms == hours.expected_ms


def test_a_reading_without_the_hour_meter_is_bridged(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_hours(intervals(STORY), 6000, None, 6012, None, None, None, 6102)
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"))
    assert hours is not None
    assert (hours.source, hours.pumped_ms, hours.error_ms) == (Source.HOUR_METER, 102 * 60_000, 0)


def test_an_edge_within_a_difference_is_the_error(intervals: Intervals, clock_ms: Clock) -> None:
    """Ten of fifteen minutes lie inside; of twelve that it ran, at least seven and at most ten do."""
    told = with_hours(intervals("00:00 1000\n00:15 1010"), 0, 12)
    hours = hours_pumped(told, clock_ms("00:05"), clock_ms("00:15"))
    assert hours is not None
    assert (hours.pumped_ms, hours.error_ms) == (510_000, 90_000)


@pytest.mark.parametrize("odd", [3, 9000])
def test_an_hour_meter_that_fell_or_jumped_does_not_cover_that_stretch(
    intervals: Intervals, clock_ms: Clock, odd: int
) -> None:
    told = with_hours(intervals(STORY), 6000, 6000, 6012, 6024, 6024, odd, odd + 12)
    hours = hours_pumped(told, clock_ms("00:00"), clock_ms("03:15"), step_ms=60_000)
    assert hours is not None
    assert (hours.source, hours.pumped_ms, hours.error_ms) == (Source.HOUR_METER, 36 * 60_000, 2 * 60_000)
    assert hours.covered_ms == 75 * 60_000


def test_the_peak_after_a_start_is_marked_and_the_steady_one_is_apart(intervals: Intervals, clock_ms: Clock) -> None:
    rows = "\n".join(f"00:{minute:02} {1000 + minute}" for minute in range(12))
    told = with_signal(intervals(rows), flows=(0, 0, 9, 8, 7, 6, 6, 5, 5, 4, 5, 5))
    peak = PeakFlow(clock_ms("00:00"), clock_ms("01:00"))
    for one in told:
        peak.take(one)
    assert peak.best is not None
    assert peak.steady is not None
    assert (peak.best.m3s, peak.best.after_start) == (Fraction(9), True)
    assert (peak.steady.m3s, peak.steady.begin_ms) == (Fraction(5), clock_ms("00:07"))  # five minutes after 00:02


def test_a_pump_that_runs_from_the_beginning_has_not_just_started(intervals: Intervals, clock_ms: Clock) -> None:
    told = with_signal(intervals("00:00 1000\n00:15 1010"), flows=(3, 2))
    peak = peak_flow(told, clock_ms("00:00"), clock_ms("01:00"))
    assert peak is not None
    assert (peak.m3s, peak.after_start) == (Fraction(3), False)

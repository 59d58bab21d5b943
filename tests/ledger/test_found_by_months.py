"""What the random months found in the ledger, each in its smallest case. What is not mended yet is expected to fail."""

from collections.abc import Callable
from dataclasses import replace

from tallywell.ledger.intervals import Interval, Kind
from tallywell.ledger.sums import add_up
from tallywell.readings.quantities import Change, Installed

from .conftest import GALLON, RULES, at_ms

Intervals = Callable[..., list[Interval]]
RATE = 1000  # counts a minute can pass
DAY = [at_ms("00:00"), at_ms("1d 00:00"), at_ms("2d 00:00")]


def test_a_reading_dated_a_moment_after_midnight_may_be_of_before_midnight(intervals: Intervals) -> None:
    """Its date is within 6 s: read so much before midnight, it has not what still flowed on the first day."""
    text = """
        23:30 1000
        23:45 1000
        1d 00:00 2000
        1d 00:15 3000
    """
    found = add_up(intervals(text, within_ms=6000), DAY)
    low, high = (found.parts[0].low_m3 / GALLON, found.parts[0].high_m3 / GALLON)
    assert found.parts[0].volume_m3 / GALLON == 1000
    assert high >= 1000 + 6 * RATE // 60, "what flowed between the reading and midnight, had it been early"
    assert low <= 1000 - 6 * RATE // 60, "the same, had it been late"


def test_a_register_read_at_midnight_is_older_than_midnight(intervals: Intervals) -> None:
    text = """
        23:45 1000
        1d 00:00 2000
        1d 00:15 3000
    """
    found = add_up(intervals(text), DAY)
    assert found.parts[0].high_m3 / GALLON >= 2000 - 1000 + RULES.readout_ms * RATE // 60_000


def test_no_more_can_have_flowed_in_a_part_of_a_dead_meters_silence_than_the_pipe_passes_there(
    intervals: Intervals,
) -> None:
    """Two days without power, an hour of them in the first day."""
    text = """
        22:45 1000
        23:00 1000
        23:15 missed no_answer
        23:30 missed no_answer
        2d 23:00 1000
        2d 23:15 1000
    """
    found = intervals(text, rules=replace(RULES, may_stop_unpowered=True))
    assert Kind.LOWER_BOUND in {one.kind for one in found}
    first, second = add_up(found, DAY).parts
    assert first.high_m3 / GALLON <= RATE * 61
    assert second.high_m3 / GALLON <= RATE * (24 * 60 + 1)


def test_of_a_day_on_which_water_only_ran_back_the_bounds_are_below_zero(intervals: Intervals) -> None:
    text = """
        00:00 1000
        00:15 900
        00:30 800
    """
    (part,) = add_up(intervals(text, rules=replace(RULES, net=True)), DAY[:2]).parts
    assert part.low_m3 <= part.volume_m3 == -200 * GALLON <= part.high_m3


def test_a_reset_that_somebody_noted_lies_between_its_two_readings(intervals: Intervals) -> None:
    reset = Installed("reset", at_ms("00:20"), 0, "A-1", change=Change.RESET)
    text = """
        00:00 5000
        00:15 5010
        00:30 10
        00:45 20
    """
    found = intervals(text, installed=(reset,))
    assert [one.kind for one in found] == [Kind.METERED, Kind.RESET, Kind.FROM_FIRST_COUNT, Kind.METERED]
    assert found[1].high <= RULES.most(found[0].scale, 15 * 60_000)


def _removed_and_put_back(removed: str, put_back: str) -> tuple[Installed, ...]:
    """Another meter, that begins at 12."""
    return (
        Installed("removed", at_ms(removed), None, "A-1", change=Change.REMOVED),
        Installed("again", at_ms(put_back), 12, "B-2"),
    )


def test_a_meter_put_in_after_a_removal_and_noted_some_minutes_late_counts_once(intervals: Intervals) -> None:
    text = """
        00:00 5000
        00:15 5010
        02:00 12
        02:05 512
        02:10 1012
        02:15 1512
        02:20 2012
    """
    rules = replace(RULES, every_ms=5 * 60_000)
    found = intervals(text, rules=rules, installed=_removed_and_put_back("00:20", "02:12"))
    assert sum(one.posted for one in found if one.begin_ms >= at_ms("01:00")) == 2000


def test_a_removal_noted_some_minutes_early_leaves_the_last_readings_with_the_meter(intervals: Intervals) -> None:
    text = """
        00:00 5000
        00:05 5010
        00:10 5020
        00:15 5030
    """
    rules = replace(RULES, every_ms=5 * 60_000)
    found = intervals(text, rules=rules, installed=_removed_and_put_back("00:07", "1d 02:12"))
    assert [(one.kind, one.posted) for one in found] == [(Kind.METERED, 10)] * 3

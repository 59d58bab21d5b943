"""A season that was shut down: silence that is no gap, and a volume that is never spread over the winter."""

from collections.abc import Callable
from dataclasses import replace

from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.readings.quantities import FaceCount, Scale, Season, Settled
from tallywell.readings.total import Total

from .conftest import GALLON, RULES, at_ms

Intervals = Callable[..., list[Interval]]
SCALE = Scale(GALLON, 10**8)
WINTER = Season("winter", at_ms("00:20"), at_ms("150d 06:00"))


def face(count: int) -> FaceCount:
    return FaceCount(Total.exact(count), SCALE)


def told(found: list[Interval]) -> list[tuple[str, int, int, int, bool]]:
    return [(one.kind.name, one.posted, one.low, one.high, one.gap) for one in found]


def test_equal_readings_at_both_ends_are_an_explicit_zero(intervals: Intervals) -> None:
    text = """
        00:00 1000
        00:15 1010
        150d 06:10 1010
        150d 06:25 1020
    """
    found = intervals(text, seasons=(WINTER,))
    assert told(found)[1] == ("SHUT_DOWN", 0, 0, 0, False)
    assert not found[1].divides
    assert intervals(text, digits=7)[1].kind is Kind.QUESTION  # without the entry the register may have gone round


def test_what_was_pumped_in_a_shut_season_is_bounded_and_not_divided(intervals: Intervals) -> None:
    found = intervals("00:00 1000\n00:15 1010\n150d 06:10 90001010\n150d 06:25 90001020", seasons=(WINTER,))
    assert told(found)[1] == ("SHUT_DOWN", 90_000_000, 90_000_000, 90_000_000, False)
    assert not found[1].divides


def test_silence_before_the_shutdown_is_a_gap_like_any_other(intervals: Intervals) -> None:
    late = replace(WINTER, begin_ms=at_ms("2d 00:00"))
    found = intervals("00:00 1000\n00:15 1010\n150d 06:10 1500\n150d 06:25 1510", seasons=(late,))
    assert told(found)[1] == ("SHUT_DOWN", 490, 490, 490, True)


def test_what_the_face_showed_at_shutdown_and_startup_divides_the_silence(intervals: Intervals) -> None:
    season = Season("winter", at_ms("2d 00:00"), at_ms("150d 06:00"), face(1450), face(1450))
    found = intervals("00:00 1000\n00:15 1010\n150d 08:10 1500\n150d 08:25 1510", seasons=(season,))
    assert told(found)[1:] == [
        ("ACROSS_GAP", 440, 440, 440, True),
        ("SHUT_DOWN", 0, 0, 0, False),
        ("ACROSS_GAP", 50, 50, 50, True),
        ("METERED", 10, 10, 10, False),
    ]
    assert [one.segment.id for one in found] == ["seq 1"] * 5


def test_a_face_that_does_not_fit_is_left_out(intervals: Intervals) -> None:
    season = Season("winter", at_ms("2d 00:00"), at_ms("150d 06:00"), face(5450), None)
    found = intervals("00:00 1000\n00:15 1010\n150d 06:10 1500\n150d 06:25 1510", seasons=(season,))
    assert told(found)[1] == ("SHUT_DOWN", 490, 490, 490, True)


def test_a_meter_that_goes_on_to_be_read_is_metered_as_ever(intervals: Intervals) -> None:
    found = intervals("00:00 1000\n00:15 1010\n00:30 1010\n00:45 1015\n01:00 1015", seasons=(WINTER,))
    assert {one.kind for one in found} == {Kind.METERED}


def test_polls_missed_in_the_season_are_no_sign_of_a_dead_supply(intervals: Intervals) -> None:
    text = """
        00:00 1000
        00:15 1010
        1d 00:00 missed no_answer
        2d 00:00 happened unclean end
        150d 06:10 1010
        150d 06:25 1020
    """
    found = intervals(text, seasons=(WINTER,), rules=replace(RULES, may_stop_unpowered=True))
    assert told(found)[1] == ("SHUT_DOWN", 0, 0, 0, False)
    assert not found[1].missed


def test_a_season_that_has_not_ended_yet_lasts(intervals: Intervals) -> None:
    open_end = replace(WINTER, end_ms=None)
    found = intervals("00:00 1000\n00:15 1010\n30d 00:00 1010\n30d 00:15 1010", seasons=(open_end,))
    assert told(found)[1] == ("SHUT_DOWN", 0, 0, 0, False)


def test_a_meter_changed_over_the_winter_without_an_entry_is_no_rollover(intervals: Intervals) -> None:
    found = intervals("00:00 50001000\n00:15 50001010\n150d 06:10 7\n150d 06:25 8\n150d 06:40 9", seasons=(WINTER,))
    assert found[1].kind in {Kind.QUESTION, Kind.RESET}
    assert Flag.RESET_FITS in found[1].flags or found[1].kind is Kind.RESET


def test_a_glitch_before_the_shutdown_makes_no_question_of_the_winter(intervals: Intervals) -> None:
    text = "00:00 1000\n00:15 1010\n00:30 99999999\n150d 06:10 1010\n150d 06:25 1020\n150d 06:40 1030"
    found = intervals(text, seasons=(replace(WINTER, begin_ms=at_ms("00:31")),))
    assert told([one for one in found if one.kind is Kind.SHUT_DOWN]) == [("SHUT_DOWN", 0, 0, 0, False)]


def test_faces_at_two_winters_leave_a_question_to_the_summer_between_alone(intervals: Intervals) -> None:
    first = Season("one", at_ms("2d 00:20"), at_ms("150d 06:00"), face(1450), face(1450))
    second = Season("two", at_ms("400d 00:20"), at_ms("700d 06:00"), face(9000), face(9000))
    found = intervals("00:00 1000\n00:15 1010\n700d 08:10 9500\n700d 08:25 9510", seasons=(first, second))
    assert [(one.kind.name, one.posted) for one in found][2:5] == [
        ("SHUT_DOWN", 0),
        ("QUESTION", 7550),
        ("SHUT_DOWN", 0),
    ]


def test_a_slip_of_the_face_at_the_shutdown_is_not_used(intervals: Intervals) -> None:
    slip = replace(WINTER, shut=face(90_001_010), started=face(1_010))
    found = intervals("00:00 1000\n00:15 1010\n150d 06:10 1010\n150d 06:25 1020", seasons=(slip,))
    assert told(found)[1] == ("SHUT_DOWN", 0, 0, 0, False)


def test_readings_inside_a_season_that_was_not_kept_are_a_gap_like_any_other(intervals: Intervals) -> None:
    """Nobody entered the startup: the meter is read on both sides and its total moves, and its supply is in doubt."""
    open_ended = Season("winter", at_ms("00:00") - 200 * 86_400_000, None)
    text = "00:00 1000\n00:15 1010\n00:30 missed no_answer\n1d 00:00 missed no_answer\n20d 00:00 1500\n20d 00:15 1510"
    found = intervals(text, rules=replace(RULES, may_stop_unpowered=True), seasons=(open_ended,))
    assert [one.kind for one in found] == [Kind.METERED, Kind.LOWER_BOUND, Kind.METERED]
    assert found[1].high > 20_000_000


def test_polls_missed_behind_the_startup_are_a_sign_even_where_its_face_was_noted(intervals: Intervals) -> None:
    season = replace(WINTER, shut=face(1010), started=face(1010))
    text = "00:00 1000\n00:15 1010\n150d 07:00 missed no_answer\n150d 09:00 missed no_answer\n151d 08:10 1500\n"
    found = intervals(text, rules=replace(RULES, may_stop_unpowered=True), seasons=(season,))
    assert [one.kind for one in found][2:] == [Kind.SHUT_DOWN, Kind.LOWER_BOUND]


def test_a_question_over_a_season_is_not_divided_nor_is_its_answer(intervals: Intervals) -> None:
    season = replace(WINTER, begin_ms=at_ms("5d 00:20"))
    answer = Settled("answer", at_ms("20d 00:00"), 0)
    text = "00:00 1000\n00:15 1010\n150d 06:10 1510\n150d 06:25 1520"
    asked = intervals(text, digits=6, seasons=(season,))[1]
    settled = intervals(text, digits=6, seasons=(season,), settled=(answer,))[1]
    assert (asked.kind, settled.kind) == (Kind.QUESTION, Kind.SHUT_DOWN)
    assert not asked.divides
    assert not settled.divides
    assert (settled.posted, settled.low, settled.high) == (500, 500, 500)

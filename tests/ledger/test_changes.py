"""Change-outs, resets, moves and other serial numbers: what ends a segment by somebody's word."""

from collections.abc import Callable
from dataclasses import replace

from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.readings.quantities import Change, FaceCount, Installed, Scale
from tallywell.readings.total import Total

from .conftest import GALLON, RULES, at_ms

Intervals = Callable[..., list[Interval]]
Lines = Callable[..., list[str]]
SCALE = Scale(GALLON, 10**8)


def changed(clock: str, first: int | None, final: int | None = None, change: Change = Change.CHANGED) -> Installed:
    face = None if final is None else FaceCount(Total.exact(final), SCALE)
    return Installed("new", at_ms(clock), first, "B-2", change=change, final=face)


def kinds(found: list[Interval]) -> list[tuple[str, int]]:
    return [(one.kind.name, one.posted) for one in found]


def test_an_old_meter_counts_up_to_its_final_count_and_the_new_one_from_its_first(intervals: Intervals) -> None:
    """Old meter 1000 to 1500, new one 12 to 300: 788 counts (the fields of Kansas form DWR 1-560, numbers invented)."""
    found = intervals(
        """
        00:00 1000
        00:15 1400
        00:45 100
        01:00 300
    """,
        installed=(changed("00:30", 12, final=1500),),
    )
    assert kinds(found) == [
        ("METERED", 400),
        ("TO_FINAL_COUNT", 100),
        ("CHANGE_OUT", 0),
        ("FROM_FIRST_COUNT", 88),
        ("METERED", 200),
    ]
    assert sum(one.posted for one in found) == 788
    assert (found[2].low, found[2].high) == (0, 0)
    assert [one.segment.id for one in found] == ["seq 1", "seq 1", "seq 1", "new", "new"]


def test_an_unreadable_final_count_leaves_what_the_old_meter_counted_last_unknown(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 1000
        00:15 1400
        00:45 100
        01:00 300
    """,
        installed=(changed("00:30", 12),),
    )
    assert kinds(found) == [("METERED", 400), ("CHANGE_OUT", 0), ("FROM_FIRST_COUNT", 88), ("METERED", 200)]
    assert found[1].high == 30_084  # the person's watch may be 15 min off


def test_a_final_count_that_cannot_follow_is_said_and_not_posted(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 1000
        00:15 1400
        00:45 100
        01:00 300
    """,
        installed=(changed("00:30", 12, final=1300),),
    )
    assert kinds(found)[1] == ("CHANGE_OUT", 0)
    assert Flag.FINAL_UNFIT in found[1].flags
    assert found[1].high == 30_084  # the person's watch may be 15 min off


def test_a_final_count_is_taken_in_the_face_that_it_was_read_from(intervals: Intervals) -> None:
    tens = FaceCount(Total(150, 150, 151), Scale(GALLON * 10, 10**7))
    entry = replace(changed("00:30", 12), final=tens)
    found = intervals("00:00 1000\n00:15 1400\n00:45 100\n01:00 300", installed=(entry,))
    assert (found[1].kind, found[1].posted, found[1].low, found[1].high) == (Kind.TO_FINAL_COUNT, 100, 100, 110)


def test_a_watch_that_is_slow_does_not_take_the_new_meters_readings_for_the_old_ones(intervals: Intervals) -> None:
    """The change was made at 00:20 and noted for 00:31: the readings at 00:30 and before tell."""
    found = intervals(
        """
        00:00 50000000
        00:15 50000100
        00:30 40
        00:45 140
        01:00 240
    """,
        installed=(changed("00:31", 12, final=50_000_120),),
    )
    assert kinds(found) == [
        ("METERED", 100),
        ("TO_FINAL_COUNT", 20),
        ("CHANGE_OUT", 0),
        ("FROM_FIRST_COUNT", 28),
        ("METERED", 100),
        ("METERED", 100),
    ]
    assert all(Flag.TIME_UNCERTAIN not in one.flags for one in found)


def test_a_watch_that_is_fast_does_not_take_the_old_meters_readings_for_the_new_ones(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 50000000
        00:15 50000100
        00:30 50000200
        00:45 140
        01:00 240
    """,
        installed=(changed("00:20", 12, final=50_000_220),),
    )
    assert kinds(found) == [
        ("METERED", 100),
        ("METERED", 100),
        ("TO_FINAL_COUNT", 20),
        ("CHANGE_OUT", 0),
        ("FROM_FIRST_COUNT", 128),
        ("METERED", 100),
    ]
    assert all(Flag.TIME_UNCERTAIN not in one.flags for one in found)


def test_a_reset_that_a_person_states_goes_on_from_its_first_count(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 50000000
        00:15 50000100
        00:30 20
        00:45 120
    """,
        installed=(changed("00:20", 0, change=Change.RESET),),
    )
    assert kinds(found) == [("METERED", 100), ("RESET", 0), ("FROM_FIRST_COUNT", 20), ("METERED", 100)]


def test_where_the_meter_was_taken_away_whatever_answers_is_confirmed_by_nobody(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 1000
        00:15 1010
        00:45 5000
        01:00 5010
    """,
        installed=(changed("00:30", None, final=1015, change=Change.REMOVED),),
    )
    assert kinds(found) == [("METERED", 10), ("TO_FINAL_COUNT", 5), ("CHANGE_OUT", 0), ("METERED", 10)]
    assert not found[-1].segment.confirmed
    assert Flag.FIRST_COUNT_UNKNOWN not in found[2].flags


def test_another_serial_number_begins_a_segment_that_is_withheld(intervals: Intervals) -> None:
    serial = Installed("seq 3", at_ms("00:20"), None, "B-2", change=Change.SERIAL, after_seq=3, withheld=True)
    found = intervals(
        """
        00:00 1000
        00:15 1010
        00:20 happened serial
        00:30 1020
        00:45 1030
    """,
        installed=(serial,),
    )
    assert kinds(found) == [("METERED", 10), ("CHANGE_OUT", 0), ("METERED", 10)]
    assert Flag.OTHER_SERIAL in found[1].flags
    assert [one.segment.withheld for one in found] == [False, False, True]
    assert found[-1].segment.serial == "B-2"


def test_an_installation_noted_late_counts_nothing_twice(intervals: Intervals) -> None:
    """The meter was read from 00:00 on; the entry says 00:40, and that the face showed 12 then."""
    text = """
        00:00 12
        00:15 112
        00:30 212
        00:45 312
        01:00 412
    """
    for clock in ("00:05", "00:40"):
        found = intervals(text, installed=(changed(clock, 12, change=Change.INSTALLED),))
        assert sum(one.posted for one in found) == 400
        assert found[-1].segment.id == "new"


def test_a_change_out_noted_an_hour_late_counts_nothing_twice(intervals: Intervals) -> None:
    found = intervals(
        """
        00:00 50000000
        00:15 50000100
        00:30 12
        00:45 112
        01:00 212
        01:15 312
        01:30 412
        01:45 512
    """,
        installed=(changed("01:20", 12),),
    )
    assert sum(one.posted for one in found if one.begin_ms >= at_ms("00:30")) == 500
    assert [one.segment.id for one in found][-2:] == ["seq 3", "new"]


def test_an_entry_that_the_readings_contradict_is_not_used_and_the_interval_says_so(intervals: Intervals) -> None:
    """Nothing was exchanged at 00:50, or its total went with it: the readings run on, far above the count entered."""
    text = "\n".join(f"{minutes // 60:02}:{minutes % 60:02} {900_000 + minutes}" for minutes in range(0, 135, 15))
    reset = changed("00:50", 0, change=Change.RESET)
    for entry, until in ((changed("00:50", 12, final=900_050), "01:00"), (reset, "01:15")):
        found = intervals(text, installed=(entry,))
        assert sum(one.posted for one in found) == 120
        assert {one.segment.id for one in found} == {"seq 1"}
        assert [one.end_ms for one in found if Flag.ENTRY_UNFIT in one.flags] == [at_ms(until)]


def test_a_first_count_that_leads_nowhere_leaves_the_meter_the_entrys_own(intervals: Intervals) -> None:
    """0012 was read for 5012: what ran before the first reading is unknown, and whose meter it is, is not."""
    text = "00:00 90000\n00:15 90010\n00:45 65020\n01:00 65030\n01:15 65040\n01:30 65050"
    found = intervals(text, installed=(changed("00:30", 12, final=90_015),))
    assert kinds(found)[1:4] == [("TO_FINAL_COUNT", 5), ("CHANGE_OUT", 0), ("IMPOSSIBLE_STEP", 0)]
    assert Flag.FIRST_UNFIT in found[3].flags
    assert found[3].high == 30_084
    behind = found[4].segment
    assert (behind.id, behind.confirmed, behind.serial) == ("seq 3", True, "B-2")
    assert sum(one.posted for one in found) == 45


def test_a_glitch_behind_a_change_out_does_not_speak_against_its_first_count(intervals: Intervals) -> None:
    found = intervals(
        "00:00 90000\n00:15 90010\n00:45 99000000\n01:00 112\n01:15 212", installed=(changed("00:30", 12),)
    )
    assert sum(one.posted for one in found) == 10 + 200
    assert found[-1].segment.id == "new"


def test_between_a_removal_and_the_next_installation_nothing_is_unknown_beyond_it(intervals: Intervals) -> None:
    gone = replace(changed("00:30", None, final=5020, change=Change.REMOVED), uuid="gone")
    found = intervals("00:00 5000\n00:15 5010\n9d 00:30 100\n9d 00:45 110", installed=(gone, changed("2d 00:00", 12)))
    between = next(one for one in found if one.kind is Kind.CHANGE_OUT)
    assert (between.begin_ms, between.end_ms) == (at_ms("00:30"), at_ms("2d 00:00"))
    assert sum(one.posted for one in found) == 10 + 10 + 88 + 10


def test_two_change_outs_in_one_silence_post_what_the_meter_between_them_counted(intervals: Intervals) -> None:
    """1400 to 1500 on the first, 12 to 5012 on the second, 20 to 310 on the third."""
    second = replace(changed("2d 00:31", 20, final=5012), uuid="second")
    text = "00:00 1000\n00:15 1400\n2d 00:45 100\n2d 01:00 300\n2d 01:15 310"
    found = intervals(text, installed=(changed("00:30", 12, final=1500), second))
    assert sum(one.posted for one in found) == 400 + 100 + 5000 + 290
    assert [one.segment.id for one in found if one.posted] == ["seq 1", "seq 1", "new", "second", "second", "second"]


def test_a_supply_that_may_have_failed_is_not_forgotten_at_a_change_out(intervals: Intervals) -> None:
    text = (
        "00:00 1000\n00:15 1400\n00:45 missed no_answer\n02:00 missed no_answer\n05:00 missed no_answer\n"
        "10:00 100\n10:15 300"
    )
    rules = replace(RULES, may_stop_unpowered=True)
    found = intervals(text, rules=rules, installed=(changed("00:30", 12, final=1500),))
    behind = next(one for one in found if one.segment.id == "new")
    assert (behind.kind, behind.posted, behind.low, behind.high) == (Kind.LOWER_BOUND, 88, 88, 585_084)


def test_what_is_withheld_stays_so_when_that_meter_is_reset(intervals: Intervals) -> None:
    other = Installed("seq 3", at_ms("00:20"), None, "B-2", change=Change.SERIAL, after_seq=3, withheld=True)
    found = intervals(
        """
        00:00 1000
        00:15 1010
        00:20 happened serial
        00:30 50000
        00:45 50030
        01:00 10
        01:15 1010
        01:30 2010
        01:45 3010
    """,
        installed=(other,),
    )
    assert [one.segment.withheld for one in found if one.begin_ms >= at_ms("00:30")] == [True] * 5
    assert found[-1].segment.serial == "B-2"


def test_a_reset_that_is_entered_leaves_what_ran_between_two_readings_open(intervals: Intervals) -> None:
    found = intervals(
        "00:00 50000\n00:15 50400\n00:30 3\n00:45 300\n01:00 350", installed=(changed("00:20", 0, change=Change.RESET),)
    )
    reset = next(one for one in found if one.kind is Kind.RESET)
    assert (reset.posted, reset.low, reset.high) == (0, 0, 15_084)
    assert sum(one.posted for one in found) == 400 + 350


def test_a_net_total_is_taken_to_its_final_count_and_from_its_first(intervals: Intervals) -> None:
    rules = replace(RULES, net=True)
    found = intervals(
        "00:00 1000\n00:15 1010\n00:45 -5\n01:00 -10", rules=rules, installed=(changed("00:20", 0, final=900),)
    )
    assert [one.posted for one in found] == [10, -110, 0, -5, -5]

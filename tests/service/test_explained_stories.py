"""What `explain` says where one thing happened: each named, with its author, and every sum true."""

import re
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.periods import edges_ms, month
from tallywell.readings.units import GALLON
from tallywell.reports.shown_units import RateUnit, volume_unit
from tallywell.service.accepted import accepted_site
from tallywell.service.explained_words import beside_it, sentences
from tallywell.service.explaining import around, explained, piece_of
from tallywell.store.query import Reader
from tests.reports import stories
from tests.service.explained_sums import sums_are_true
from tests.service.made_record import MAP, MadeRecord, at

ZONE = ZoneInfo("America/Denver")
UNIT, RATE = volume_unit("gal", [100 * GALLON]), RateUnit("gpm")
Told = Callable[[str], list[str]]
DAY_MS = 86_400_000


def told_of(made: MadeRecord, begin_ms: int, end_ms: int) -> list[str]:
    made.flush()
    with Reader(made.folder) as reader:
        point = accepted_site(reader).site.points["north-discharge"]
        return list(sentences(explained(reader, point, begin_ms, end_ms), UNIT, RATE, ZONE))


def of_day(made: MadeRecord, day: str) -> list[str]:
    return told_of(made, at(f"{day} 00:00"), at(f"{day} 00:00") + DAY_MS)


def of_month(made: MadeRecord, name: str) -> list[str]:
    edges = edges_ms(month(name), ZONE)
    return told_of(made, edges[0], edges[-1])


def only(lines: list[str], part: str) -> str:
    (found,) = [line for line in lines if part in line]
    return found


@pytest.mark.parametrize(
    "story",
    [
        stories.change_out,
        stories.other_serial,
        stories.empty_pipe,
        stories.power_lost,
        stories.stuck_totalizer,
        stories.settled,
        stories.undated,
    ],
)
def test_every_sum_is_true(story: stories.Story, tmp_path: Path) -> None:
    made, _ = story(tmp_path)
    for day in ("2026-07-02", "2026-07-03", "2026-07-04"):
        lines = of_day(made, day)
        assert sums_are_true(lines) >= 3, lines


def test_the_bounds_of_the_volume_are_those_that_are_summed(tmp_path: Path) -> None:
    made, _ = stories.power_lost(tmp_path)
    lines = of_day(made, "2026-07-03")
    assert lines[0] == "volume 93,600 US gal, at least 93,100, at most 2,623,800 US gal"
    assert lines[2] == "  at least 931 counts: 936 - 5 (begin higher) - 0 (end lower)"
    assert lines[3].startswith("  at most 26,238 counts: 936 + 0 (begin lower) + 5 (end higher) + 25,297 (not sure in ")


def test_an_edge_at_which_the_pump_stands_leaves_nothing_open(tmp_path: Path) -> None:
    """From the midst of pumping, where a clock right within 50 ms leaves one count open, to an hour of rest."""
    made, _ = stories.empty_pipe(tmp_path)
    lines = told_of(made, at("2026-07-02 09:00"), at("2026-07-02 12:00"))
    assert lines[2] == "  at least 443 counts: 448 - 5 (begin higher) - 0 (end lower)"
    assert lines[3] == "  at most 449 counts: 448 + 1 (begin lower) + 0 (end higher)"


@pytest.mark.parametrize("minute", ["09:00", "09:07", "12:00", "11:59"])
def test_each_bound_of_an_edge_has_its_sentence(minute: str, tmp_path: Path) -> None:
    made, _ = stories.empty_pipe(tmp_path)
    lines = told_of(made, at(f"2026-07-02 {minute}"), at("2026-07-05 00:00"))
    (begin,) = [place for place, line in enumerate(lines) if line.startswith("begin, ")]
    found = re.search(r", between ([\d,]+) and ([\d,]+)", lines[begin])
    below = [line for line in lines[begin + 1 : begin + 5] if line.startswith("  at ")]
    if found is None:
        assert below == []
        return
    least, most = below
    assert least.startswith(f"  at least {found[1]}")
    assert most.startswith(f"  at most {found[2]}")
    assert not any("bounded by what lies around it alone" in line for line in lines)


def test_counts_of_two_volumes_are_summed_each_by_its_own(tmp_path: Path) -> None:
    """A corrected map from noon on: one count is a tenth of what it was."""
    made, _ = stories.ten_times(tmp_path)
    made.flush()
    with Reader(made.folder) as reader:
        first, _ = reader.seq_range(at("2026-07-03 12:00"), at("2026-07-03 12:00"))
        last = reader.newest_seq()
    content: dict[str, object] = {"map": MAP.replace("one_count: 100 gal", "one_count: 10 gal"), "sha256": ""}
    content |= {"name": "inline-a", "first_seq": first, "last_seq": last, "from_ms": 1, "to_ms": 2}
    made.enter(at("2026-07-06 03:00"), "reread", content | {"because": "ten times too much"})
    lines = of_day(made, "2026-07-03")
    assert lines[1] == "  = 5,264 counts x 100 US gal a count + 5,376 counts x 10 US gal a count"
    assert lines[0].startswith(f"volume {5_264 * 100 + 5_376 * 10:,} US gal, ")
    assert only(lines, "scale changed: nothing is posted")
    inside = told_of(made, at("2026-07-03 00:00"), at("2026-07-03 11:50"))
    assert only(inside, "in a stretch that posts nothing (scale changed), between reading")
    assert not any("divided by time" in line for line in inside)


# --- seasons


def test_a_season_in_which_the_total_stood_is_an_explicit_zero(tmp_path: Path) -> None:
    made, _ = stories.winter_equal(tmp_path)
    lines = of_month(made, "2027-01")
    assert lines[1] == "  = 0 counts x 100 US gal a count: an explicit zero, since the total was read and did not move"
    assert only(lines, "an explicit zero for all of it")
    assert not any("unallocated" in line for line in lines)
    assert only(lines, ", shutdown, ").endswith("by ana: face 00027920")
    assert only(lines, ", startup, ").endswith("by ana: face 00027920")


def test_a_season_in_which_it_moved_is_unallocated_and_no_zero(tmp_path: Path) -> None:
    made, _ = stories.winter_different(tmp_path)
    lines = of_month(made, "2027-01")
    assert only(lines, "not in it: 900 counts = 90,000 US gal that nobody can date")
    assert only(lines, "none of it is divided: it is unallocated")
    assert not any("explicit zero" in line for line in lines)


# --- whose counts they are


def test_counts_of_an_unexplained_serial_number_are_withheld(tmp_path: Path) -> None:
    made, _ = stories.other_serial(tmp_path)
    lines = of_day(made, "2026-07-03")
    assert lines[1] == "  = 3,920 counts x 100 US gal a count"
    assert only(lines, "not in it: 336 counts = 33,600 US gal of a meter whose serial number no entry explains")
    assert only(lines, "withheld from the well's volume: the meter gives serial B-7, and no entry explains it")
    alone = of_day(made, "2026-07-04")
    assert alone[0].startswith("no volume: all that was counted in it is withheld"), "no zero is claimed"


def test_a_moment_in_a_withheld_stretch_says_so(tmp_path: Path) -> None:
    made, _ = stories.other_serial(tmp_path)
    made.flush()
    with Reader(made.folder) as reader:
        point = accepted_site(reader).site.points["north-discharge"]
        one = around(reader, point, at("2026-07-04 12:00")).interval
    assert one is not None
    assert only(list(beside_it(piece_of(one, one.begin_ms, one.end_ms), ZONE)), "withheld from the well's volume")


# --- what people stated


def test_a_change_out_is_named_with_what_was_noted(tmp_path: Path) -> None:
    made, _ = stories.change_out(tmp_path)
    lines = of_day(made, "2026-07-03")
    said = only(lines, ", changeout, ")
    for part in (
        "by ana: serial A-2077",
        "converter C-31",
        "final count 00023022",
        "face 00000012",
        "display was dark",
    ):
        assert part in said
    assert only(lines, ", installation, ").endswith("serial A-1042, first count on the face 00010000")
    assert only(lines, ", accuracy-test, ").endswith("it changes no volume")
    assert not any(", installation, " in line for line in of_day(made, "2026-07-04")), "another meter hangs there"
    assert only(of_day(made, "2026-07-04"), ", changeout, ")


def test_estimates_stand_beside_the_volume(tmp_path: Path) -> None:
    made, _ = stories.estimates(tmp_path)
    addition = only(of_day(made, "2026-07-03"), ", estimate, ")
    assert "360,000 US gal in addition to what was metered from 2026-07-03 01:00:00" in addition
    assert addition.endswith("in the report's total, never in a metered volume")
    assert "instead of what was metered" in only(of_day(made, "2026-07-05"), ", estimate, ")
    assert not any(", estimate, " in line for line in of_day(made, "2026-07-02"))


def test_answers_are_named_with_their_author(tmp_path: Path) -> None:
    made, _ = stories.settled(tmp_path)
    said = only(of_day(made, "2026-07-03"), ", settle, ")
    assert said.endswith("by ana: the totalizer was reset, to 00000000 on the face")


def test_an_answer_where_no_question_is_open_says_that_it_does_nothing(tmp_path: Path) -> None:
    made, _ = stories.out_of_use(tmp_path)
    made.enter(at("2026-07-05 12:00"), "settle", {"rounds": 2, "note": ""}, about=at("2026-07-03 12:05"))
    said = only(of_day(made, "2026-07-03"), ", settle, ")
    assert said.endswith("the totalizer went round 2 times; no question is open there, so it settles nothing")


def test_an_answer_that_settled_a_question_is_named_alone(tmp_path: Path) -> None:
    """A register of five digits that may have gone round in a gap of a day and a half."""
    short = MAP.replace("digits: 8", "digits: 5")
    made = stories.begun(tmp_path, "2026-07-01 00:00", maps={"inline-a.yaml": short})
    last = stories.pumped(made, "2026-07-01 01:00", "2026-07-02 12:00", 10_000)
    stories.pumped(made, "2026-07-04 00:00", "2026-07-06 02:00", last + 40)
    made.enter(at("2026-07-05 12:00"), "settle", {"rounds": 1, "note": ""}, about=at("2026-07-03 12:05"))
    lines = of_day(made, "2026-07-03")
    assert only(lines, ", settle, ").endswith("by ana: the totalizer went round 1 times")
    assert only(lines, "settled by a person, a hand reading or the flow rate")
    assert only(
        lines, "118,552 of reading 181 (its 18,552, run on past the capacity) - 74,019, the most that passes in"
    )
    assert sums_are_true(lines) >= 3


def test_two_hand_readings_of_one_minute_are_told_apart(tmp_path: Path) -> None:
    made, _ = stories.out_of_use(tmp_path)
    for shows in ("00010000", "00010040"):
        made.enter(at("2026-07-03 09:00"), "visit", {"shows": shows, "agency": False, "note": ""})
    lines = of_day(made, "2026-07-03")
    assert only(lines, "face 00010000, register 00010000: the same")
    assert only(lines, "face 00010040, register 00010000: 40 above it; DIFFERS")


def test_an_entry_that_the_readings_contradict_is_called_so(tmp_path: Path) -> None:
    made, _ = stories.empty_pipe(tmp_path)
    reset: dict[str, object] = {"reset": True, "first_count": "00000000", "note": ""}
    made.enter(at("2026-07-05 12:00"), "settle", reset, about=at("2026-07-02 06:05"))
    said = only(of_day(made, "2026-07-02"), ", settle, ")
    assert said.endswith(
        "the totalizer was reset, to 00000000 on the face; it is not used, since the readings run on past it"
    )


def test_the_meter_s_own_word_is_said_once_for_all_of_it(tmp_path: Path) -> None:
    """A pipe that stands empty for a day is one run, not a line a poll."""
    made, _ = stories.empty_pipe(tmp_path)
    lines = of_day(made, "2026-07-03")
    assert only(lines, "the meter says: empty pipe")
    assert only(lines, "61 intervals, not counting by the meter's own word")


def test_what_else_was_stated_is_named(tmp_path: Path) -> None:
    made, _ = stories.out_of_use(tmp_path)
    made.enter(at("2026-07-03 09:00"), "visit", {"shows": "00010000", "agency": True, "note": "with Ana"})
    lines = of_day(made, "2026-07-03")
    assert "face 00010000, register 00010000: the same; agrees" in only(lines, ", visit, ")
    assert only(lines, ", visit, ").endswith("the agency's own person; with Ana")
    assert "out of use from 2026-06-01 00:00:00 -06:00 on: the field lies fallow" in only(lines, ", out-of-use, ")
    assert "wire seal S-118 found whole" in only(lines, ", wireseal, ")
    assert "the valve is locked" in only(lines, ", remark, ")


def test_an_entry_that_cannot_be_taken_says_so_where_it_would_stand(tmp_path: Path) -> None:
    made, _ = stories.out_of_use(tmp_path)
    made.enter(at("2026-07-03 10:00"), "visit", {"shows": "a lot"})
    assert only(of_day(made, "2026-07-03"), "it cannot be taken (entry ")


def test_a_corrected_map_and_corrected_dates_are_named(tmp_path: Path) -> None:
    made, _ = stories.out_of_use(tmp_path)
    made.flush()
    with Reader(made.folder) as reader:
        last = reader.newest_seq()
    (map_,) = made.maps.values()
    seqs: dict[str, object] = {"first_seq": 1, "last_seq": last}
    kept = {"map": map_, "sha256": "", "name": "inline-a", "from_ms": 1, "to_ms": 2, "because": "plate misread"}
    made.enter(at("2026-07-06 03:00"), "reread", seqs | kept)
    made.enter(at("2026-07-06 03:00"), "redate", seqs | {"shift_ms": 3_600_000, "within_ms": 60_000, "because": "DST"})
    lines = of_day(made, "2026-07-03")
    assert "are read by map inline-a (" in only(lines, ", reread, ")
    assert only(lines, ", redate, ").endswith(f"rows 1 to {last} are dated 1 h 00 min later: DST")

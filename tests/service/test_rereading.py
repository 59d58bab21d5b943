"""History under a corrected map: shown first, then in force; the words stay as they came."""

from dataclasses import replace
from pathlib import Path

import pytest

from tallywell.ledger.periods import month
from tallywell.readings.units import GALLON
from tallywell.reports.csv_layout import csv
from tallywell.reports.text import text
from tallywell.service.accepted import accepted_site
from tallywell.service.rereading import NOT_ASKED, Effect, candidate, effect
from tallywell.stated.content import EntryError
from tallywell.stated.rereads import Reread, in_force_at, reread_content
from tallywell.store.canonical import canonical
from tallywell.store.query import Reader

from .made_record import MAP, QUARTER_MS, MadeRecord, at, made_record

POINT = "north-discharge"
TENFOLD = MAP.replace("one_count: 100 gal", "one_count: 10 gal")
SWAPPED = MAP.replace("type: uint32", "type: uint32, word_order: low_word_first")
ELSEWHERE = MAP.replace("register: 2", "register: 200")


@pytest.fixture
def july(tmp_path: Path) -> MadeRecord:
    made, now, count = made_record(tmp_path, "2026-07-01 00:00"), at("2026-06-30 22:00"), 5_000
    while now < at("2026-08-01 03:00"):
        made.read(now, forward_total=count, flow_rate=46.7)
        count, now = count + 7, now + QUARTER_MS
    made.flush()
    return made


def of(made: MadeRecord, text: str, begin: str | None = None, end: str | None = None) -> Reread:
    with Reader(made.folder) as reader:
        point = accepted_site(reader).site.points[POINT]
        span = None if begin is None else at(begin), None if end is None else at(end)
        return candidate(reader, point, span, text, "inline-a")


def enter(made: MadeRecord, of: Reread, replaces: str | None = None) -> str:
    content = reread_content(replace(of, because="read off the plate wrongly"))
    return made.enter(at("2026-08-01 05:00"), "reread", content, of.from_ms, replaces)


def gallons(made: MadeRecord, name: str = "2026-07") -> object:
    volume = made.report(month(name)).points[0].volume
    return None if volume is None else volume.m3 / GALLON


def test_the_same_map_changes_nothing(july: MadeRecord) -> None:
    before = july.report(month("2026-07"))
    enter(july, of(july, MAP))
    after = july.report(month("2026-07"))
    assert replace(after.points[0], stated=before.points[0].stated) == before.points[0]


def test_the_change_is_shown_before_anything_is_entered(july: MadeRecord) -> None:
    found = of(july, TENFOLD)
    with Reader(july.folder) as reader:
        site = accepted_site(reader).site
        shown = effect(reader, site, site.points[POINT], found)
    assert [one.label for one in shown.months] == ["2026-06", "2026-07", "2026-08"]
    july_of = shown.months[1]
    assert july_of.before_m3 == 31 * 96 * 7 * 100 * GALLON
    assert july_of.after_m3 == 31 * 96 * 7 * 10 * GALLON
    assert not shown.unread
    assert shown.first[0][2:] == ("5,000 counts", "5,000 counts")
    assert gallons(july) == 31 * 96 * 7 * 100


def test_in_force_it_holds_for_its_polls_and_no_others(july: MadeRecord) -> None:
    entered = of(july, TENFOLD)
    enter(july, entered)
    assert gallons(july) == 31 * 96 * 7 * 10
    assert july.report(month("2026-07")).maps != {}


def test_a_stretch_of_history_has_its_own_scale(july: MadeRecord) -> None:
    """From the 16th on: two scales, so a segment ends there and the step between the two posts nothing."""
    enter(july, of(july, TENFOLD, "2026-07-16 00:00"))
    point = july.report(month("2026-07")).points[0]
    assert point.volume is not None
    assert point.volume.m3 / GALLON == (15 * 96 - 1) * 7 * 100 + 16 * 96 * 7 * 10
    assert any(remark.kind.value == "scale changed" for remark in point.remarks)


def test_the_last_word_holds_and_may_be_replaced(july: MadeRecord) -> None:
    first = enter(july, of(july, TENFOLD))
    enter(july, of(july, MAP))
    assert gallons(july) == 31 * 96 * 7 * 100
    enter(july, of(july, TENFOLD), replaces=first)
    assert gallons(july) == 31 * 96 * 7 * 10


def seen(made: MadeRecord, of_: Reread) -> Effect:
    with Reader(made.folder) as reader:
        site = accepted_site(reader).site
        return effect(reader, site, site.points[POINT], of_)


def test_registers_that_were_never_asked_for_cannot_be_read(july: MadeRecord) -> None:
    found = of(july, ELSEWHERE)
    shown = seen(july, found)
    assert shown.months[1].after_m3 is None
    assert shown.unread == ((NOT_ASKED, shown.polls),)
    assert shown.first[0][2:] == ("5,000 counts", NOT_ASKED)
    assert not shown.fits
    enter(july, found)
    assert gallons(july) is None
    assert july.report(month("2026-07")).points[0].no_readings


def test_a_map_by_which_polls_can_no_longer_be_read_does_not_fit(july: MadeRecord) -> None:
    """The words swapped are beyond eight digits, but for a few by accident."""
    shown = seen(july, of(july, SWAPPED))
    assert not shown.fits
    assert dict(shown.unread)["out_of_range"] > shown.readable * 9 // 10
    assert seen(july, of(july, TENFOLD)).fits


def test_numbers_that_follow_from_none_of_their_neighbours_do_not_fit_either(july: MadeRecord) -> None:
    """Without digits every word is a number; swapped, the total seems to leap at each poll."""
    shown = seen(july, of(july, SWAPPED.replace(", digits: 8", "")))
    assert not shown.unread
    assert shown.misfits > shown.readable // 20
    assert not shown.fits


def test_one_poll_in_twenty_may_be_lost() -> None:
    whole = Effect((), 100, 100, (("no_value", 5),), 0, (), False, ())
    assert whole.fits
    assert not replace(whole, misfits=1).fits
    assert replace(whole, readable=0, unread=()).fits, "where nothing was readable, nothing is lost"


def test_the_same_map_differs_in_nothing(july: MadeRecord) -> None:
    same = seen(july, of(july, MAP.replace("revision: 1", "revision: 2")))
    assert same.same
    assert not seen(july, of(july, TENFOLD)).same


def test_where_the_volume_of_one_count_comes_to_change_is_told(july: MadeRecord) -> None:
    (step,) = seen(july, of(july, TENFOLD, "2026-07-16 00:00")).steps
    assert (step.begin_ms, step.end_ms) == (at("2026-07-15 23:45"), at("2026-07-16 00:00"))
    assert step.posted == 0
    assert not seen(july, of(july, TENFOLD)).steps


def test_another_word_order_is_another_number(july: MadeRecord) -> None:
    shown = seen(july, of(july, SWAPPED))
    assert shown.first[0][2] == "5,000 counts"
    assert shown.first[0][3] != "5,000 counts"


def test_a_stretch_without_polls_is_refused(july: MadeRecord) -> None:
    nothing = of(july, TENFOLD, "2027-01-01 00:00")
    assert nothing.first_seq > nothing.last_seq
    with pytest.raises(EntryError, match="no poll of the point"):
        reread_content(nothing)


def test_what_is_kept_is_whole() -> None:
    one = Reread("a", 5, 10, 20, 1, 2, "inline-a", MAP, "wrong", "ana")
    other = replace(one, uuid="b", seq=6, first_seq=15, last_seq=30)
    assert canonical(dict(reread_content(one))).count(one.sha256) == 1
    assert [found.uuid if (found := in_force_at((other, one), seq)) else None for seq in (9, 10, 15, 30, 31)] == [
        None,
        "a",
        "b",
        "b",
        None,
    ]


def test_the_stretch_is_just_that_which_was_asked_for(july: MadeRecord) -> None:
    found = of(july, TENFOLD, "2026-07-10 01:00", "2026-07-10 02:00")
    assert (found.from_ms, found.to_ms) == (at("2026-07-10 01:00"), at("2026-07-10 01:45"))


def test_what_is_shown_is_what_comes_to_be_where_it_replaces_another(july: MadeRecord) -> None:
    first = enter(july, of(july, TENFOLD))
    second = of(july, MAP, "2026-07-20 00:00")
    july.flush()
    with Reader(july.folder) as reader:
        site = accepted_site(reader).site
        shown = effect(reader, site, site.points[POINT], second, first)
    enter(july, second, replaces=first)
    july_of, volume = shown.months[0], july.report(month("2026-07")).points[0].volume
    assert volume is not None
    assert (july_of.label, july_of.after_m3) == ("2026-07", volume.m3)


def test_a_report_names_what_it_read_again(july: MadeRecord) -> None:
    enter(july, of(july, TENFOLD))
    report = july.report(month("2026-07"))
    assert [one.map for one in report.points[0].stated.read_again] == ["inline-a"]
    told = " ".join(text(report).split())
    assert "Read again under a corrected map" in told
    assert "read off the plate wrongly" in told
    assert ",noted,read again," in csv(report)

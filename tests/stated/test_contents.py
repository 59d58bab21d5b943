"""Contents of entries: what is made here is read here, and what cannot be taken says why."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Change, Scale
from tallywell.readings.statements import Method, Standing
from tallywell.readings.total import Total
from tallywell.readings.units import GALLON, measure
from tallywell.reports.face import Face
from tallywell.stated.clock import clock_content, redate_content
from tallywell.stated.content import EntryError, in_force, replaced_by
from tallywell.stated.estimates import Inputs, Span, check_input, estimate, estimate_content, reckoned
from tallywell.stated.meters import (
    ChangeOut,
    Move,
    changeout_content,
    installation_content,
    installed,
    meter,
    moved_content,
    settle_content,
    settled,
)
from tallywell.stated.notes import (
    SealState,
    accuracy_test,
    accuracy_test_content,
    error_between,
    error_in_words,
    error_of,
    out_of_use,
    out_of_use_content,
    remark_content,
    remarked,
    wireseal,
    wireseal_content,
)
from tallywell.stated.seasons import season_content
from tallywell.stated.told import KINDS, OF_A_POINT, Of, told
from tallywell.stated.visits import visit_content, visited

FACE = Face(measure("100 gal", "volume"), 8)
FINE = Face(measure("1 m3", "volume"), 7)
SCALE = Scale(measure("1 gal", "volume").si, 10**10)
POINT = Of(1, "north-discharge", FACE, SCALE)


def entry(content: object, kind: str = "visit", *, at: int = 4_000, uuid: str = "uuid-7", point: int = 1) -> Entry:
    text = content if isinstance(content, str) else json.dumps(content)
    return Entry(7, uuid, 1, 1000, 5_000, at, kind, point, "ana", None, text)


# --- visits


def test_a_visit_comes_back_in_the_books_counts_with_one_step_of_the_face() -> None:
    found = visited(entry(visit_content(" 00092545 ", FACE, "dry", agency=True)), FACE, SCALE)
    assert (found.uuid, found.about_ms, found.author, found.note, found.agency) == (
        "uuid-7",
        4_000,
        "ana",
        "dry",
        True,
    )
    assert found.shows == "00092545"
    assert found.reading.total == Total(9_254_500, 9_254_500, 9_254_600)
    assert found.reading.capacity == 10**10


def test_what_the_inbox_adds_to_a_content_does_no_harm() -> None:
    content = {**visit_content("7", FACE, "dry"), "typed": {"boot_ms": 1}}
    assert visited(entry(content), FACE, SCALE).reading.total.count == 700


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "not JSON"),
        ("[1]", "no table of names and values"),
        ({}, "shows is not text"),
        ({"shows": 5}, "shows is not text"),
        ({"shows": "5 gpm"}, "not what a face shows"),
    ],
)
def test_a_visit_that_cannot_be_taken_names_the_entry_and_what_to_do(content: object, said: str) -> None:
    with pytest.raises(EntryError, match="entry uuid-7") as refused:
        visited(entry(content), FACE, SCALE)
    assert said in str(refused.value)


# --- meters


def test_an_installation_comes_back_with_its_first_count() -> None:
    found = installed(entry(installation_content("A-1042", "00000012", FACE), "installation"), FACE, SCALE, "here")
    assert (found.serial, found.first_count, found.change) == ("A-1042", 1200, Change.INSTALLED)
    assert (found.low, found.high) == (1200, 1299)


def test_a_first_count_that_nobody_noted_stays_unknown() -> None:
    content = installation_content("A-1042", None, FACE)
    assert installed(entry(content, "installation"), FACE, SCALE, "here").first_count is None


def test_an_installation_without_a_serial_number_is_refused() -> None:
    with pytest.raises(EntryError, match="read it on the plate"):
        installation_content("  ", "1", FACE)
    with pytest.raises(EntryError, match="serial is not text"):
        installed(entry({"serial": "", "first_count": None}, "installation"), FACE, SCALE, "here")


def test_a_changeout_keeps_what_the_forms_ask_for() -> None:
    """Date, old final reading, new serial, start reading, unit and multiplier (Kansas form DWR 1-560)."""
    change = ChangeOut("B-2", "00000012", "0001500", "C-9", FINE, "S-1", "S-2", sensor_kept=True, note="hail")
    made = entry(json.loads(json.dumps(changeout_content(change, FACE))), "changeout")
    found = installed(made, FACE, SCALE, "here")
    assert (found.change, found.serial, found.converter, found.first_count) == (Change.CHANGED, "B-2", "C-9", 1200)
    assert found.final is not None
    assert found.final.total.low * SCALE.one_count_m3 <= 1500 <= found.final.total.high * SCALE.one_count_m3
    told_of = meter(made, "here")
    assert (told_of.old_final, told_of.seal_removed, told_of.seal, told_of.sensor_kept) == (
        "0001500",
        "S-1",
        "S-2",
        True,
    )


def test_an_unreadable_final_count_is_said_to_be_so() -> None:
    made = entry(changeout_content(ChangeOut("B-2", None, None), FACE), "changeout")
    assert installed(made, FACE, SCALE, "here").final is None
    assert meter(made, "here").old_final == "unreadable"


def test_a_move_ends_at_one_point_and_begins_at_the_other() -> None:
    made = entry(moved_content(Move("there", "A-1", "00001500"), FACE, FACE), "moved")
    away, back = (installed(made, FACE, SCALE, name) for name in ("here", "there"))
    assert (away.change, away.first_count, away.final and away.final.total.count) == (Change.REMOVED, None, 150_000)
    assert (back.change, back.first_count, back.final) == (Change.MOVED_HERE, 150_000, None)
    assert (meter(made, "here").other, meter(made, "there").first_count) == ("there", "00001500")


def test_a_move_concerns_both_points() -> None:
    made = [entry(moved_content(Move("south", "A-1", "00001500"), FACE, FACE), "moved")]
    assert [one.change for one in told(made, POINT).installed] == [Change.REMOVED]
    assert [one.change for one in told(made, Of(2, "south", FACE, SCALE)).installed] == [Change.MOVED_HERE]
    assert not told(made, Of(3, "east", FACE, SCALE)).installed


def test_an_answer_is_rounds_or_a_reset() -> None:
    assert settled(entry(settle_content(FACE, rounds=2), "settle")).rollovers == 2
    found = told([entry(settle_content(FACE, first_count="00000003"), "settle")], POINT)
    assert [(one.change, one.first_count) for one in found.installed] == [(Change.RESET, 300)]
    assert not found.settled
    with pytest.raises(EntryError, match="0 times or more"):
        settle_content(FACE, rounds=-1)


# --- seasons


def shut(kind: str, at: int, shows: str | None = None) -> Entry:
    return entry(season_content(shows, FACE), kind, at=at, uuid=f"{kind}-{at}")


def test_each_shutdown_lasts_until_the_next_startup() -> None:
    turns = [
        shut("startup", 1),
        shut("shutdown", 10, "00000100"),
        shut("shutdown", 12),
        shut("startup", 20),
        shut("startup", 25),
        shut("shutdown", 30),
    ]
    found = told(turns[::-1], POINT).seasons
    assert [(one.uuid, one.begin_ms, one.end_ms) for one in found] == [
        ("shutdown-10", 10, 20),
        ("shutdown-30", 30, None),
    ]
    assert found[0].shut is not None
    assert found[0].shut.total.count == 10_000
    assert found[0].started is None


# --- estimates


SPAN = Span(1_000, 2_000)


def test_minutes_run_times_the_pumps_rate() -> None:
    """1,234 min x 750 gpm, meter out of order, are 925,500 gal (rule: Southwest Florida district, permit condition 8;
    the numbers follow from the definitions).
    """
    inputs = Inputs(Method.HOURS, hours="20.566666666666666666", rate="750 gpm", tested="2026-05-02")
    assert abs(reckoned(inputs).m3 / GALLON - 925_500) < Fraction(1, 10**9)
    even = Inputs(Method.HOURS, hours="20.5", rate="750 gpm", tested="2026-05-02")
    assert reckoned(even).sum == "20.5 h x 750 gpm, tested 2026-05-02, = 922,500 US gal"


def test_energy_over_a_tested_energy_per_volume() -> None:
    inputs = Inputs(Method.ENERGY, kwh="1,290", kwh_per="430 kWh/acre_foot", tested="2026-05-02")
    found = reckoned(inputs)
    assert found.m3 == 3 * measure("1 acre_foot", "volume").si
    assert found.sum == "1,290 kWh / (430 kWh per acre-foot, tested 2026-05-02) = 3.000 acre-feet"


def test_an_estimate_comes_back_with_its_inputs_and_its_reason() -> None:
    inputs = Inputs(Method.VOLUME, volume="12.5 acre_foot")
    content = json.loads(json.dumps(estimate_content(SPAN, Standing.INSTEAD, inputs, "meter struck by lightning")))
    found = estimate(entry(content, "estimate"))
    assert (found.begin_ms, found.end_ms, found.standing) == (1_000, 2_000, Standing.INSTEAD)
    assert found.m3 == measure("12.5 acre_foot", "volume").si
    assert (found.reason, found.author) == ("meter struck by lightning", "ana")


def test_the_same_span_of_another_year_keeps_what_was_metered_then() -> None:
    inputs = Inputs(Method.OTHER_YEAR, year=2025, m3="1234567/1000")
    found = estimate(entry(estimate_content(SPAN, Standing.IN_ADDITION, inputs, "stolen"), "estimate"))
    assert found.m3 == Fraction(1234567, 1000)
    assert "same span of 2025" in found.sum


@pytest.mark.parametrize(
    ("inputs", "said"),
    [
        (Inputs(Method.VOLUME, volume="12.5"), "volume: '12.5' is not a number with a unit"),
        (Inputs(Method.VOLUME, volume="-1 gal"), "volume: it cannot be below zero"),
        (Inputs(Method.HOURS, hours="x", rate="1 gpm", tested="2026-01-01"), "hours: 'x' is not a decimal number"),
        (Inputs(Method.HOURS, hours="1", rate="1 gal", tested="2026-01-01"), "rate: 'gal' is a volume"),
        (Inputs(Method.HOURS, hours="1", rate="1 gpm"), "tested: say when that was tested"),
        (Inputs(Method.HOURS, hours="1", rate="1 gpm", tested="May"), "tested: 'May' is no date"),
        (
            Inputs(Method.ENERGY, kwh="1", kwh_per="430", tested="2026-01-01"),
            "kwh_per: '430' is no energy for a volume",
        ),
        (Inputs(Method.ENERGY, kwh="1", kwh_per="0 kWh/m3", tested="2026-01-01"), "kwh_per: no volume"),
        (Inputs(Method.OTHER_YEAR, year=2025), "not known"),
    ],
)
def test_an_input_that_is_wrong_is_named(inputs: Inputs, said: str) -> None:
    with pytest.raises(EntryError) as refused:
        estimate_content(SPAN, Standing.INSTEAD, inputs, "why")
    assert said in str(refused.value)


def test_more_hours_than_the_span_has_are_refused() -> None:
    """A day of 25 hours, when the clocks are put back, has room for 25."""
    day = Span(0, 25 * 3_600_000)
    inputs = Inputs(Method.HOURS, hours="25", rate="1 gpm", tested="2026-01-01")
    assert estimate_content(day, Standing.INSTEAD, inputs, "why")["hours"] == "25"
    with pytest.raises(EntryError, match=r"hours: 25\.01 h do not fit into a span of 25\.0 h"):
        estimate_content(day, Standing.INSTEAD, replace(inputs, hours="25.01"), "why")


@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("volume", "3 acre_foot", "3"),
        ("rate", "750 gpm", "750 gal"),
        ("hours", "0.0002", "30"),
        ("kwh", "12", "-1"),
        ("kwh_per", "430 kWh/acre_foot", "430"),
        ("tested", "2026-05-02", "May"),
    ],
)
def test_an_input_can_be_checked_by_itself(name: str, right: str, wrong: str) -> None:
    check_input(name, right, SPAN)
    with pytest.raises(EntryError, match=f"^{name}: "):
        check_input(name, wrong, SPAN)


def test_an_estimate_without_a_reason_or_a_length_is_refused() -> None:
    with pytest.raises(EntryError, match="kept with its reason"):
        estimate_content(SPAN, Standing.INSTEAD, Inputs(Method.VOLUME, volume="1 gal"), " ")
    with pytest.raises(EntryError, match="ends after it begins"):
        Span(5, 5)


# --- what else is noted


def test_a_test_of_accuracy_is_an_error_of_the_meter() -> None:
    assert error_of("+1.25 %") == Fraction(1, 80)
    assert error_between("1015 gal", "1000 gal") == Fraction(15, 1000)
    found = accuracy_test(
        entry(accuracy_test_content(error_of("-1.25%"), "clamp-on", "A. Tester", "dry"), "accuracy-test")
    )
    assert (found.error, found.reference, found.tester, found.author) == (
        Fraction(-1, 80),
        "clamp-on",
        "A. Tester",
        "ana",
    )
    assert error_in_words(found.error) == "-1.2 %"
    for wrong, said in (
        ("1.2", "no percent sign"),
        ("x %", "not a decimal number"),
        ("120 %", "'120 %' is more than a meter that works can be wrong"),
    ):
        with pytest.raises(EntryError, match=said):
            error_of(wrong)
    with pytest.raises(EntryError, match="both as volumes or both as flow rates"):
        error_between("1 gal", "1 gpm")
    with pytest.raises(EntryError, match=r"^meter: '1015 gal' against '1 m3' would be an error of \+284.2 %"):
        error_between("1015 gal", "1 m3")
    with pytest.raises(EntryError, match=r"^true: "):
        error_between("1015 gal", "0 gal")


def test_the_other_notes_come_back() -> None:
    unused = out_of_use(entry(out_of_use_content(5, None, "fallow"), "out-of-use"))
    assert (unused.begin_ms, unused.end_ms, unused.reason) == (5, None, "fallow")
    seal = wireseal(entry(wireseal_content("4471", SealState.BROKEN), "wireseal"))
    assert (seal.number, seal.state) == ("4471", "found broken")
    assert remarked(entry(remark_content(" new pump "), "remark")).text == "new pump"
    with pytest.raises(EntryError, match="an agency asks"):
        out_of_use_content(5, 6, "")


def test_a_clock_needs_a_width() -> None:
    with pytest.raises(EntryError, match="how far off"):
        clock_content(1, 0, "boot", 1)


@pytest.mark.parametrize(
    ("seqs", "shift_ms", "within_ms", "because", "said"),
    [
        ((5, 4), 1, 1, "x", "no row"),
        ((4, 5), 0, 1, "x", "by how much"),
        ((4, 5), 1, 0, "x", "how far off"),
        ((4, 5), 1, 1, " ", "with its reason"),
    ],
)
def test_a_date_is_disputed_with_a_shift_a_width_and_a_reason(
    seqs: tuple[int, int], shift_ms: int, within_ms: int, because: str, said: str
) -> None:
    with pytest.raises(EntryError, match=said):
        redate_content(seqs, shift_ms, within_ms, because)


# --- all of a point


def test_what_cannot_be_read_is_listed_and_the_rest_is_read() -> None:
    entries = [entry("{", "visit", uuid="bad"), entry(remark_content("good"), "remark", uuid="good")]
    found = told(entries, POINT)
    assert [(one.entry.uuid, "not JSON" in one.why) for one in found.unread] == [("bad", True)]
    assert found.served == ["good"]


def test_every_kind_of_a_point_can_be_read() -> None:
    """A kind without a reader would stop a report."""
    for kind in OF_A_POINT:
        found = told([entry({}, kind)], POINT)
        assert len(found.served) + len(found.unread) == 1


def test_what_is_replaced_is_not_in_force() -> None:
    first = entry(remark_content("a"), "remark", uuid="a")
    second = Entry(8, "b", 1, 1, 1, 1, "remark", 1, "ana", "a", json.dumps(remark_content("b")))
    assert [one.uuid for one in in_force([first, second])] == ["b"]


def chain(*replaces: tuple[str, str | None]) -> tuple[str, str]:
    """What stands of remarks that replace one another, and what the others are replaced by, as letters."""
    made = [
        Entry(seq, uuid, 1, 1, 1, 1, "remark", 1, "ana", of, json.dumps(remark_content(uuid)))
        for seq, (uuid, of) in enumerate(replaces)
    ]
    gone = replaced_by(made)
    said = "".join(f"{uuid}{gone[uuid].uuid}" for uuid in sorted(gone))
    return "".join(one.uuid for one in in_force(made)), said


def test_of_two_corrections_of_one_entry_the_last_word_holds() -> None:
    """They may have waited in the inbox at once."""
    assert chain(("a", None), ("b", "a"), ("c", "b")) == ("c", "abbc")
    assert chain(("a", None), ("b", "a"), ("c", "a")) == ("c", "acbc")
    assert chain(("a", None), ("b", "a"), ("c", "a"), ("d", "b")) == ("d", "acbdcd")
    assert chain(("a", None), ("z", None), ("b", "a")) == ("zb", "ab")
    assert chain(("b", "elsewhere"), ("c", "elsewhere")) == ("c", "bcelsewherec")


FIELDS = (
    *("shows", "serial", "first_count", "to", "final", "rounds", "reset", "begin_ms", "end_ms", "error", "state"),
    *("standing", "method", "because", "volume", "old_face", "old_final", "number", "text", "reference", "tester"),
    *("hours", "rate", "tested", "kwh", "kwh_per", "year", "m3"),
)
CONTENT = st.dictionaries(
    st.sampled_from(FIELDS),
    st.one_of(st.none(), st.text(max_size=8), st.integers(), st.booleans(), st.lists(st.integers(), max_size=2)),
)


@given(st.sampled_from(sorted(KINDS)), CONTENT)
def test_whatever_lies_in_the_inbox_is_read_or_refused_in_words(kind: str, content: dict[str, object]) -> None:
    found = told([entry(content, kind)], POINT)
    assert len(found.served) + len(found.unread) <= 1
    assert all("uuid-7" in one.why for one in found.unread)


def test_an_entry_speaks_of_the_time_that_it_states() -> None:
    at = int(datetime(2026, 7, 1, tzinfo=UTC).timestamp() * 1000)
    assert told([entry(remark_content("x"), "remark", at=at)], POINT).remarks[0].about_ms == at

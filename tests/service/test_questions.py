"""An answer is taken only where the ledger asks; else what is open is named, with what would answer it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.service.accepted import accepted_site
from tallywell.service.following import face_of
from tallywell.service.questions import Given, Ledger, answers
from tallywell.stated.content import EntryError
from tallywell.store.query import Reader
from tests.service.made_record import MAP, SITE, MadeRecord, at, made_record

# A register of 100,000 counts of 100 gal, which the greatest flow of the pipe takes 32 h to go round.
SHORT = {"inline-a.yaml": MAP.replace("digits: 8", "digits: 5")}
SHORT_SITE = SITE.replace("digits: 8", "digits: 5")
HOUR_MS = 3_600_000
QUARTER_MS = 900_000


def silent(path: Path, hours: int, before: int, after: int) -> MadeRecord:
    """Readings of a pump that stands, a silence of so many hours from noon of the 3rd, and readings again."""
    made = made_record(path, "2026-07-03 00:00", site=SHORT_SITE, maps=SHORT)
    noon = at("2026-07-03 12:00")
    for now in range(at("2026-07-03 00:00"), noon + 1, QUARTER_MS):
        made.read(now, forward_total=before)
    for now in range(noon + hours * HOUR_MS, noon + (hours + 12) * HOUR_MS, QUARTER_MS):
        made.read(now, forward_total=after)
    made.flush()
    return made


def refused(made: MadeRecord, when: str, *, rounds: int | None = None, first: int | None = None) -> str:
    """What is said against an answer; empty: it is taken."""
    made.flush()
    with Reader(made.folder) as reader:
        site = accepted_site(reader).site
        point = site.points["north-discharge"]
        of = Ledger(reader, point, face_of(point)[0], site.zone, "quail.yaml")
        try:
            answers(of, Given(at(when), rounds, first))
        except EntryError as wrong:
            return " ".join(str(wrong).split())
    return ""


def test_an_open_question_takes_what_the_pipe_can_have_passed(tmp_path: Path) -> None:
    made = silent(tmp_path, 70, 1_000, 1_500)
    assert [rounds for rounds in range(6) if not refused(made, "2026-07-04 12:00", rounds=rounds)] == [0, 1, 2]
    said = refused(made, "2026-07-04 12:00", rounds=3)
    assert "3 rounds are 300,500 counts" in said
    assert "the pipe can pass 215," in said
    assert said.endswith("rounds that fit: 0, 1, 2")


def test_a_total_that_fell_went_round_at_least_once(tmp_path: Path) -> None:
    made = silent(tmp_path, 70, 1_000, 500)
    said = refused(made, "2026-07-04 12:00", rounds=0)
    assert "so that it went round at least once, or was reset; rounds that fit: 1, 2" in said
    assert not refused(made, "2026-07-04 12:00", first=0)
    assert "a reset to 900 does not lead to the next reading, 500 counts" in refused(
        made, "2026-07-04 12:00", first=900
    )


def test_where_nobody_asks_the_open_ones_are_named_with_their_commands(tmp_path: Path) -> None:
    made = silent(tmp_path, 70, 1_000, 500)
    said = refused(made, "2026-07-03 06:00", rounds=1)
    assert "no question is open at north-discharge at 2026-07-03 06:00:00 -06:00" in said
    assert "from 2026-07-03 12:00:00 -06:00 to 2026-07-06 10:00:00 -06:00" in said
    for way in ("--rounds 1", "--rounds 2", "--reset"):
        assert f'tallywell settle quail.yaml north-discharge --at "2026-07-06 10:00-06:00" {way}' in said
    assert not refused(made, "2026-07-06 10:00-06:00", rounds=1), "the command as told is taken"
    assert "changeout" not in said
    assert "`tallywell changeout` with the same serial number" in refused(made, "2026-07-03 06:00", first=0)


@pytest.mark.parametrize("given", [{"rounds": 1}, {"first": 0}])
def test_a_gap_with_one_explanation_asks_nothing(tmp_path: Path, given: dict[str, int]) -> None:
    made = silent(tmp_path, 20, 1_000, 1_500)
    said = refused(made, "2026-07-04 00:00", **given)
    assert "is metered across a gap" in said
    assert "no question of north-discharge is open near it" in said


def by_hand(made: MadeRecord) -> None:
    for when in ("2026-07-04 10:00", "2026-07-05 10:00"):
        made.enter(at("2026-07-08 12:00"), "visit", {"shows": "01200", "note": ""}, about=at(when))


def by_answer(made: MadeRecord) -> None:
    made.enter(at("2026-07-08 12:00"), "settle", {"rounds": 1, "note": ""}, about=at("2026-07-04 12:00"))


@pytest.mark.parametrize(
    ("settle", "said"),
    [
        (by_hand, "settled already, by a hand reading or the flow rate: 0 rounds; there is nothing to answer"),
        (by_answer, "of ana: 1 round; if that is wrong, answer with --replaces 00000000 --correcting"),
    ],
)
def test_what_is_settled_already_says_by_what(tmp_path: Path, settle: Callable[[MadeRecord], None], said: str) -> None:
    made = silent(tmp_path, 70, 1_000, 1_500)
    settle(made)
    assert said in refused(made, "2026-07-04 12:00", rounds=2)


def test_a_fall_between_polls_may_be_said_to_be_a_reset_once(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-03 00:00")
    for now in range(at("2026-07-03 00:00"), at("2026-07-03 12:00"), QUARTER_MS):
        made.read(now, forward_total=10_000)
    for now in range(at("2026-07-03 12:00"), at("2026-07-03 18:00"), QUARTER_MS):
        made.read(now, forward_total=3)
    assert not refused(made, "2026-07-03 11:50", first=0)
    told = 'tallywell settle quail.yaml north-discharge --at "2026-07-03 12:00-06:00" --reset'
    assert told in refused(made, "2026-07-03 06:00", rounds=1)
    assert not refused(made, "2026-07-03 12:10", first=0), "a person's time is within a quarter of an hour"
    assert "no question is open" in refused(made, "2026-07-03 11:50", rounds=1)
    made.enter(at("2026-07-03 19:00"), "settle", {"reset": True, "first_count": "0"}, about=at("2026-07-03 11:50"))
    assert "is the answer 00000000 of ana already" in refused(made, "2026-07-03 11:50", first=0)
    assert "no question of north-discharge is open near it" in refused(made, "2026-07-03 06:00", rounds=1)


def test_no_number_of_rounds_settles_a_net_total(tmp_path: Path) -> None:
    net = (
        SHORT["inline-a.yaml"]
        .replace("forward_total:", "net_total:    ")
        .replace("table: input, register: 2, type: uint32", "table: input, register: 2, type: int32")
    )
    made = made_record(tmp_path, "2026-07-03 00:00", site=SHORT_SITE, maps={"inline-a.yaml": net})
    for hours, total in ((0, 1_000), (1, 1_000), (60, 1_500), (61, 1_500), (62, 1_500)):
        made.read(at("2026-07-03 12:00") + hours * HOUR_MS, net_total=total)
    assert "a net total goes both ways, so that rounds settle nothing" in refused(made, "2026-07-04 12:00", rounds=0)


def test_a_reset_may_be_entered_before_a_reading_shows_it(tmp_path: Path) -> None:
    made = silent(tmp_path, 20, 1_000, 1_500)
    assert not refused(made, "2026-07-06 10:00", first=0)
    assert "no readings enclose it" in refused(made, "2026-07-06 10:00", rounds=0)

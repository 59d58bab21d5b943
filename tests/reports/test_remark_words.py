"""Every kind and every flag has its words, and they never say what is not so."""

from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.intervals import Flag, Kind
from tallywell.reports import words
from tallywell.reports.model import Remark, Seen
from tallywell.reports.remark_words import FLAGS, remark
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.volume import Volume

ZONE = ZoneInfo("America/Denver")
UNIT = VolumeUnit("m3", 0)
# Said beside the interval itself, in another section or by the kind: no words of their own.
SILENT = {Flag.GAP, Flag.NOT_ENTERED, Flag.SETTLED}


def of(kind: Kind, *flags: Flag, **more: object) -> Remark:
    first, last = Seen(0, 10, "10"), Seen(60_000, 15, "15")
    volume = Volume(Fraction(5), Fraction(3), Fraction(70))
    return Remark(first, last, kind, frozenset(flags), 0, volume, counted=True, segment="A", **more)  # type: ignore[arg-type]  # named values of a test


@pytest.mark.parametrize("kind", Kind)
def test_each_kind_has_a_sentence_and_a_mark_of_its_day(kind: Kind) -> None:
    said = remark(of(kind), UNIT, ZONE)
    assert said.endswith(".")
    assert said.count("(") == said.count(")")


def test_no_two_kinds_say_the_same() -> None:
    assert len({remark(of(kind), UNIT, ZONE) for kind in Kind}) == len(Kind)


@pytest.mark.parametrize("flag", Flag)
def test_each_flag_adds_its_words(flag: Flag) -> None:
    bare = remark(of(Kind.ACROSS_GAP), UNIT, ZONE)
    said = remark(of(Kind.ACROSS_GAP, flag), UNIT, ZONE)
    assert (said == bare) is (flag in SILENT)
    assert set(FLAGS) == set(Flag)


@pytest.mark.parametrize(
    "kind", [Kind.LOWER_BOUND, Kind.NOT_COUNTING, Kind.SUSPECT, Kind.FLOW_UNCOUNTED, Kind.COUNTED_WITHOUT_FLOW]
)
def test_what_is_in_doubt_says_what_is_counted_and_what_may_have_flowed(kind: Kind) -> None:
    said = remark(of(kind), UNIT, ZONE)
    assert "5 m3" in said
    assert "between 3 and 70 m3 may have flowed" in said


def test_a_run_says_how_many_polls_it_is() -> None:
    assert remark(of(Kind.NOT_COUNTING, intervals=4320, conditions=("coil_fault",)), UNIT, ZONE).startswith(
        "4,320 polls: by its own word (coil fault)"
    )


def test_a_lower_bound_names_what_speaks_against_the_power() -> None:
    said = remark(of(Kind.LOWER_BOUND, Flag.POWER_UNSURE, missed=(("no_answer", 3),)), UNIT, ZONE)
    assert words.FAULTS["no_answer"] in said
    assert said.count("without power") == 1


def test_what_settled_a_question_is_said() -> None:
    assert "settled by a person's answer" in remark(
        of(Kind.ACROSS_GAP, Flag.SETTLED, settled_by="by a person's answer"), UNIT, ZONE
    )

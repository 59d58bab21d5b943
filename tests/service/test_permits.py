"""Shares of a point over its permits: exact, and the whole on every date."""

from datetime import date
from fractions import Fraction

import pytest

from tallywell.ledger.authorised import Authorised
from tallywell.readings.units import VOLUMES
from tallywell.service.permits import permits_of, rule_of
from tallywell.service.site import Permit, Share
from tallywell.written.located import read_document

POINTS = "points: {a: 1, b: 1}\npermits:\n"


def permits(*written: str) -> tuple[dict[str, Permit], list[str]]:
    """The first permit stands on line 3."""
    document = read_document(POINTS + "".join(f"  {one}\n" for one in written), "f")
    found = permits_of(document)
    return found, [str(problem).removeprefix("f:") for problem in sorted(document.problems)]


def test_the_short_form_is_the_whole_always() -> None:
    found, problems = permits("P-1: {kind: right, points: [a, b]}")
    assert problems == []
    assert found["P-1"].shares == (Share("a", Fraction(1)), Share("b", Fraction(1)))
    assert found["P-1"].year_starts == (1, 1)
    assert found["P-1"].shares[0].applies(date.min)
    assert found["P-1"].shares[0].applies(date.max)


def test_three_thirds_are_a_whole() -> None:
    thirds = [f"P-{k}: {{kind: licence, points: [{{point: a, share: 1/3}}]}}" for k in range(3)]
    assert permits(*thirds)[1] == []


def test_three_times_a_third_in_decimals_is_none() -> None:
    thirds = [f"P-{k}: {{kind: licence, points: [{{point: a, share: 0.333}}]}}" for k in range(3)]
    assert permits(*thirds)[1] == [
        (
            '5:51: permit "P-2": points.1: the shares of point "a" from the beginning sum to 999/1000, not to 1 '
            "(the others are on line 3, line 4); correct the shares or their dates; a date in to belongs no more"
        )
    ]


def test_shares_change_hands_on_a_date() -> None:
    found, problems = permits(
        "P-1: {kind: right, points: [{point: a, to: 2026-01-01}, {point: a, share: 0.25, from: 2026-01-01}]}",
        "P-2: {kind: right, points: [{point: a, share: 75 %, from: 2026-01-01}]}",
    )
    assert problems == []
    last_day, first_day = date(2025, 12, 31), date(2026, 1, 1)
    assert [share.applies(last_day) for share in found["P-1"].shares] == [True, False]
    assert [share.applies(first_day) for share in found["P-1"].shares] == [False, True]


def test_an_overlap_of_one_day_is_found() -> None:
    _, problems = permits(
        "P-1: {kind: right, points: [{point: a, from: 2025-10-01, to: 2026-01-02}]}",
        "P-2: {kind: right, points: [{point: a, from: 2026-01-01}]}",
    )
    assert len(problems) == 1
    assert problems[0].startswith(
        '4:31: permit "P-2": points.1: the shares of point "a" from 2026-01-01 sum to 2, not to 1'
    )


def test_a_hole_is_a_warning() -> None:
    _, problems = permits(
        "P-1: {kind: right, points: [{point: a, to: 2025-12-31}]}",
        "P-2: {kind: right, points: [{point: a, from: 2026-01-01}]}",
    )
    assert problems == [
        (
            '3:46: warning: point "a" has no permit from 2025-12-31 to before 2026-01-01 (got "2025-12-31"); '
            "to is the first day that no longer belongs"
        )
    ]


def test_before_the_first_and_after_the_last_permit_is_nothing_to_warn_of() -> None:
    assert permits("P-1: {kind: right, points: [{point: a, from: 2025-01-01, to: 2026-01-01}]}")[1] == []


def test_a_faulty_share_does_not_make_the_sum_a_fault_besides() -> None:
    _, problems = permits(
        "P-1: {kind: right, points: [{point: a, share: 2/3}]}",
        "P-2: {kind: right, points: [{point: a, share: one third}, b]}",
    )
    assert problems == ['4:49: permit "P-2": points.1.share must be a share, such as 1, 0.25 or 1/3 (got "one third")']


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (
            "P-1: {kind: right, points: [c]}",
            '3:31: permit "P-1": points.1 is not among the points (got "c"); known are a, b',
        ),
        ("P-1: {kind: right}", '3:3: permit "P-1" needs "points"; add "points: [north-discharge]"'),
        (
            "P-1: {kind: right, points: a}",
            '3:30: permit "P-1": points must be a list (got "a"); such as [north-discharge]',
        ),
        ("P-1: {kind: right, points: []}", '3:30: permit "P-1": points must name at least one point; add one'),
        (
            "P-1: {kind: right, points: [{point: a, from: 2026-01-01, to: 2026-01-01}]}",
            (
                '3:64: permit "P-1": points.1.to is not after from (got "2026-01-01"); '
                "to is the first day that no longer belongs"
            ),
        ),
        ("P-1: {points: [a]}", '3:3: permit "P-1" needs "kind"; add "kind: right" (or licence, registration)'),
    ],
)
def test_one_fault_is_one_message(written: str, expected: str) -> None:
    assert permits(written)[1] == [expected]


def test_a_permit_may_be_named_as_the_agency_does() -> None:
    assert list(permits("S4-123/45 (north): {kind: registration, points: [a]}")[0]) == ["S4-123/45 (north)"]


def test_an_amount_for_several_years_and_what_is_carried_over() -> None:
    amount = "authorised: 500 acre_foot, year_starts: 10-01, authorised_years: 5, authorised_from: 2025-10-01"
    found, problems = permits(f"P-1: {{kind: right, points: [a], {amount}, carry_over: 40 acre_foot, carry_years: 2}}")
    assert problems == []
    assert (found["P-1"].authorised_years, found["P-1"].authorised_from) == (5, date(2025, 10, 1))
    assert found["P-1"].carry_over is not None
    assert found["P-1"].carry_over.number == 40
    assert found["P-1"].carry_years == 2
    rule = rule_of(found["P-1"])
    assert rule == Authorised(500 * VOLUMES["acre_foot"], 5, 40 * VOLUMES["acre_foot"], 2)
    plain = permits("P-1: {kind: right, points: [a], authorised: 5 m3}")[0]["P-1"]
    assert rule_of(plain) == Authorised(Fraction(5))
    assert rule_of(permits("P-1: {kind: right, points: [a]}")[0]["P-1"]) is None
    assert (plain.authorised_years, plain.authorised_from, plain.carry_over, plain.carry_years) == (1, None, None, 0)


@pytest.mark.parametrize(
    ("keys", "complaint"),
    [
        ("carry_over: 4 m3", "carry_over has no meaning without authorised"),
        ("authorised: 4 m3, carry_years: 2", "carry_years has no meaning without carry_over"),
        ("authorised: 4 m3, authorised_from: 2025-01-01", "authorised_from has no meaning without authorised_years"),
        ("authorised: 4 m3, authorised_years: 5", "authorised_years does not say from when"),
        (
            "authorised: 4 m3, authorised_years: 5, authorised_from: 2025-10-01",
            "is not the first day of a year of the permit",
        ),
    ],
)
def test_an_amount_that_is_said_by_halves(keys: str, complaint: str) -> None:
    _, problems = permits(f"P-1: {{kind: right, points: [a], {keys}}}")
    assert len(problems) == 1
    assert complaint in problems[0]

"""Amounts over years, carried over; the expected numbers are reckoned by hand."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.ledger.authorised import UNKNOWN, Authorised, Bounded, screened, weighted, years_of
from tallywell.readings.units import VOLUMES

F = Fraction
ACRE_FOOT = VOLUMES["acre_foot"]


def exactly(*m3: int) -> list[Bounded]:
    return [Bounded(F(one), F(one), F(one)) for one in m3]


def available(rule: Authorised, *used: int) -> list[int]:
    return [int(line.available.m3 or 0) for line in years_of(rule, exactly(*used))]


def test_a_year_alone_knows_nothing_of_the_others() -> None:
    lines = years_of(Authorised(F(100)), exactly(30, 120, 0))
    assert [line.available.m3 for line in lines] == [100, 100, 100]
    assert [line.left.m3 for line in lines] == [70, -20, 100]
    assert {line.carried.m3 for line in lines} == {0}


def test_several_years_share_one_amount() -> None:
    lines = years_of(Authorised(F(500), years=5), exactly(200, 200, 50, 0, 100, 10))
    assert [line.available.m3 for line in lines] == [500, 300, 100, 50, 50, 500]
    assert [line.left.m3 for line in lines] == [300, 100, 50, 50, -50, 490]


def test_what_is_not_used_is_carried_up_to_the_most_and_lapses() -> None:
    once = Authorised(F(100), carry_m3=F(25), carry_years=1)
    assert available(once, 30, 0, 110, 100) == [100, 125, 125, 115]
    twice = Authorised(F(100), carry_m3=F(25), carry_years=2)
    assert available(twice, 30, 0, 110, 100) == [100, 125, 150, 125]
    assert available(once, 100, 130, 0) == [100, 100, 100], "more than the amount is not owed by the next year"


def test_the_oldest_is_used_first() -> None:
    """Year 0 leaves 40, year 1 leaves 40 (all of its 20 came from year 0's); year 2 begins with 20 + 40 + 100."""
    rule = Authorised(F(100), carry_m3=F(40), carry_years=2)
    assert available(rule, 50, 20, 30, 0) == [100, 140, 160, 170]


def test_a_term_carries_into_the_next_term() -> None:
    rule = Authorised(F(300), years=3, carry_m3=F(60), carry_years=3)
    assert available(rule, 50, 50, 50, 20, 0, 0, 0) == [300, 250, 200, 360, 340, 340, 360]


def test_an_unknown_year_leaves_bounds_and_no_number() -> None:
    rule = Authorised(F(100), carry_m3=F(25), carry_years=1)
    first, unknown, third, fourth = years_of(rule, [*exactly(90), UNKNOWN, *exactly(10, 10)])
    assert first.left.m3 == 10
    assert unknown.available.m3 == 110
    assert unknown.left == Bounded(None, None, F(110))
    assert third.available == Bounded(None, F(100), F(125))
    assert third.left == Bounded(None, F(90), F(115))
    assert fourth.available == Bounded(F(125), F(125), F(125)), "it no longer matters"
    assert years_of(Authorised(F(100)), [UNKNOWN, *exactly(1)])[1].left.m3 == 99


YEARS = st.lists(st.tuples(st.integers(0, 300), st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=9)
RULES = st.builds(
    Authorised,
    st.integers(0, 200).map(F),
    st.integers(1, 4),
    st.integers(0, 100).map(F),
    st.integers(0, 4),
)


@settings(max_examples=300, deadline=None)
@given(RULES, YEARS, st.lists(st.fractions(0, 1), min_size=9, max_size=9), st.sets(st.integers(0, 8)))
def test_whatever_was_used_within_its_bounds_leaves_what_lies_in_its_bounds(
    rule: Authorised, years: list[tuple[int, int, int]], places: list[F], unknown: set[int]
) -> None:
    used = [Bounded(F(m3), F(max(0, m3 - down)), F(m3 + up)) for m3, down, up in years]
    truth = [one.low_m3 + place * (one.high_m3 - one.low_m3) for one, place in zip(used, places, strict=False)]  # type: ignore[operator]
    shown = [UNKNOWN if k in unknown else one for k, one in enumerate(used)]
    really = years_of(rule, [Bounded(one, one, one) for one in truth])
    for line, true in zip(years_of(rule, shown), really, strict=True):
        for bounds, value in ((line.carried, true.carried.m3), (line.available, true.available.m3)):
            assert value is not None
            assert bounds.low_m3 is not None
            assert bounds.high_m3 is not None
            assert bounds.low_m3 <= value <= bounds.high_m3
        assert true.left.m3 is not None
        assert line.left.low_m3 is None or line.left.low_m3 <= true.left.m3
        assert line.left.high_m3 is None or true.left.m3 <= line.left.high_m3


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(-50, 500), st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=6))
def test_shares_that_are_a_whole_lose_nothing(volumes: list[tuple[int, int, int]]) -> None:
    """Two wells that share each point by 1/3 and 2/3 have together what the points have, with the same bounds."""
    points = [Bounded(F(m3), F(m3 - down), F(m3 + up)) for m3, down, up in volumes]
    wells = [weighted((one, share) for one in points) for share in (F(1, 3), F(2, 3))]
    assert weighted((well, F(1)) for well in wells) == weighted((one, F(1)) for one in points)


def test_a_well_with_an_unknown_point_is_unknown() -> None:
    known = exactly(6)[0]
    assert weighted([(known, F(1, 2)), (Bounded(None, F(2), None), F(1))]) == Bounded(None, F(5), None)


@pytest.mark.parametrize(
    ("acre_feet", "ratio", "asked"),
    [
        (101, "10", False), (101, "10.01", True), (101, "0.1", False), (101, "0.0999", True),
        (100, "10.01", False), (100, "100.1", True), (11, "0.0099", True), (10, "100.1", False),
        (10, "1000.1", True), (1, "0.00099", True), (1, "0.0011", False), (200, "0", False),
    ],
)  # fmt: skip
def test_a_volume_that_is_more_likely_a_wrong_unit(acre_feet: int, ratio: str, asked: bool) -> None:
    found = screened(acre_feet * ACRE_FOOT * F(ratio), acre_feet * ACRE_FOOT)
    assert (found is not None) is asked
    if found is not None:
        assert (found.ratio, found.over) == (F(ratio), F(ratio) > 1)
        assert "California" in found.source


def test_an_amount_below_nothing_is_none() -> None:
    with pytest.raises(ValueError, match="nothing of it is below 0"):
        Authorised(F(-1))

"""What a permit allows: terms, carry-over, the screen for volumes that cannot be."""

from datetime import date
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.ledger.authorised import ACRE_FOOT, Allowance, Used, account, out_of_scale, terms_in

OCTOBER = date(2023, 10, 1)


def used(*amounts: int | None) -> list[Used | None]:
    return [None if one is None else Used(Fraction(one), Fraction(one), Fraction(one)) for one in amounts]


def told(allowance: Allowance, *amounts: int | None) -> list[tuple[int, int, int | None]]:
    end = date(OCTOBER.year + len(amounts) * allowance.years, 10, 1)
    terms = account(allowance, terms_in(allowance, OCTOBER, end), used(*amounts))
    return [(int(t.carried_m3), int(t.available_m3), None if t.left_m3 is None else int(t.left_m3)) for t in terms]


def test_each_year_stands_alone_where_nothing_is_carried() -> None:
    assert told(Allowance(Fraction(420), OCTOBER), 100, 500, 0) == [(0, 420, 320), (0, 420, -80), (0, 420, 420)]


def test_what_was_not_used_goes_over_up_to_the_most_and_lasts_one_term() -> None:
    allowance = Allowance(Fraction(420), OCTOBER, carried_most_m3=Fraction(100))
    assert told(allowance, 100, 450, 420) == [(0, 420, 320), (100, 520, 70), (70, 490, 70)]


def test_what_was_carried_is_used_first_and_runs_out() -> None:
    """100 of the first year lasts one year; of the second nothing of its own was used, so its own 100 go over."""
    allowance = Allowance(Fraction(100), OCTOBER, carried_most_m3=Fraction(300))
    assert told(allowance, 0, 50, 0) == [(0, 100, 100), (100, 200, 150), (100, 200, 200)]
    lasting = Allowance(Fraction(100), OCTOBER, carried_most_m3=Fraction(300), carried_terms=2)
    assert told(lasting, 0, 50, 0) == [(0, 100, 100), (100, 200, 150), (150, 250, 250)]


def test_of_a_year_that_is_not_known_nothing_is_carried() -> None:
    allowance = Allowance(Fraction(420), OCTOBER, carried_most_m3=Fraction(100))
    assert told(allowance, None, 450) == [(0, 420, None), (0, 420, -30)]


def test_an_amount_over_five_years() -> None:
    allowance = Allowance(Fraction(2100), OCTOBER, years=5)
    assert terms_in(allowance, OCTOBER, date(2028, 10, 1)) == ((OCTOBER, date(2028, 10, 1), True),)
    assert terms_in(allowance, OCTOBER, date(2026, 1, 1)) == ((OCTOBER, date(2026, 1, 1), False),)
    assert terms_in(allowance, date(2024, 1, 1), date(2028, 9, 30)) == ()
    assert told(allowance, 2000) == [(0, 2100, 100)]


def test_terms_begin_before_the_first_that_is_stated_as_well() -> None:
    assert terms_in(Allowance(Fraction(1), OCTOBER), date(2020, 1, 1), date(2021, 10, 1)) == (
        (date(2020, 10, 1), date(2021, 10, 1), True),
    )


def test_a_term_from_the_29th_of_february() -> None:
    leap = Allowance(Fraction(1), date(2024, 2, 29))
    days = [begin for begin, _, _ in terms_in(leap, date(2024, 1, 1), date(2029, 1, 1))]
    assert days == [date(2024, 2, 29), date(2025, 3, 1), date(2026, 3, 1), date(2027, 3, 1), date(2028, 2, 29)]


@given(
    st.integers(1, 1000),
    st.integers(0, 2000),
    st.integers(1, 4),
    st.lists(st.one_of(st.none(), st.integers(0, 3000)), min_size=1, max_size=8),
)
def test_nobody_is_allowed_more_than_was_ever_granted(
    amount: int, most: int, lasts: int, volumes: list[int | None]
) -> None:
    allowance = Allowance(Fraction(amount), OCTOBER, carried_most_m3=Fraction(most), carried_terms=lasts)
    terms = account(allowance, terms_in(allowance, OCTOBER, date(2023 + len(volumes), 10, 1)), used(*volumes))
    assert len(terms) == len(volumes)
    assert terms[0].carried_m3 == 0
    for before, term in pairwise(terms):
        assert 0 <= term.carried_m3 <= min(most, lasts * amount)
        left = before.left_m3
        assert term.carried_m3 <= max(0, left or 0), "no more than was left of all that could be used"


@pytest.mark.parametrize(
    ("volume", "authorised", "factor"),
    [
        (4200, 420, 10),
        (4199, 420, None),
        (42, 420, Fraction(1, 10)),
        (43, 420, None),
        (2000, 20, 100),
        (1999, 20, None),
        (5000, 5, 1000),
        (4999, 5, None),
        (0, 420, None),
    ],
)
def test_a_volume_out_of_all_scale_is_found(volume: int, authorised: int, factor: Fraction | None) -> None:
    """California's screen of annual reports against the permitted amount: 10 times above 100 acre-feet, 100 times above
    10, 1,000 times below (unit errors are its most common finding).
    """
    assert out_of_scale(volume * ACRE_FOOT, authorised * ACRE_FOOT) == factor

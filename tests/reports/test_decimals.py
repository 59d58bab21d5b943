"""Fractions as text: rounded once, half to even (the rule of IEEE 754, clause 4.3.1, for ties)."""

from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.reports.decimals import decimal, per_cent, plain, rounded


@pytest.mark.parametrize(("half", "text"), [("0.5", "0"), ("1.5", "2"), ("2.5", "2"), ("-0.5", "0"), ("-1.5", "-2")])
def test_ties_go_to_even(half: str, text: str) -> None:
    assert decimal(Fraction(half), 0) == text


@given(st.fractions(min_value=-(10**12), max_value=10**12), st.integers(0, 9))
def test_the_same_as_the_decimal_module_with_digits_to_spare(value: Fraction, places: int) -> None:
    with localcontext(prec=60):
        exact = Decimal(value.numerator) / Decimal(value.denominator)
        # A quotient cut at 60 digits may look like a tie that it is not; the exact one decides.
        if (2 * value * 10**places).denominator == 1:
            exact = Decimal(2 * value.numerator) / Decimal(value.denominator) / 2
        expected = exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    assert Decimal(decimal(value, places, grouped=False)) == expected
    assert rounded(value, places) == Fraction(expected)


def test_thousands_are_parted_only_when_wanted() -> None:
    assert decimal(Fraction(1234567), 1) == "1,234,567.0"
    assert decimal(Fraction(1234567), 1, grouped=False) == "1234567.0"


@given(st.decimals(allow_nan=False, allow_infinity=False, places=6, min_value=-(10**9), max_value=10**9))
def test_plain_is_exact_and_has_no_needless_digit(value: Decimal) -> None:
    text = plain(Fraction(value))
    assert Fraction(text) == Fraction(value)
    assert "." not in text or text[-1] != "0"


def test_plain_keeps_a_fraction_that_has_no_decimal_form() -> None:
    assert plain(Fraction(288, 77)) == plain(Fraction(288, 77), grouped=True) == "288/77"
    assert plain(Fraction("30000.25"), grouped=True) == "30,000.25"


def test_a_share_never_looks_whole_or_empty_when_it_is_not() -> None:
    assert per_cent(Fraction(1)) == "100.0 %"
    assert per_cent(Fraction(99_999, 100_000)) == "over 99.9 %"
    assert per_cent(Fraction(1, 100_000)) == "under 0.1 %"
    assert per_cent(Fraction(0)) == "0.0 %"

"""A face with fewer digits than the register: its counts are the register's last digits, where only one way fits."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.ledger.faces import ahead, behind
from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total

SCALE = Scale(Fraction(1), 10**8)
ROUND = Fraction(10**5)


def total(count: int, step: int = 1) -> Total:
    return Total(count, count, count + step - 1)


@given(register=st.integers(0, 10**8 - 10**5), ran=st.integers(0, 10**5 - 200), step=st.sampled_from([1, 10, 100]))
def test_the_digits_of_a_face_lead_back_to_the_register(register: int, ran: int, step: int) -> None:
    """Whatever flowed in between, as long as it is less than once around the face; a digit of the face is a bound."""
    later = register + ran
    shown = total(later % 10**5 // step * step, step)
    found = behind(shown, ROUND, SCALE, total(register), ran)
    assert found is not None
    assert found.low <= later <= found.high
    shown = total(register % 10**5 // step * step, step)
    found = ahead(shown, ROUND, SCALE, total(later), ran)
    assert found is not None
    assert found.low <= register <= found.high


@pytest.mark.parametrize("take", [behind, ahead])
def test_a_face_that_may_have_gone_round_in_between_tells_nothing(take: object) -> None:
    assert callable(take)
    assert take(total(7), ROUND, SCALE, total(1_200_000), 10**5) is None


@pytest.mark.parametrize("goes_round", [None, Fraction(10**8), Fraction(10**9)])
def test_a_face_that_goes_as_far_as_the_register_stays_as_it_is(goes_round: Fraction | None) -> None:
    for take in (behind, ahead):
        assert take(total(7), goes_round, SCALE, total(1_200_000), 10**9) == total(7)

"""Meters invented for a site: plausible, and a function of the instant alone."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.registers.quantity import RegisterMap
from tallywell.simulator.field import BEGINNING_MS, ROUND_MS, going_round, invented, resting, silent
from tallywell.simulator.profile import HOUR_MS
from tallywell.simulator.recipes import Silent

NOW = 1_790_000_000_000
EIGHT_INCH = Fraction("0.324")  # m3/s at 10 m/s


@pytest.mark.parametrize("seed", [f"{n} north" for n in range(8)])
def test_a_flow_that_the_pipe_carries_and_the_register_can_say(
    plain: RegisterMap, crossed: RegisterMap, seed: str
) -> None:
    for register_map in (plain, crossed):
        meter = invented(17, register_map, EIGHT_INCH, seed)
        rates = [meter.profile.rate(NOW + k * HOUR_MS) for k in range(28 * 24)]
        books = register_map.books
        assert books is not None
        most = max(rates) * books.scale.one_count_m3
        assert EIGHT_INCH / 10 < most < EIGHT_INCH / 3
        assert 0 in rates
        assert sum(rate > 0 for rate in rates) > len(rates) // 2
        assert all(
            isinstance(meter.answer(q.table.function, q.register, q.words, NOW), bytes) for q in register_map.totals
        )


def test_a_small_register_holds_the_flow_back(crossed: RegisterMap) -> None:
    meter = invented(17, crossed, 1000 * EIGHT_INCH, "1")  # 16 bits of 0.1 L/s end at 6.5 m3/s
    assert 0 < max(meter.profile.rate(NOW + k * HOUR_MS) for k in range(200)) < Fraction("6.5535")


@given(st.integers(0, 3 * ROUND_MS), st.integers(0, ROUND_MS))
def test_a_simulator_started_again_goes_on_and_never_falls_back(plain: RegisterMap, after: int, more: int) -> None:
    first, again = (invented(17, plain, EIGHT_INCH, "1 north") for _ in range(2))
    at = BEGINNING_MS + after
    books = plain.books
    assert books is not None
    assert 0 <= (again.count(at + more) - first.count(at)) % books.scale.capacity < 10**7
    assert again.profile.volume(at + more) >= first.profile.volume(at)


def test_recipes_leave_the_rest_as_it_was(plain: RegisterMap) -> None:
    meter = invented(17, plain, EIGHT_INCH, "1 north")
    round_soon = going_round(meter, NOW + 60_000)
    assert round_soon.count(NOW + 60_000) == 99_999_999
    assert round_soon.count(NOW + 12 * HOUR_MS) < 100_000
    still = resting(meter, NOW)
    assert still.count(NOW) == still.count(NOW + 100 * HOUR_MS) == meter.count(NOW)
    quiet = silent(round_soon, Silent(NOW, NOW + 1000))
    assert quiet.answer(4, 2, 2, NOW) is None
    assert quiet.answer(4, 2, 2, NOW + 1000) == round_soon.answer(4, 2, 2, NOW + 1000)

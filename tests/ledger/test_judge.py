"""Two readings and the rules: what can have flowed between them."""

from fractions import Fraction

import pytest

from tallywell.ledger.intervals import Flag, Kind
from tallywell.ledger.judge import Explained, allowed, explain, fit_together, is_gap
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total

RULES = Rules(every_ms=60_000, possible_rate_m3s=Fraction(1, 10), readout_ms=0)
LITRE = Fraction(1, 1000)


def reading(minute: int, count: int, capacity: int = 10**8, boot: int = 1, utc_minute: int | None = None) -> Reading:
    utc = minute if utc_minute is None else utc_minute
    when = When(boot, minute * 60_000, utc * 60_000, 500)
    return Reading(minute + 1, when, Total.exact(count), Scale(LITRE, capacity))


def judged(old: Reading, new: Reading) -> Explained:
    found = explain(RULES, old, old.total, new)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("capacity", "old", "new"), [(2**32, 2**32 - 1, 4), (2**16, 65_534, 3), (10**8, 99_999_999, 4)]
)
def test_a_register_goes_round_at_its_own_capacity(capacity: int, old: int, new: int) -> None:
    found = judged(reading(0, old, capacity), reading(1, new, capacity))
    assert (found.posted, found.rollovers, found.kind) == (5, 1, Kind.METERED)


def test_what_is_possible_is_rate_times_time_and_one_count_for_two_roundings() -> None:
    assert allowed(RULES, reading(0, 0), reading(1, 0)) == 6001  # 100 L/s for a minute, in litres
    assert allowed(RULES, reading(0, 0), reading(1, 0, boot=2)) == 6101  # and half a second more on each side


def test_dates_of_two_boots_that_overlap_do_not_forbid_what_flowed_between_them() -> None:
    """The rows came in this order, so it is the dates that are wrong: the total is no impossible step."""
    old, new = reading(20, 1000), reading(0, 4000, boot=2, utc_minute=18)
    found = explain(RULES, old, old.total, new)
    assert found is not None
    assert found.posted == 3000


def test_within_a_boot_the_boot_clock_counts_and_not_the_dates() -> None:
    """A new anchor may move the dates; time does not pass faster for that."""
    old, new = reading(0, 0), reading(1, 6500, utc_minute=30)
    assert not is_gap(RULES, old, new)
    assert explain(RULES, old, old.total, new) is None
    assert is_gap(RULES, old, reading(1, 0, boot=2, utc_minute=30))


def test_a_rollover_beyond_the_possible_rate_does_not_fit() -> None:
    assert judged(reading(0, 99_999_000), reading(1, 5_001)).posted == 6_001
    assert explain(RULES, reading(0, 99_999_000), Total.exact(99_999_000), reading(1, 5_002)) is None


def test_a_rollover_between_neighbouring_polls_is_no_question_even_in_a_small_register() -> None:
    assert judged(reading(0, 8_000, 10_000), reading(1, 3_000, 10_000)).kind is Kind.METERED


def test_a_full_round_that_fits_between_neighbouring_polls_is_a_question() -> None:
    found = judged(reading(0, 100, 5_000), reading(1, 200, 5_000))
    assert (found.kind, found.posted, found.low, found.high) == (Kind.QUESTION, 100, 100, 5_100)
    assert found.flags == {Flag.SEVERAL_ROUNDS}


def test_a_fold_may_begin_where_readings_follow_plainly() -> None:
    run = (reading(0, 10), reading(1, 20), reading(2, 20))
    assert fit_together(RULES, run)
    assert not fit_together(RULES, (*run, reading(3, 10)))
    assert not fit_together(RULES, (reading(0, 99_999_999), reading(1, 4)))
    assert not fit_together(RULES, (reading(0, 0, 5_000), reading(1, 1, 5_000)))
    assert not fit_together(RULES, (reading(0, 0), reading(1, 1, 10**7)))

"""Estimates beside what was metered: the sums that a person signs."""

from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.statements import Estimate, Method, Standing
from tallywell.readings.total import Total as Counted
from tallywell.reports.estimating import Estimating, Stretch, united

MINUTE_MS = 60_000
SCALE = Scale(Fraction(1), 10**6)
RULES = Rules(MINUTE_MS, Fraction(10))
MINUTES = 60


def intervals() -> list[Interval]:
    """A cubic metre each minute of an hour."""
    readings = [
        Reading(n + 1, When(1, n * MINUTE_MS, n * MINUTE_MS, 0), Counted.exact(n), SCALE) for n in range(MINUTES + 1)
    ]
    return list(fold(readings, begin(RULES)))


def estimate(first: int, last: int, m3: int, standing: Standing, uuid: str = "a") -> Estimate:
    """`first`, `last`: minutes."""
    span = first * MINUTE_MS, last * MINUTE_MS
    return Estimate(uuid, *span, Fraction(m3), standing, Method.VOLUME, "as stated", "because", "ana")


def total(estimates: list[Estimate], first: int = 0, last: int = MINUTES) -> Fraction | None:
    stretch = Stretch(estimates, first * MINUTE_MS, last * MINUTE_MS)
    for one in intervals():
        stretch.take(one)
    metered, found = stretch.close()
    assert metered is not None
    return None if found is None else found.m3


def test_in_addition_is_added() -> None:
    assert total([estimate(10, 20, 7, Standing.IN_ADDITION)]) == 60 + 7


def test_instead_takes_the_metered_volume_of_its_span_away() -> None:
    assert total([estimate(10, 20, 7, Standing.INSTEAD)]) == 60 - 10 + 7


def test_two_that_overlap_take_the_metered_volume_away_once() -> None:
    both = [estimate(10, 20, 7, Standing.INSTEAD), estimate(15, 30, 2, Standing.INSTEAD, "b")]
    assert total(both) == 60 - 20 + 7 + 2


def test_without_an_estimate_there_is_no_total() -> None:
    assert total([]) is None
    assert total([estimate(70, 80, 7, Standing.IN_ADDITION)]) is None


def test_nothing_metered_is_said_and_the_estimate_stands_alone() -> None:
    stretch = Stretch([estimate(10, 20, 7, Standing.INSTEAD)], 0, MINUTES * MINUTE_MS)
    metered, found = stretch.close()
    assert metered is None
    assert found is not None
    assert found.metered_m3 is None
    assert found.m3 == 7


spans = st.tuples(st.integers(0, 59), st.integers(1, 60)).map(lambda pair: (pair[0], max(pair[0] + 1, pair[1])))
given_estimates = st.lists(
    st.tuples(spans, st.integers(0, 90), st.sampled_from(list(Standing))), min_size=1, max_size=4
)


@given(given_estimates, st.integers(1, 59))
def test_two_periods_add_up_to_the_whole_exactly(said: list[tuple[tuple[int, int], int, Standing]], cut: int) -> None:
    """Whatever is divided by time: nothing is lost, nothing doubled."""
    estimates = [estimate(*span, m3, standing, str(n)) for n, (span, m3, standing) in enumerate(said)]
    first, second = total(estimates, 0, cut), total(estimates, cut, MINUTES)
    parts = [Fraction(cut) if first is None else first, Fraction(MINUTES - cut) if second is None else second]
    assert sum(parts) == total(estimates)


def test_what_is_divided_says_so_and_is_an_exact_fraction() -> None:
    found = Estimating([estimate(50, 80, 1, Standing.IN_ADDITION)], 0, MINUTES * MINUTE_MS)
    (line,) = found.lines()
    assert (line.divided, line.m3) == (True, Fraction(1, 3))


@given(st.lists(spans, max_size=6))
def test_united_spans_cover_the_same_and_are_apart(some: list[tuple[int, int]]) -> None:
    found = list(united(some))
    assert {minute for a, b in found for minute in range(a, b)} == {minute for a, b in some for minute in range(a, b)}
    assert all(before[1] < after[0] for before, after in pairwise(found))

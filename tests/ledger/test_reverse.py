"""Water that ran back, by a total of its own beside the books'."""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest

from tallywell.ledger.intervals import Interval
from tallywell.ledger.reverse import Reverse, reverse_volume
from tests.ledger.conftest import RULES, at_ms

Intervals = Callable[..., list[Interval]]
CAPACITY = Fraction(1000)


def told(intervals: Intervals, *m3: int | str | None) -> Reverse | None:
    found = intervals("\n".join(f"00:{15 * n:02} 1000" for n in range(4)))
    seen = [found[0].first, *(one.last for one in found)]
    seen = [replace(one, reverse_m3=None if x is None else Fraction(x)) for one, x in zip(seen, m3, strict=True)]
    rows = [replace(one, first=seen[n], last=seen[n + 1]) for n, one in enumerate(found)]
    return reverse_volume(RULES, rows, at_ms("00:05"), at_ms("01:00"), CAPACITY)


@pytest.mark.parametrize(
    ("m3", "ran_back"),
    [
        ((10, 10, 12, 12), (2, 2, 2, 40)),
        ((10, 13, 13, 13), (2, 0, 3, 40)),  # ten of the first fifteen minutes lie inside
        ((10, 10, None, 14), (4, 4, 4, 40)),
        ((999, 999, 1, 1), (2, 2, 2, 40)),  # went round
        ((500, 500, 0, 1), (1, 1, 1, 25)),  # set back
        ((None, None, None, 5), None),
    ],
)
def test_differences(intervals: Intervals, m3: tuple[int | None, ...], ran_back: object) -> None:
    found = told(intervals, *m3)
    shown = None if found is None else (found.m3, found.low_m3, found.high_m3, found.covered_ms // 60_000)
    assert shown == ran_back

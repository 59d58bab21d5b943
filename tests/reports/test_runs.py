"""What follows on one another in one way is one remark, and a long one costs no more than a short one."""

import gc
from collections.abc import Iterable
from fractions import Fraction

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.reports.face import Face
from tallywell.reports.model import Remark
from tallywell.reports.runs import RemarkRuns

MINUTE_MS = 60_000
SCALE = Scale(Fraction(1, 10), 10**8)
RULES = Rules(MINUTE_MS, Fraction(1, 10))
FACE = Face(measure("100 L", "volume"), 8)
EMPTY = frozenset({"empty_pipe"})


def reading(minute: int, count: int, status: frozenset[str] = frozenset()) -> Reading:
    when = When(1, minute * MINUTE_MS, minute * MINUTE_MS, 0)
    return Reading(minute + 1, when, Total.exact(count), SCALE, not_counting=status)


def empty_for(minutes: int, before: int = 10, after: int = 10) -> list[Reading]:
    """The pipe stands empty from the reading of minute `before` on; a count a minute otherwise."""
    ends = before + minutes
    status = [EMPTY if before <= n < ends else frozenset[str]() for n in range(ends + after)]
    return [reading(n, min(n, before) + max(0, n - ends), status[n]) for n in range(ends + after)]


def remarks(intervals: Iterable[Interval]) -> tuple[Remark, ...]:
    runs = RemarkRuns(FACE, ())
    for one in intervals:
        runs.take(one)
    return runs.close()


def test_an_empty_pipe_for_three_days_is_one_remark() -> None:
    (remark,) = remarks(fold(empty_for(3 * 1440), begin(RULES)))
    assert (remark.kind, remark.intervals, remark.conditions) == (Kind.NOT_COUNTING, 3 * 1440 + 1, ("empty_pipe",))
    assert (remark.first.utc_ms, remark.last.utc_ms) == (9 * MINUTE_MS, (10 + 3 * 1440) * MINUTE_MS)


def test_its_volume_and_bounds_are_the_sums() -> None:
    intervals = list(fold(empty_for(30), begin(RULES)))
    (remark,) = remarks(intervals)
    own = [one for one in intervals if one.kind is Kind.NOT_COUNTING]
    one_count = SCALE.one_count_m3
    assert remark.volume.m3 == sum(one.posted for one in own) * one_count
    assert remark.volume.low_m3 == sum(one.low for one in own) * one_count
    assert remark.volume.high_m3 == sum(one.high for one in own) * one_count


def test_two_stretches_are_two() -> None:
    first = empty_for(5)
    later = [
        reading(len(first) + n, first[-1].total.count + 1 + n, EMPTY if 5 <= n < 9 else frozenset()) for n in range(20)
    ]
    assert [one.intervals for one in remarks(fold([*first, *later], begin(RULES)))] == [6, 5]


def test_a_long_one_holds_no_more_than_a_short_one() -> None:
    def held(minutes: int) -> int:
        gc.collect()
        before = sum(type(each) is Interval for each in gc.get_objects())
        runs = RemarkRuns(FACE, ())
        for one in fold(empty_for(minutes), begin(RULES)):
            runs.take(one)
        gc.collect()
        return sum(type(each) is Interval for each in gc.get_objects()) - before

    assert held(2000) == held(50)


def test_readings_set_aside_in_a_row_are_one_remark() -> None:
    wrong = {5: 50_000, 6: 90_000}
    told = [reading(n, wrong.get(n, n)) for n in range(20)]
    (remark,) = remarks(fold(told, begin(RULES)))
    assert (remark.kind, remark.intervals) == (Kind.GLITCH, 2)
    assert (remark.first.count, remark.last.count) == (50_000, 90_000)


def test_a_plain_month_has_none() -> None:
    assert not remarks(fold([reading(n, n) for n in range(100)], begin(RULES)))


def test_flags_that_stand_elsewhere_make_no_remark() -> None:
    gap = [reading(0, 0), reading(1, 1), reading(60, 40), reading(61, 41)]
    intervals = list(fold(gap, begin(RULES)))
    assert any(Flag.GAP in one.flags for one in intervals)
    assert not remarks(intervals)

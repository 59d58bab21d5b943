"""The water that ran back in a period, by a total of reverse flow beside the books' own; in no volume of the books.

Differences of neighbouring readings that have it; one that fell went round once where the possible rate allows so much,
else it was set back, and nobody can tell: that stretch is not covered. A difference across an edge of the period is
divided by time, and its bounds are none and all of it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from tallywell.ledger.intervals import NOTES, POSTS, Interval, utc_ms
from tallywell.ledger.judge import elapsed_ms
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading


@dataclass(frozen=True, slots=True)
class Reverse:
    """`m3` between `low_m3` and `high_m3`, known for `covered_ms` of `expected_ms`."""

    m3: Fraction
    low_m3: Fraction
    high_m3: Fraction
    covered_ms: int
    expected_ms: int


def reverse_volume(
    rules: Rules, intervals: Iterable[Interval], begin_ms: int, end_ms: int, capacity_m3: Fraction
) -> Reverse | None:
    """What ran back from `begin_ms` to before `end_ms`; None where no two readings tell it."""
    ran_back = ReverseVolume(rules, begin_ms, end_ms, capacity_m3)
    for one in intervals:
        ran_back.take(one)
    return ran_back.close()


@dataclass(slots=True)
class ReverseVolume:
    """Takes intervals one at a time, in order, and holds none. `capacity_m3`: where that total goes round to zero."""

    rules: Rules
    begin_ms: int
    end_ms: int
    capacity_m3: Fraction
    last: Reading | None = None
    m3: Fraction = Fraction(0)
    low_m3: Fraction = Fraction(0)
    high_m3: Fraction = Fraction(0)
    covered: int = 0

    def take(self, one: Interval) -> None:
        if one.kind in NOTES:
            return
        if one.kind in POSTS:
            self._see(one.first)
            self._see(one.last)
        else:
            self.last = None  # another meter, or another scale

    def close(self) -> Reverse | None:
        if not self.covered:
            return None
        expected = self.end_ms - self.begin_ms
        return Reverse(self.m3, self.low_m3, self.high_m3, min(self.covered, expected), expected)

    def _see(self, reading: Reading) -> None:
        if reading.reverse_m3 is None or (self.last is not None and reading.seq <= self.last.seq):
            return
        before, self.last = self.last, reading
        if before is not None:
            self._add(before, reading)

    def _add(self, old: Reading, new: Reading) -> None:
        begin, end = utc_ms(old), utc_ms(new)
        inside = min(end, self.end_ms) - max(begin, self.begin_ms)
        volume = self._between(old, new)
        if volume is None or inside <= 0:
            return
        self.covered += inside
        if not volume:
            return
        whole = inside == end - begin
        self.m3 += volume if whole else volume * Fraction(inside, end - begin)
        self.low_m3 += volume if whole else 0
        self.high_m3 += volume

    def _between(self, old: Reading, new: Reading) -> Fraction | None:
        assert old.reverse_m3 is not None
        assert new.reverse_m3 is not None
        if new.reverse_m3 == old.reverse_m3:  # nearly always
            return Fraction(0)
        rose = new.reverse_m3 - old.reverse_m3
        if rose < 0:
            rose += self.capacity_m3
        ms = max(0, elapsed_ms(old, new)) + self.rules.readout_ms
        possible = self.rules.possible_rate_m3s * Fraction(ms, 1000) + new.scale.one_count_m3
        return rose if 0 <= rose <= possible else None

"""How much water really ran: piecewise constant rates, integrated exactly.

A rate is a whole number of millionths of a count per second, an instant a whole UTC millisecond, so a volume is a whole
number of billionths of a count and no rounding enters anywhere: what a report states can be held against it exactly.
"""

import random
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise

BILLIONTHS = 10**9  # (count / 10^6 / s) x ms = count / 10^9
MINUTE_MS, HOUR_MS = 60_000, 3_600_000


@dataclass(frozen=True, slots=True)
class Piece:
    """From `start_ms` (UTC) on, `rate` millionths of a count pass per second, until the next piece."""

    start_ms: int
    rate: int


class Profile:
    """A flow over time: nothing before the first piece; the last rate goes on, or all repeats every `repeats_ms`.

    A month of an irrigation pump has some two thousand pieces (three integers each). ValueError where pieces are out of
    order, a rate is negative (a totalizer runs forward) or the pieces do not fit into `repeats_ms`.
    """

    __slots__ = ("_rates", "_starts", "_sums", "_whole", "repeats_ms")

    def __init__(self, pieces: tuple[Piece, ...], repeats_ms: int | None = None) -> None:
        _check(pieces, repeats_ms)
        self._starts = [piece.start_ms for piece in pieces]
        self._rates = [piece.rate for piece in pieces]
        parts = (a.rate * (b.start_ms - a.start_ms) for a, b in pairwise(pieces))
        self._sums = list(accumulate(parts, initial=0))
        self.repeats_ms = repeats_ms
        self._whole = 0 if repeats_ms is None else self._inside(self._starts[0] + repeats_ms)

    @property
    def pieces(self) -> tuple[Piece, ...]:
        return tuple(map(Piece, self._starts, self._rates))

    def volume(self, t_ms: int) -> Fraction:
        """Counts that have passed from the first piece to `t_ms`, exactly; never falls as `t_ms` grows."""
        return Fraction(self.billionths(t_ms), BILLIONTHS)

    def billionths(self, t_ms: int) -> int:
        """`volume` in whole billionths of a count."""
        rounds, within_ms = self._fold(t_ms)
        return rounds * self._whole + self._inside(within_ms)

    def rate(self, t_ms: int) -> Fraction:
        """Counts per second at `t_ms`."""
        _, within_ms = self._fold(t_ms)
        k = bisect_right(self._starts, within_ms) - 1
        return Fraction(self._rates[k], 10**6) if k >= 0 else Fraction(0)

    def reaches(self, counts: Fraction, first_ms: int, last_ms: int) -> int | None:
        """The first millisecond in [first_ms, last_ms] by which `counts` have passed; None if not until then."""
        if self.volume(last_ms) < counts:
            return None
        low, high = first_ms, last_ms
        while low < high:
            middle = (low + high) // 2
            low, high = (low, middle) if self.volume(middle) >= counts else (middle + 1, high)
        return low

    def _fold(self, t_ms: int) -> tuple[int, int]:
        if self.repeats_ms is None or t_ms < self._starts[0]:
            return 0, t_ms
        rounds, within = divmod(t_ms - self._starts[0], self.repeats_ms)
        return rounds, self._starts[0] + within

    def _inside(self, t_ms: int) -> int:
        k = bisect_right(self._starts, t_ms) - 1
        return self._sums[k] + self._rates[k] * (t_ms - self._starts[k]) if k >= 0 else 0


def _check(pieces: tuple[Piece, ...], repeats_ms: int | None) -> None:
    if not pieces:
        raise ValueError("a profile has at least one piece")
    if any(a.start_ms >= b.start_ms for a, b in pairwise(pieces)):
        raise ValueError("the pieces of a profile follow one another in time")
    if any(piece.rate < 0 for piece in pieces):
        raise ValueError("a totalizer's rate is not negative")
    if repeats_ms is not None and pieces[-1].start_ms - pieces[0].start_ms >= repeats_ms:
        raise ValueError("the pieces of a profile that repeats lie within one round")


@dataclass(frozen=True, slots=True)
class Pump:
    """The habits of an irrigation pump: how long it runs and rests (ms, least and most), and its rate when running.

    `rate` in millionths of a count per second; each spell varies by up to `spell_percent` around it (the well's level),
    each step of some minutes by up to `step_percent` more (pressure, valves).
    """

    rate: int
    runs_ms: tuple[int, int] = (5 * HOUR_MS, 40 * HOUR_MS)
    rests_ms: tuple[int, int] = (2 * HOUR_MS, 18 * HOUR_MS)
    steps_ms: tuple[int, int] = (8 * MINUTE_MS, 45 * MINUTE_MS)
    spell_percent: int = 12
    step_percent: int = 3


def irrigation(pump: Pump, seed: str, start_ms: int, end_ms: int) -> tuple[Piece, ...]:
    """Pieces of one pump from `start_ms` to `end_ms`: spells of running and rest, the same for the same seed for ever.

    Seeded by text, since `random.Random` hashes text by SHA-512 and not by the process's own hash seed.
    """
    return tuple(_thinned(_spells(pump, random.Random(seed), start_ms, end_ms)))


def _spells(pump: Pump, dice: random.Random, start_ms: int, end_ms: int) -> Iterator[Piece]:
    at, running = start_ms, dice.random() < 0.5
    while at < end_ms:
        until = min(end_ms, at + dice.randint(*(pump.runs_ms if running else pump.rests_ms)))
        if running:
            yield from _steps(pump, dice, at, until)
        else:
            yield Piece(at, 0)
        at, running = until, not running


def _steps(pump: Pump, dice: random.Random, at: int, until: int) -> Iterator[Piece]:
    spell = _varied(pump.rate, pump.spell_percent, dice)
    while at < until:
        yield Piece(at, max(1, _varied(spell, pump.step_percent, dice)))
        at += dice.randint(*pump.steps_ms)


def _varied(rate: int, percent: int, dice: random.Random) -> int:
    return rate + rate * dice.randint(-1000 * percent, 1000 * percent) // 100_000


def _thinned(pieces: Iterator[Piece]) -> Iterator[Piece]:
    """Neighbours of the same rate are one piece."""
    last: int | None = None
    for piece in pieces:
        if piece.rate != last:
            yield piece
        last = piece.rate

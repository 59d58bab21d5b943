"""What the ledger must know of a point beside its readings."""

from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.quantities import Scale

READOUT_MS = 5_000  # meters refresh their registers every second or few (common practice, no source)


@dataclass(frozen=True, slots=True)
class Rules:
    """`every_ms`: the point's rate of polling. `possible_rate_m3s`: the greatest flow that the pipe can pass.

    `readout_ms`: how old a register may be when it is read, at most (meters refresh every second or few).
    `refresh_ms`: how often this one renews its registers, where that is stated. `may_stop_unpowered`: the meter does
    not count without external power, or nobody has said that it does. `net`: its total takes reverse from forward flow,
    so that it may fall. `run_signal`: whether the pump runs is told by something else than the meter's own flow rate.
    """

    every_ms: int
    possible_rate_m3s: Fraction
    readout_ms: int = READOUT_MS
    refresh_ms: int = 0
    may_stop_unpowered: bool = False
    net: bool = False
    run_signal: bool = False

    def most(self, scale: Scale, ms: int) -> int:
        """The most counts that can pass in so many ms, a register's age and the rounding of one count included."""
        return self.passes(scale, max(0, ms + self.readout_ms)) or 1

    def passes(self, scale: Scale, ms: int) -> int:
        """The most counts that can pass in so many ms, the rounding of one count included; 0 in none."""
        if ms <= 0:
            return 0
        rate, one = self.possible_rate_m3s, scale.one_count_m3
        return rate.numerator * one.denominator * ms // (rate.denominator * one.numerator * 1000) + 1

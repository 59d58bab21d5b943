"""Water that really flowed, and a meter that counts it. Nothing of the ledger makes or knows it.

Time in ms, volume in nL, flow in nL a ms: whole numbers, so that every volume is exact (1 m3 = 10^12 nL; the US gallon
of 231 cubic inches is 3,785,411,784 nL).
"""

import math
import random
import struct
from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import accumulate, pairwise

from tallywell.readings.total import Total

NL_PER_M3 = 10**12
GALLON_NL = 3_785_411_784
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
Change = Callable[[int], int]


@dataclass(frozen=True)
class Flow:
    """A flow that is constant between instants: `rates[n]` (nL a ms) from `at[n]` on."""

    at: tuple[int, ...]
    rates: tuple[int, ...]
    passed: tuple[int, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        steps = ((end - begin) * rate for (begin, end), rate in zip(pairwise(self.at), self.rates, strict=False))
        object.__setattr__(self, "passed", tuple(accumulate(steps, initial=0)))

    def volume(self, ms: int) -> int:
        """What has flowed up to an instant since the beginning."""
        n = max(0, bisect_right(self.at, ms) - 1)
        return self.passed[n] + (ms - self.at[n]) * self.rates[n]

    def rate(self, ms: int) -> int:
        return self.rates[max(0, bisect_right(self.at, ms) - 1)]

    def during(self, begin: int, end: int, change: Change) -> "Flow":
        """The same, but for every rate from `begin` to before `end`, which `change` makes anew."""
        at = sorted({*self.at, begin, end})
        rates = [change(self.rate(ms)) if begin <= ms < end else self.rate(ms) for ms in at]
        return Flow(tuple(at), tuple(rates))

    def each(self, change: Change) -> "Flow":
        return Flow(self.at, tuple(change(rate) for rate in self.rates))


def pumped(chance: random.Random, begin: int, end: int, rates: list[int], idle: int) -> Flow:
    """A pump that starts and stops at odd seconds, by ramps of some steps, at one of several rates that wander by some
    percent; now and then it rests for a day or more. `idle`: what dribbles while it stands.
    """
    at, flow = [begin], [idle]
    now = begin + chance.randint(1, 8 * HOUR)
    while now < end:
        now = _run(chance, now, chance.choice(rates), at, flow)
        at, flow = [*at, now], [*flow, idle]
        rest = chance.choice([(20 * MINUTE, 4 * HOUR), (4 * HOUR, 16 * HOUR), (DAY, 3 * DAY)])
        now += chance.randint(*rest) // SECOND * SECOND + chance.randint(1, 999)
    return Flow(tuple(at), tuple(flow))


def _run(chance: random.Random, now: int, rate: int, at: list[int], flow: list[int]) -> int:
    """One run of the pump into `at` and `flow`; when it has stopped."""
    steps, each = chance.randint(2, 8), chance.randint(SECOND, 8 * SECOND)
    ends = now + chance.choice([chance.randint(10 * MINUTE, 3 * HOUR), chance.randint(3 * HOUR, 40 * HOUR)])
    for step in range(1, steps):
        at.append(now)
        flow.append(rate * step // steps)
        now += each
    while now < ends:
        at.append(now)
        flow.append(rate * chance.randint(97, 103) // 100)
        now += chance.randint(20 * MINUTE, 3 * HOUR)
    for step in range(steps - 1, 0, -1):
        at.append(now)
        flow.append(rate * step // steps)
        now += each
    return now


@dataclass(frozen=True)
class Face:
    """One totalizer from an instant on: it began there at `start` counts."""

    since: int
    start: int


@dataclass(frozen=True)
class Meter:
    """What a meter shows. It counts `counted` in counts of `one` nL and goes round at `capacity`; its registers are up
    to `refresh` ms old. `unit`: of a total sent as a 32-bit float, the volume (nL) of 1.0; None: a whole number.
    The flow rate is the mean of the last `damping` ms of `shown`, in steps of `flow_step`.
    """

    counted: Flow
    shown: Flow
    one: Fraction
    capacity: int
    faces: tuple[Face, ...]
    refresh: int = SECOND
    damping: int = 10 * SECOND
    flow_step: int = 1
    unit: Fraction | None = None
    net: bool = False

    def renewed(self, ms: int) -> int:
        """When the registers that are read at `ms` were made."""
        return ms - ms % self.refresh

    def counts(self, ms: int) -> Fraction:
        """Where the totalizer stands, exact, and not gone round."""
        face = [one for one in self.faces if one.since <= ms][-1]
        return face.start + (self.counted.volume(ms) - self.counted.volume(face.since)) / self.one

    def total(self, ms: int) -> Total:
        stands = self.counts(self.renewed(ms))
        stands = stands if self.net else stands % self.capacity
        if self.unit is None:
            return Total.exact(math.floor(stands))
        return as_float(stands, self.one / self.unit, self.capacity)

    def flow(self, ms: int) -> int:
        """nL a ms."""
        at = self.renewed(ms)
        mean = (self.shown.volume(at) - self.shown.volume(at - self.damping)) // self.damping
        return (mean + self.flow_step // 2) // self.flow_step * self.flow_step


def as_float(counts: Fraction, unit_of_count: Fraction, capacity: int) -> Total:
    """A total that is sent as an IEEE 754 single; its step is bounded by the two numbers next to it. The last counts of
    a face may be sent as its capacity: it does not show that.
    """
    (sent,) = struct.unpack(">f", struct.pack(">f", float(counts * unit_of_count)))
    (bits,) = struct.unpack(">I", struct.pack(">f", sent))
    above = Fraction(_single(bits + 1))
    below = Fraction(_single(bits - 1)) if bits else Fraction(0)
    number = Fraction(sent)
    count = round(number / unit_of_count)
    least, greatest = ((number + other) / 2 / unit_of_count for other in (below, above))
    low, high = min(count, math.ceil(least)), max(count, math.floor(greatest))
    return Total(*(min(one, capacity - 1) for one in (count, low, high)))


def _single(bits: int) -> float:
    (number,) = struct.unpack(">f", struct.pack(">I", bits))
    return float(number)


def spans_out(flow: Flow, spans: Iterable[tuple[int, int]]) -> Flow:
    """The flow without what passed during some spans."""
    for begin, end in spans:
        flow = flow.during(begin, end, lambda _: 0)
    return flow


def percent_of(percent: int) -> Change:
    return lambda rate: rate * percent // 100

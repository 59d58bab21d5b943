"""The unit detective: what the totalizer counted, against its flow rate integrated over time.

Between two readings no gap apart the flow rate is taken as a straight line (trapezoid); over a gap it is between
nothing and the possible rate. A pump that starts or stops between two polls makes an error of up to half an interval at
its full flow (`sampling`), either way, so that it averages out over many starts; of a run between two polls nothing is
seen.

The ratio of both is taken by local day, of days on which enough was counted and seen, and over all of them. Where it is
steady, its neighbours in the table of `factors` are named: all of those inside the spread of the days, since 10 and
7.48 are told apart only by days that agree. Stretches in which rate and total contradict one another (see `agreement`)
are left out of the ratio. The limits are choices (common practice, no source). Volumes are exact; ratios of days are
floats where only their scatter is looked at.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.agreement import CUTOFF, SURELY, UNSEEN
from tallywell.ledger.factors import Factor, factors
from tallywell.ledger.intervals import SURE, Interval, Kind
from tallywell.ledger.judge import elapsed_ms
from tallywell.ledger.periods import local
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Scale

ENOUGH_COUNTS = 50  # on a day: its ratio is then known to two in a hundred
ENOUGH_DAYS = 3
SEEN = Fraction(1, 4)  # of a day's volume the error of sampling is at most this
SAME = 0.02  # a meter's own rate and total differ by rounding and damping
STEADY = 0.25
OUTLYING = 10  # of so many days the greatest and the least ratio are left out of the spread
DRIFT_DAYS, DRIFT, DRIFT_FIT = 7, 0.05, 0.8
QUARTER_MS = 900_000
STOOD_MOVED, STOOD_RESTED = 20, 6
NOTHING = Fraction(0)
SHOWN_PLAINLY = 0.5
CONTRARY = frozenset({Kind.FLOW_UNCOUNTED, Kind.COUNTED_WITHOUT_FLOW})


class Verdict(StrEnum):
    """What is found; the value is fit for a report."""

    AGREES = "agrees"
    FACTOR = "differs by a factor that people get wrong"
    DIFFERS = "differs steadily"
    STUCK = "the flow rate is stuck"
    DRIFTS = "drifts"
    UNKNOWN = "not enough to tell"


@dataclass(frozen=True, slots=True)
class Day:
    """What was counted and what the flow rate said on one local day, in m3, without gaps. `sampling_m3`: by how much
    the latter may be off at most. `counts`: what was counted in counts.
    """

    day: date
    counted_m3: Fraction
    flowed_m3: Fraction
    sampling_m3: Fraction
    counts: int

    @property
    def is_enough(self) -> bool:
        seen = self.flowed_m3 > 0 and self.sampling_m3 <= SEEN * self.flowed_m3
        return seen and self.counts >= ENOUGH_COUNTS


@dataclass(frozen=True, slots=True)
class Finding:
    """`ratio`: counted over flowed on the `days` that are evidence; `spread`: half of the days' range, as a part of it
    (without the greatest and the least tenth of many).

    `factors`: all that fit within the spread. `change`: of a drift, of the ratio from the first day to the last, as a
    part of it. `counted_m3`: all, across gaps too; `low_m3`, `flowed_m3`, `high_m3`: the integrated flow rate of all,
    with gaps at nothing, left out, and at the possible rate. `sampling_m3`: its error by starts and stops, at most.
    """

    verdict: Verdict
    ratio: Fraction | None
    spread: float
    days: tuple[Day, ...]
    factors: tuple[Factor, ...] = ()
    change: float = 0.0
    reason: str = ""
    counted_m3: Fraction = Fraction(0)
    low_m3: Fraction = Fraction(0)
    flowed_m3: Fraction = Fraction(0)
    high_m3: Fraction = Fraction(0)
    sampling_m3: Fraction = Fraction(0)

    @property
    def sentence(self) -> str:
        return _sentence(self)


@dataclass(slots=True)
class _Sums:
    """Of one day, in whole numbers, as a fraction costs ten times as much to add: counts by their scale, and twice the
    integral by the denominator of its flow rates. (A register's have few: one, or as many as a float has exponents.)
    """

    counts: dict[Scale, int] = field(default_factory=dict)
    double: dict[int, int] = field(default_factory=dict)  # m3/s times ms
    sampling: float = 0.0

    def count(self, scale: Scale, posted: int) -> None:
        self.counts[scale] = self.counts.get(scale, 0) + posted

    def flow(self, first: Fraction, last: Fraction, ms: int) -> None:
        if first is not last and first != last:
            self.sampling += abs(float(first) - float(last)) * ms
        for rate in (first, last):
            if rate.numerator:
                self.double[rate.denominator] = self.double.get(rate.denominator, 0) + rate.numerator * ms

    def closed(self, day: date) -> Day:
        counted = sum((count * scale.one_count_m3 for scale, count in self.counts.items()), Fraction(0))
        double = sum((Fraction(numerator, bottom) for bottom, numerator in self.double.items()), Fraction(0))
        return Day(day, counted, double / 2000, Fraction(self.sampling / 2000), sum(self.counts.values()))


@dataclass(slots=True)
class _Standing:
    """A stretch in which the flow rate is the same to the last bit."""

    flow_m3s: Fraction | None = None
    ms: int = 0
    moved: int = 0
    rested: int = 0
    rested_ms: int = 0
    counted_m3: Fraction = Fraction(0)

    def is_stuck(self, rules: Rules, one_count_m3: Fraction) -> bool:
        if self.flow_m3s is None:
            return False
        if self.flow_m3s == 0:
            unseen = UNSEEN * rules.every_ms + Fraction(self.ms, CUTOFF)
            return self.counted_m3 * 1000 > rules.possible_rate_m3s * unseen
        still = self.flow_m3s * self.rested_ms >= SURELY * one_count_m3 * 1000
        return self.rested >= STOOD_RESTED and still


def unit_finding(
    rules: Rules,
    intervals: Iterable[Interval],
    begin_ms: int,
    end_ms: int,
    zone: ZoneInfo,
    *,
    multiplier: Fraction | None = None,
    face: Fraction | None = None,
) -> Finding:
    """The finding of a period; see `Detective`."""
    detective = Detective(rules, begin_ms, end_ms, zone, multiplier, face)
    for one in intervals:
        detective.take(one)
    return detective.close()


@dataclass(slots=True)
class Detective:
    """Takes intervals one at a time, in order, and keeps a sum a day. `multiplier`, `face`: as `factors` takes them.

    An interval belongs to the day on which it begins, with its counts and its flow alike.
    """

    rules: Rules
    begin_ms: int
    end_ms: int
    zone: ZoneInfo
    multiplier: Fraction | None = None
    face: Fraction | None = None
    by_day: dict[date, _Sums] = field(default_factory=dict)
    beside: _Sums = field(default_factory=_Sums)
    gaps_ms: int = 0
    rated: bool = False
    standing: _Standing = field(default_factory=_Standing)
    stuck: _Standing | None = None
    quarter: int | None = None
    today: _Sums = field(default_factory=_Sums)

    def take(self, one: Interval) -> None:
        inside = self.begin_ms <= one.begin_ms < self.end_ms
        if not inside or (one.kind not in SURE and one.kind not in CONTRARY):
            return
        ms = max(0, elapsed_ms(one.first, one.last))
        first, last = one.first.flow_m3s, one.last.flow_m3s
        if first is None or last is None or one.gap:
            self.gaps_ms += ms
            self.beside.count(one.scale, one.posted)
            return
        self.rated = True
        self._stood(one, first, last, ms)
        if not self.rules.net:  # a forward total does not count what runs back
            first, last = _forward(first), _forward(last)
        sums = self._of_day(one.begin_ms) if one.kind in SURE else self.beside
        sums.flow(first, last, ms)
        if one.posted:
            sums.count(one.scale, one.posted)

    def _of_day(self, ms: int) -> _Sums:
        """The clocks of today's zones differ from UTC by whole quarters of an hour, so a day ends at one."""
        quarter = ms // QUARTER_MS
        if quarter != self.quarter:
            self.quarter = quarter
            self.today = self.by_day.setdefault(local(ms, self.zone).date(), _Sums())
        return self.today

    def _stood(self, one: Interval, first: Fraction, last: Fraction, ms: int) -> None:
        if self.stuck is not None:
            return
        same = first is last or first == last
        stood = self.standing
        if not same or (stood.flow_m3s is not first and stood.flow_m3s != first):
            stood = self.standing = _Standing(last)
        if not same:
            return
        stood.ms += ms
        if one.posted:
            stood.moved += 1
            stood.counted_m3 += one.volume_m3
        else:
            stood.rested += 1
            stood.rested_ms += ms
        if stood.moved >= STOOD_MOVED and stood.is_stuck(self.rules, one.scale.one_count_m3):
            self.stuck = stood

    def close(self) -> Finding:
        every_day = [sums.closed(each) for each, sums in sorted(self.by_day.items())]
        days = tuple(day for day in every_day if day.is_enough)
        whole = _all([*every_day, self.beside.closed(date.min)])
        gaps_m3 = self.rules.possible_rate_m3s * Fraction(self.gaps_ms, 1000)
        ratio, spread = _ratio(days)
        found = Finding(
            Verdict.UNKNOWN,
            ratio,
            spread,
            days,
            counted_m3=whole.counted_m3,
            low_m3=whole.flowed_m3,
            flowed_m3=whole.flowed_m3,
            high_m3=whole.flowed_m3 + gaps_m3,
            sampling_m3=whole.sampling_m3,
        )
        if self.stuck is not None:
            return replace(found, verdict=Verdict.STUCK, reason="at zero" if self.stuck.flow_m3s == 0 else "above zero")
        return self._judged(found)

    def _judged(self, found: Finding) -> Finding:
        change = _drift(found.days)
        if change is not None:
            return replace(found, verdict=Verdict.DRIFTS, change=change)
        reason = self._unknown(found)
        if reason:
            return replace(found, reason=reason)
        if _fits(found, Fraction(1)):
            return replace(found, verdict=Verdict.AGREES)
        fit = tuple(one for one in factors(self.multiplier, self.face) if _fits(found, one.ratio))
        return replace(found, verdict=Verdict.FACTOR if fit else Verdict.DIFFERS, factors=fit)

    def _unknown(self, found: Finding) -> str:
        """Why nothing can be told; "" where something can."""
        if not self.rated:
            return "no two neighbouring readings have a flow rate"
        if found.ratio is None or len(found.days) < ENOUGH_DAYS:
            return f"{len(found.days)} of at least {ENOUGH_DAYS} days with enough volume for its polls"
        unsteady = found.spread > STEADY
        return f"the ratio differs from day to day by {found.spread:.0%} either way" if unsteady else ""


def _all(days: list[Day]) -> Day:
    counted = sum((day.counted_m3 for day in days), NOTHING)
    flowed = sum((day.flowed_m3 for day in days), NOTHING)
    sampling = sum((day.sampling_m3 for day in days), NOTHING)
    return Day(date.min, counted, flowed, sampling, sum(day.counts for day in days))


def _forward(rate: Fraction) -> Fraction:
    return NOTHING if rate.numerator < 0 else rate


def _ratio(days: tuple[Day, ...]) -> tuple[Fraction | None, float]:
    flowed = sum((day.flowed_m3 for day in days), Fraction(0))
    if not flowed or not any(day.counted_m3 for day in days):
        return None, 0.0
    ratio = sum((day.counted_m3 for day in days), Fraction(0)) / flowed
    each = sorted(day.counted_m3 / day.flowed_m3 for day in days)
    odd = len(each) // OUTLYING
    return ratio, float((each[-1 - odd] - each[odd]) / 2 / ratio)


def _fits(found: Finding, factor: Fraction) -> bool:
    assert found.ratio is not None
    return abs(float(factor / found.ratio) - 1) <= SAME + found.spread


def _drift(days: tuple[Day, ...]) -> float | None:
    """How much the ratio changed from the first day to the last by a straight line, where the days lie along one."""
    if len(days) < DRIFT_DAYS:
        return None
    x = [float((day.day - days[0].day).days) for day in days]
    y = [float(day.counted_m3 / day.flowed_m3) for day in days]
    x_mean, y_mean = sum(x) / len(x), sum(y) / len(y)
    xx = sum((one - x_mean) ** 2 for one in x)
    yy = sum((one - y_mean) ** 2 for one in y)
    xy = sum((one - x_mean) * (other - y_mean) for one, other in zip(x, y, strict=True))
    if not xx or not yy or not y_mean or xy * xy < DRIFT_FIT * xx * yy:
        return None
    change = xy / xx * (x[-1] - x[0]) / y_mean
    return change if abs(change) >= DRIFT else None


def _sentence(found: Finding) -> str:
    """One sentence for people; its numbers are rounded."""
    if found.verdict is Verdict.UNKNOWN:
        return f"total against flow rate: not enough to tell; {found.reason}"
    if found.verdict is Verdict.STUCK:
        return (
            f"the flow rate stands {found.reason} to the last bit while the total moves and rests: the flow rate is "
            "stuck, or its register is the wrong one"
        )
    assert found.ratio is not None
    ratio = float(found.ratio)
    shown = f"{ratio:.3f}" if SHOWN_PLAINLY <= ratio <= 1 / SHOWN_PLAINLY else f"{ratio:.4g}"
    evidence = f"{shown} times what the flow rate says, by {len(found.days)} days within "
    evidence += f"{max(found.spread, 0.001):.1%}"
    if found.verdict is Verdict.DRIFTS:
        way = "rose" if found.change > 0 else "fell"
        return (
            f"the ratio of total to flow rate {way} by {abs(found.change):.0%} over {len(found.days)} days: "
            "the pump or the meter wears, or one of its settings moves"
        )
    if found.verdict is Verdict.AGREES:
        return f"the total agrees with the flow rate: {evidence}"
    if found.verdict is Verdict.FACTOR:
        names = "; or ".join(f"{one.name} ({float(one.ratio):.4g})" for one in found.factors)
        return f"the total is {evidence}; that fits {names}"
    off = abs(float(found.ratio) - 1)
    return (
        f"the total is {evidence}: {off:.0%} {'more' if found.ratio > 1 else 'less'}, which no unit explains; "
        "look at the calibration, the bore that is set, and the cutoff"
    )

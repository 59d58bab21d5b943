"""The unit detective: totals that differ from their flow rate by what was planted, on known water."""

import random
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from scipy.integrate import trapezoid

from tallywell.ledger.agreement import agreement
from tallywell.ledger.detective import Finding, Verdict, unit_finding
from tallywell.ledger.fold import begin, fold
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total
from tests.ledger.water import DAY, GALLON_NL, HOUR, MINUTE, NL_PER_M3, Flow, percent_of, pumped

GREATEST = 5 * GALLON_NL // 1000  # 300 gpm
EVERY = 5 * MINUTE
POSSIBLE = Fraction(3 * GREATEST * 1000, NL_PER_M3)
ZONE = ZoneInfo("America/Denver")
FT3_IN_GAL = Fraction(1728, 231)


def water(seed: int, days: int = 20) -> Flow:
    return pumped(random.Random(seed), 0, days * DAY, [GREATEST, GREATEST // 2], 0)


def readings(flow: Flow, factor: Fraction = Fraction(1), days: int = 20, every: int = EVERY) -> list[Reading]:
    """A counter of US gallons whose map makes `factor` times as much of them."""
    told = []
    scale = Scale(Fraction(GALLON_NL, NL_PER_M3) * factor, 10**9)
    for seq, ms in enumerate(range(HOUR, days * DAY, every), start=1):
        count = 1000 + flow.volume(ms) // GALLON_NL
        rate = Fraction(flow.rate(ms) * 1000, NL_PER_M3)
        told.append(Reading(seq, When(1, ms, ms, 0), Total.exact(count), scale, rate, words=f"{seq}".encode()))
    return told


def finding(told: list[Reading], factor: Fraction = Fraction(1), **known: Fraction) -> Finding:
    every = told[1].when.boot_ms - told[0].when.boot_ms
    rules = Rules(every, POSSIBLE * max(factor, Fraction(1)))
    return unit_finding(rules, fold(told, begin(rules)), 0, 40 * DAY, ZONE, **known)


def test_the_integral_is_scipys() -> None:
    """scipy.integrate.trapezoid of the same points (SciPy, BSD; an independent implementation)."""
    for seed in range(3):
        told = readings(water(seed))
        found = finding(told)
        seconds = [one.when.boot_ms / 1000 for one in told]
        flows = [float(one.flow_m3s or 0) for one in told]
        assert float(found.flowed_m3) == pytest.approx(float(trapezoid(flows, seconds)), rel=1e-9), f"seed {seed}"
        assert found.low_m3 == found.flowed_m3 == found.high_m3


@pytest.mark.parametrize("seed", range(5))
def test_the_error_of_sampling_holds_what_flowed(seed: int) -> None:
    flow = water(seed)
    told = readings(flow, every=15 * MINUTE)
    found = finding(told)
    first, last = (one.when.boot_ms for one in (told[0], told[-1]))
    passed = Fraction(flow.volume(last) - flow.volume(first), NL_PER_M3)
    # A rate that wanders by some percent between two polls is no start: a twentieth besides.
    assert abs(found.flowed_m3 - passed) <= found.sampling_m3 + passed / 20, f"seed {seed}"


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_meter_agrees(seed: int) -> None:
    found = finding(readings(water(seed)))
    assert found.verdict is Verdict.AGREES, f"seed {seed}: {found.sentence}"
    assert found.sentence.startswith("the total agrees with the flow rate: ")


@pytest.mark.parametrize(
    ("factor", "named"),
    [
        (Fraction(10), "one fixed zero"),
        (Fraction(1, 10), "one fixed zero dropped"),
        (FT3_IN_GAL, "a total in US gallons taken for cubic feet"),
        (1 / FT3_IN_GAL, "a total in cubic feet taken for US gallons"),
        (Fraction("1.20095"), "a total in US gallons taken for imperial gallons"),
        (Fraction(1000), "three fixed zeros"),
        (Fraction(12), "a total in acre-inches taken for acre-feet"),
        (Fraction("448.831"), "a flow rate in cfs taken for gpm"),
        (Fraction("0.2271247"), "a flow rate in gpm taken for m3/h"),
    ],
)
def test_what_was_planted_is_named(factor: Fraction, named: str) -> None:
    found = finding(readings(water(3), factor), factor)
    assert found.verdict is Verdict.FACTOR
    assert any(named in one.name for one in found.factors), found.sentence
    assert all(abs(float(one.ratio / factor) - 1) < 0.12 for one in found.factors), found.sentence


def test_ten_is_not_taken_for_gallons_in_a_cubic_foot() -> None:
    found = finding(readings(water(4), Fraction(10)), Fraction(10))
    assert [one.ratio for one in found.factors] == [10]
    assert "that fits a multiplier 10 times too great" in found.sentence


def test_what_the_caller_knows_of_the_multiplier_is_named_beside_the_others() -> None:
    found = finding(readings(water(4), Fraction(100)), Fraction(100), multiplier=Fraction(100))
    names = {one.name for one in found.factors}
    assert "the multiplier of the total counted twice" in names
    assert "a multiplier 100 times too great, or two fixed zeros too many" in names


def test_a_steady_difference_that_no_unit_explains() -> None:
    found = finding(readings(water(5), Fraction(7, 10)), Fraction(7, 10))
    assert found.verdict is Verdict.DIFFERS
    assert "30% less, which no unit explains" in found.sentence


def test_a_drift_is_no_factor() -> None:
    flow = water(6)
    wears = flow
    for day in range(20):
        wears = wears.during(day * DAY, (day + 1) * DAY, percent_of(100 - day))
    told = [replace(one, total=late.total) for one, late in zip(readings(flow), readings(wears), strict=True)]
    found = finding(told)
    assert found.verdict is Verdict.DRIFTS
    assert -0.25 < found.change < -0.12
    assert "fell by" in found.sentence


@pytest.mark.parametrize(("rate", "says"), [(Fraction(0), "at zero"), (POSSIBLE / 4, "above zero")])
def test_a_flow_rate_that_is_stuck(rate: Fraction, says: str) -> None:
    found = finding([replace(one, flow_m3s=rate) for one in readings(water(7))])
    assert found.verdict is Verdict.STUCK
    assert says in found.sentence


def test_where_the_two_contradict_one_another_is_no_evidence() -> None:
    flow = water(8)
    stood = flow.during(4 * DAY, 9 * DAY, lambda _: 0)
    told = [replace(one, total=late.total) for one, late in zip(readings(flow), readings(stood), strict=True)]
    rules = Rules(EVERY, POSSIBLE)
    named = list(agreement(rules, fold(told, begin(rules))))
    found = unit_finding(rules, named, 0, 40 * DAY, ZONE)
    assert found.verdict is Verdict.AGREES, found.sentence
    assert found.flowed_m3 > found.counted_m3 * Fraction(11, 10)


def test_a_gap_is_between_nothing_and_the_possible_rate() -> None:
    told = readings(water(8))
    kept = [one for one in told if not 5 * DAY < one.when.boot_ms < 6 * DAY]
    gap = max(new.when.boot_ms - old.when.boot_ms for old, new in pairwise(kept))
    found = finding(kept)
    assert found.high_m3 - found.low_m3 == POSSIBLE * gap / 1000
    assert found.verdict is Verdict.AGREES


def test_not_enough_to_tell_has_its_reason() -> None:
    short = finding(readings(water(9), days=1))
    assert short.verdict is Verdict.UNKNOWN
    assert "of at least 3 days" in short.sentence
    none = finding([replace(one, flow_m3s=None) for one in readings(water(9))])
    assert "no two neighbouring readings have a flow rate" in none.sentence
    chance = random.Random(9)
    times = [Fraction(chance.choice([1, 8])) for _ in range(21)]
    wild = [
        replace(one, flow_m3s=(one.flow_m3s or Fraction(0)) * times[one.when.boot_ms // DAY])
        for one in readings(water(9))
    ]
    assert "differs from day to day" in finding(wild).sentence

"""Flow rate and total beside one another, in small stories and in random worlds of known water."""

import random
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.ledger.agreement import Agreement, agreement, decided
from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Flag, Interval, Kind
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total
from tests.ledger.conftest import RULES, shown
from tests.ledger.water import DAY, GALLON_NL, HOUR, MINUTE, NL_PER_M3, Face, Flow, Meter, pumped

Intervals = Callable[..., list[Interval]]
CONTRARY = {Kind.FLOW_UNCOUNTED, Kind.COUNTED_WITHOUT_FLOW}


def kinds(told: list[Interval]) -> list[Kind]:
    return [one.kind for one in agreement(RULES, told)]


def story(*readings: tuple[int, int]) -> str:
    """(count, flow) each 15 minutes; a digit in the flow that changes keeps the words from being frozen."""
    rows = enumerate(readings)
    return "\n".join(f"{n // 4:02}:{n % 4 * 15:02} {count} flow {flow}" for n, (count, flow) in rows)


STUCK = story((1000, 100), (2500, 101), (3000, 100), *((3000, 100 + n % 2) for n in range(8)), (3900, 101), (5400, 100))


def test_a_total_that_stands_while_water_flows(intervals: Intervals) -> None:
    told = list(agreement(RULES, intervals(STUCK)))
    assert [one.kind for one in told] == [Kind.METERED] + [Kind.FLOW_UNCOUNTED] * 10 + [Kind.METERED]
    assert shown(told[2]) == "0:30-0:45 +0 flow without counting [0, 15084]"
    assert shown(told[1]) == "0:15-0:30 +500 flow without counting [500, 15084]"  # it came to stand inside


@pytest.mark.parametrize(
    "readings",
    [
        [(3000, 100 + n % 2) for n in range(5)],  # too few
        [(3000, 0) for n in range(40)],
        [(3000, -100 - n % 2) for n in range(40)],  # water that runs back
        [(3000, 40 + n % 2) for n in range(40)],  # less than a twentieth of 1,000 a minute
        [(3000 + n // 3, 100 + n % 2) for n in range(40)],
    ],
)
def test_what_is_no_flow_without_counting(intervals: Intervals, readings: list[tuple[int, int]]) -> None:
    assert not CONTRARY & set(kinds(intervals(story(*readings))))


def test_a_rate_that_stands_at_zero_while_the_total_rises(intervals: Intervals) -> None:
    dead = story(*((1000 + 5000 * n, 0) for n in range(30)))
    told = list(agreement(RULES, intervals(dead)))
    assert {one.kind for one in told} == {Kind.COUNTED_WITHOUT_FLOW}
    assert (told[3].posted, told[3].low, told[3].high) == (5000, 0, 5000)
    few = story(*((1000 + 5000 * n, 0) for n in range(20)), (101_000, 300), (106_000, 300))
    assert set(kinds(intervals(few))) == {Kind.METERED}  # 95,000 counts are not yet eight polls' time and the cutoff


def test_a_gap_ends_a_run_and_passes(intervals: Intervals) -> None:
    rows = story(*((3000, 100 + n % 2) for n in range(12))).splitlines()
    told = intervals("\n".join([*rows[:4], *rows[8:]]))
    assert list(agreement(RULES, told)) == told


def test_a_cutoff_that_was_stated_stands_in_place_of_the_common_one(intervals: Intervals) -> None:
    told = intervals(story(*((3000, 40 + n % 2) for n in range(12))))
    runs = [replace(o, first=replace(o.first, running=True), last=replace(o.last, running=True)) for o in told]
    assert set(kinds(runs)) == {Kind.FLOW_UNCOUNTED}
    stands = [replace(o, first=replace(o.first, running=False), last=replace(o.last, running=False)) for o in told]
    assert set(kinds(stands)) == {Kind.METERED}


# --- random worlds

GREATEST = 5 * GALLON_NL // 1000  # 5 gal a second: 300 gpm
WORLD = Rules(every_ms=15 * MINUTE, possible_rate_m3s=Fraction(3 * GREATEST * 1000, NL_PER_M3))
BEGIN = 0


def readings(meter: Meter, every: int, scale: Scale, phase: int, cutoff: int) -> list[Reading]:
    """What `meter` shows each `every` ms for ten days; flow below `cutoff` is shown as none."""
    told = []
    for seq, ms in enumerate(range(HOUR + phase, 10 * DAY, every), start=1):
        flow = meter.flow(ms)
        flow = 0 if abs(flow) < cutoff else flow
        at = When(1, ms, ms, 0)
        rate = Fraction(flow * 1000, NL_PER_M3)
        told.append(Reading(seq, at, meter.total(ms), scale, rate, words=f"{seq}".encode()))
    return told


def world(seed: int, counted: Callable[[Flow], Flow], shown_: Callable[[Flow], Flow]) -> tuple[list[Reading], Flow]:
    chance = random.Random(seed)
    flow = pumped(chance, BEGIN, 10 * DAY, [GREATEST, GREATEST // 2, GREATEST // 4], 0)
    gallons = chance.choice([1, 10, 100, 1000])
    cutoff = GREATEST * chance.randint(0, 5) // 100
    one, damping = Fraction(GALLON_NL * gallons), chance.choice([1, 5_000, 30_000])
    meter = Meter(counted(flow), shown_(flow), one, 10**9, (Face(0, 5000),), damping=damping)
    scale = Scale(one / NL_PER_M3, 10**9)
    return readings(
        meter, chance.choice([MINUTE, 5 * MINUTE, 15 * MINUTE]), scale, chance.randint(0, MINUTE), cutoff
    ), flow


def same(flow: Flow) -> Flow:
    return flow


def folded(told: list[Reading], rules: Rules) -> list[Interval]:
    return list(fold(told, begin(rules)))


def rules_for(told: list[Reading]) -> Rules:
    return replace(WORLD, every_ms=told[1].when.boot_ms - told[0].when.boot_ms)


@pytest.mark.parametrize("seed", range(24))
def test_no_false_finding_in_clean_worlds(seed: int) -> None:
    told, _ = world(seed, same, same)
    rules = rules_for(told)
    before = folded(told, rules)
    assert list(agreement(rules, before)) == before, f"seed {seed}"


FROM, TO = 3 * DAY, 7 * DAY


@pytest.mark.parametrize("seed", range(102, 108))
def test_the_truth_lies_inside_the_bounds_of_a_totalizer_that_was_stuck(seed: int) -> None:
    told, flow = world(seed, lambda flow: flow.during(FROM, TO, lambda _: 0), same)
    rules = rules_for(told)
    after = list(agreement(rules, folded(told, rules)))
    found = [one for one in after if one.kind is Kind.FLOW_UNCOUNTED]
    assert found or flow.volume(TO) - flow.volume(FROM) < GREATEST * 2 * HOUR, f"seed {seed}"
    for one in found:
        assert_holds(one, flow, seed)
        # A coarse total is still for a while after it counts again.
        assert FROM - rules.every_ms < one.begin_ms < TO + HOUR, f"seed {seed}"


@pytest.mark.parametrize("seed", range(200, 206))
def test_the_truth_lies_inside_the_bounds_of_a_rate_that_died(seed: int) -> None:
    told, flow = world(seed, same, lambda flow: flow.during(FROM, TO, lambda _: 0))
    rules = rules_for(told)
    after = list(agreement(rules, folded(told, rules)))
    for one in after:
        assert_holds(one, flow, seed)
        assert one.kind is not Kind.FLOW_UNCOUNTED, f"seed {seed}"
        assert one.kind is not Kind.COUNTED_WITHOUT_FLOW or FROM - rules.every_ms < one.begin_ms < TO


def assert_holds(one: Interval, flow: Flow, seed: int) -> None:
    """Within one count, which the register rounds away at each end, and a second, by which it is old."""
    count = one.scale.one_count_m3 * NL_PER_M3
    water = (flow.volume(one.end_ms - 1000) - flow.volume(one.begin_ms)) / count
    assert water <= one.high + 1, f"seed {seed}: {one}"
    water = (flow.volume(one.end_ms) - flow.volume(one.begin_ms - 1000)) / count
    assert water >= one.low - 1, f"seed {seed}: {one}"


# --- laws

STEPS = st.lists(
    st.tuples(st.sampled_from([0, 0, 0, 1, 2000]), st.sampled_from([0, 0, 100, 101, -5]), st.integers(1, 12)),
    min_size=1,
    max_size=12,
)


def of_steps(steps: list[tuple[int, int, int]]) -> list[Reading]:
    told: list[Reading] = []
    count = 1000
    scale = Scale(Fraction(GALLON_NL, NL_PER_M3), 10**9)
    for rise, flow, times in steps:
        for _ in range(times):
            count += rise
            seq = len(told) + 1
            ms = seq * 15 * MINUTE
            rate = flow * scale.one_count_m3 / 60
            words = f"{seq}".encode()
            told.append(Reading(seq, When(1, ms, ms, 0), Total.exact(count), scale, rate, words=words))
    return told


@given(STEPS)
@settings(max_examples=150, deadline=None)
def test_counts_never_change_and_nothing_is_lost(steps: list[tuple[int, int, int]]) -> None:
    before = folded(of_steps(steps), RULES)
    after = list(agreement(RULES, before))
    bare = [replace(one, kind=old.kind, low=old.low, high=old.high) for one, old in zip(after, before, strict=True)]
    assert bare == before
    assert all(one.low <= old.low and old.high <= one.high for one, old in zip(after, before, strict=True))


@given(STEPS, st.data())
@settings(max_examples=150, deadline=None)
def test_a_stage_begun_behind_a_decided_pair_gives_the_same(
    steps: list[tuple[int, int, int]], data: st.DataObject
) -> None:
    before = folded(of_steps(steps), RULES)
    after = list(agreement(RULES, before))
    at = [n for n, one in enumerate(before) if decided(RULES, one.first, one.last)]
    if not at:
        return
    begun = data.draw(st.sampled_from(at))
    ended = data.draw(st.sampled_from(at))
    assert list(agreement(RULES, before[begun:]))[1:] == after[begun + 1 :]
    assert list(agreement(RULES, before[: ended + 1]))[:-1] == after[:ended]


def test_only_so_much_is_held_back() -> None:
    before = folded(of_steps([(0, 100, 5), (1, 0, 2000), (0, 0, 100)]), RULES)
    stage, most, passed = Agreement(RULES), 0, 0
    for one in before:
        passed += len(stage.take(one))
        most = max(most, len(stage.held))
    assert most <= 258
    assert passed + len(stage.close()) == len(before)


# --- what each limit is for


def test_a_rate_that_lags_behind_a_stop_is_no_flow() -> None:
    """Thirty seconds of damping at a poll a second: the rate still shows what no longer flows."""
    rules = replace(RULES, every_ms=1000)
    scale = Scale(Fraction(GALLON_NL, NL_PER_M3), 10**9)
    told = [
        Reading(
            n, When(1, n * 1000, n * 1000, 0), Total.exact(5000), scale, (30 - n) * scale.one_count_m3 / 3, words=b"x"
        )
        for n in range(1, 29)
    ]
    before = folded([replace(one, words=f"{one.seq}".encode()) for one in told], rules)
    assert list(agreement(rules, before)) == before


def test_low_flow_that_only_the_rate_cuts_off_is_no_contradiction(intervals: Intervals) -> None:
    told = folded(of_steps([(600, 0, 254)]), RULES)  # 40 a minute of 1,000 for 63 hours
    assert set(kinds(told)) == {Kind.METERED}


def test_a_pump_that_stands_by_its_run_signal_counts_nothing(intervals: Intervals) -> None:
    told = intervals(story(*((3000, 100 + n % 2) for n in range(12))))
    stands = [replace(o, first=replace(o.first, running=False), last=replace(o.last, running=False)) for o in told]
    assert set(kinds(stands)) == {Kind.METERED}


def test_what_has_something_else_to_say_ends_a_run_and_passes(intervals: Intervals) -> None:
    told = intervals(story(*((3000, 100 + n % 2) for n in range(10))))
    told[4] = replace(told[4], flags=told[4].flags | {Flag.GLITCH_INSIDE})
    assert list(agreement(RULES, told)) == told


def test_a_start_of_the_machine_ends_a_run() -> None:
    told = of_steps([(0, 100, 10)])
    later = [one if one.seq < 5 else replace(one, when=replace(one.when, boot=2)) for one in told]
    before = folded(later, RULES)
    assert len(before) == 9
    assert list(agreement(RULES, before))[:3] == before[:3]
    assert not decided(RULES, told[3], told[4])
    assert decided(RULES, later[3], later[4])

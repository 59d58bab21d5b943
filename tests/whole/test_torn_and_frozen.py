"""Torn and frozen meters, from the wire to the books: the recipes of the simulated line through schedule, exchange and
row, and each reading followed as the daemon does. Sample meters whose totals run, and two maps for tears.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from itertools import pairwise
from math import ceil

import pytest

from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import NOTES, Flag, Interval, Kind
from tallywell.ledger.suspect import FROZEN_POLLS
from tallywell.readings.clocks import When
from tallywell.readings.facts import Poll
from tallywell.readings.quantities import Missed, Reading
from tallywell.readings.units import Measure
from tallywell.registers.quantity import RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.registers.tears import tears
from tallywell.service.accepting import point_plans
from tallywell.service.anchoring import Dating
from tallywell.service.ledger_facts import Decoder, plan_in_force, rules_of
from tallywell.service.rows import PointKeys, row
from tallywell.service.site import Point
from tallywell.service.watching import FROZE, THAWED, Watching
from tallywell.simulator.allowed import Refusal
from tallywell.simulator.meter import Meter, one_count_m3
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.trouble import RECIPES, Trouble
from tests.line.campaign import START_MS, Campaign
from tests.simulator.samples import NAMES, sample

SEED = "20261125"
EVERY_S = 10
HOUR_MS = 3_600_000
WORDS = """
map: two-words
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 9, for_the_books: yes}
"""
PARTS = """
map: whole-and-fraction
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 9, for_the_books: yes,
                  low_part: {register: 4, type: uint16, capacity: 10000}}
"""


@dataclass(frozen=True, slots=True)
class Freezing(Meter):
    """Its registers stand between two instants, and it counts on meanwhile."""

    frozen: tuple[int, int] = (0, 0)

    def answer(self, function: int, register: int, words: int, utc_ms: int) -> bytes | Refusal | None:
        begins, ends = self.frozen
        return Meter.answer(self, function, register, words, begins if begins <= utc_ms < ends else utc_ms)


@dataclass
class World:
    """A meter whose total runs at one rate, polled every 10 s, and all that came of it."""

    map: RegisterMap
    rate: Fraction  # counts a second
    polls: int
    trouble: Trouble | None = None
    frozen: tuple[int, int] = (0, 0)  # polls
    rows: list[Poll] = field(default_factory=list)
    said: list[tuple[int, str]] = field(default_factory=list)  # with the number of polls by then
    looks: int = 0

    def __post_init__(self) -> None:
        profile = Profile((Piece(START_MS - HOUR_MS, int(10**6 * self.rate)),))
        begins, ends = (START_MS + 1000 * EVERY_S * poll for poll in self.frozen)
        self.meter = Freezing(17, self.map, profile, first_count=self.first_count(), frozen=(begins, ends))
        possible = Measure(Fraction(1), "possible", (2 * self.rate + 20) * one_count_m3(self.map))
        self.point = Point("well", "", (), "", 17, "", self.map, 1000 * EVERY_S, possible)
        self.plan = point_plans(self.point)[0]
        self.keys = PointKeys(1, 1, self.map, self.plan.reads, names=tuple(self.map.quantities))
        self.play()

    def first_count(self) -> int:
        """A little below a carry of the words: it comes before the first poll, and what is older is torn by it."""
        books = self.map.books
        assert books is not None
        span = max((1, *tears(books)))
        return books.scale.capacity // 3 // span * span - ceil(100 * self.rate)

    def play(self) -> None:
        troubles = [self.trouble] if self.trouble else []
        campaign = Campaign(troubles, f"{SEED} torn or frozen", meters=[self.meter], plan=[self.plan])
        watching = Watching(self.point)
        last = None
        for number in range(1, self.polls + 1):
            while not campaign.passes or campaign.passes[-1] is last:
                campaign.poll_once()
            last = campaign.passes[-1]
            fact = row(last, self.keys, number, 1, Dating(START_MS))
            self.rows.append(fact)
            found = watching.after(fact, self.keys)
            self.said += [(number, said) for said in found.said]
            self.looks += found.look_again
        assert campaign.tally.findings() == []

    def facts(self) -> Iterator[Reading | Missed]:
        plan = plan_in_force(self.map, "", self.plan.reads)
        decoder = Decoder(lambda _: plan, self.point)
        for one in self.rows:
            fact = decoder.fact(one, When(0, one.boot_ms, one.shown_ms, 0))
            assert fact is not None
            yield fact

    def intervals(self) -> list[Interval]:
        return list(fold(self.facts(), begin(rules_of(self.point))))

    def readings(self) -> list[Reading]:
        return [fact for fact in self.facts() if isinstance(fact, Reading)]

    def off(self, fact: Reading) -> int:
        """How far a reading is from what the meter held: the middle of an exchange is some ms before its answer."""
        assert fact.when.utc_ms is not None
        true = self.meter.count(self.meter.renewed_ms(fact.when.utc_ms))
        renewed_s = max(Fraction(1), Fraction(self.map.limits.refresh_ns, 10**9))
        return max(0, abs(fact.total.count - true) - (fact.total.high - fact.total.low) - ceil(self.rate * renewed_s))


@cache
def map_of(name: str) -> RegisterMap:
    """A sample meter's map, or one of the two of this file."""
    text = {"two-words": WORDS, "whole-and-fraction": PARTS}.get(name)
    if text is None:
        return sample(name)
    found, problems = parse_map(text, name)
    assert found is not None, problems
    return found


def torn(world: World) -> list[Reading]:
    """The readings that are wrong, by more than what flows while they are read."""
    return [one for one in world.readings() if world.off(one)]


def rate_of(found: RegisterMap) -> Fraction:
    """Counts a second at 50 L/s, about 800 gpm."""
    return Fraction(50, 1000) / one_count_m3(found)


SAMPLES = [name for name in NAMES if map_of(name).books]
# Those whose lower words come first are not here: one answer in many is off by a carry, the others by a moment.
TORN = [("torn_words", name) for name in ("two-words", "inline-a", "probe-f", "spool-c", "tee-k")]
TORN += [("torn_parts", name) for name in ("whole-and-fraction", "propeller-h")]


@pytest.mark.parametrize(("recipe", "name"), TORN)
def test_torn_totals_are_set_aside_under_their_name(recipe: str, name: str) -> None:
    """Of each torn reading: the books go past it, and it is called torn; none that was sound is.

    (What no reading before tells is not told: a record whose first reading is torn begins with an impossible step. And
    three torn in a row fit one another, as after a reset.)
    """
    rate = rate_of(map_of(name))
    world = World(map_of(name), rate, 1_500, Trouble(RECIPES[recipe], rate=5))
    wrong = torn(world)
    told = world.intervals()
    notes = [one for one in told if one.kind in NOTES]
    named = {one.first.seq for one in notes if one.kind is Kind.TORN}
    print(f"seed {SEED}, {recipe}, {name}: {len(wrong)} torn of {world.polls}, {len(named)} named, {world.looks} looks")
    assert len(wrong) > 10
    assert named <= {one.first.seq for one in notes} <= {one.seq for one in wrong}
    # Of the two maps whose span is little more than what flows between polls: a tear may look like flow, or two in a
    # row fit one another. The next readings mend the books all the same.
    least = 0.9 if map_of(name).books.low_part else 1  # type: ignore[union-attr] # all of them have a total
    assert len(named) >= least * len(wrong)
    first, last = told[0].first, told[-1].last
    posted = sum(one.posted for one in told if one.kind not in NOTES)
    assert posted == last.total.count - first.total.count
    assert not world.off(last)
    assert world.looks >= len(named) / 2
    assert any("was torn inside the meter" in said for _, said in world.said)


@pytest.mark.parametrize("name", SAMPLES)
def test_a_healthy_meter_is_called_neither(name: str) -> None:
    """At rest, too, where all words stand for hours; and with a flow rate in whole units, which stands in the flow."""
    for rate in (rate_of(map_of(name)), Fraction(0)):
        world = World(map_of(name), rate, 200)
        assert (world.said, world.looks) == ([], 0)
        told = world.intervals()
        assert {one.kind for one in told} == {Kind.METERED}
        assert len(told) == 199


@pytest.mark.parametrize("name", SAMPLES)
def test_a_meter_that_is_frozen_from_the_first_poll_on(name: str) -> None:
    world = World(map_of(name), rate_of(map_of(name)), 60, Trouble(RECIPES["frozen"]))
    assert [said for _, said in world.said] == [FROZE]
    (note,) = world.intervals()
    assert (note.kind, note.missed) == (Kind.FROZEN, (("frozen", 59),)), "nothing is known while it is frozen"


@pytest.mark.parametrize("name", SAMPLES)
def test_a_meter_that_freezes_and_moves_again(name: str) -> None:
    """Named within few polls; the books are right before, and behind it by what its total then shows."""
    rate = rate_of(map_of(name))
    world = World(map_of(name), rate, 120, frozen=(40, 80))
    (froze, first), (thawed, second) = world.said
    assert (first, second) == (FROZE, THAWED)
    assert 40 + FROZEN_POLLS <= froze <= 40 + FROZEN_POLLS + 20
    assert 80 <= thawed <= 82
    told = world.intervals()
    assert all(before.last == after.first for before, after in pairwise(told))
    (across,) = [one for one in told if Flag.FROZEN in one.flags]
    assert (across.kind, {one.kind for one in told}) == (Kind.ACROSS_GAP, {Kind.ACROSS_GAP, Kind.METERED})
    assert 38 <= dict(across.missed)["frozen"] <= 41
    ran = rate * Fraction(across.end_ms - across.begin_ms, 1000)
    assert abs(across.posted - ran) <= 2 + 4 * rate + (across.high - across.low)
    assert sum(one.posted for one in told) == told[-1].last.total.count - told[0].first.total.count

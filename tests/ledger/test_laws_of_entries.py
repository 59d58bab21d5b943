"""The ledger's laws in worlds full of entries: change-outs, resets, seasons, answers, other serial numbers, status,
dead supplies, net totals. Worlds are made at random from a seed; nothing of the ledger makes them.
"""

import os
import random
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import pytest

from tallywell.ledger.fold import Fact, State, begin, fit_together, fold
from tallywell.ledger.intervals import NOTES, POSTS, Interval, Segment
from tallywell.ledger.reach import may_begin
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import stands
from tallywell.readings.clocks import When
from tallywell.readings.quantities import (
    Change,
    FaceCount,
    HandReading,
    Happened,
    Installed,
    Missed,
    Reading,
    Scale,
    Season,
    Settled,
)
from tallywell.readings.total import Total

START_MS = 1_782_864_000_000
MINUTE_MS = 60_000
ONE = Fraction(1, 100)
POSSIBLE = 1000  # counts a minute
CUTS = 3
SEEDS = range(int(os.environ.get("TALLYWELL_SEED", "0")), int(os.environ.get("TALLYWELL_SEED", "0")) + 150)


@dataclass
class World:
    """What happens at a point, poll by poll."""

    chance: random.Random
    facts: list[Fact] = field(default_factory=list)
    installed: list[Installed] = field(default_factory=list)
    seasons: list[Season] = field(default_factory=list)
    settled: list[Settled] = field(default_factory=list)
    seq: int = 0
    now: int = START_MS
    boot: int = 1
    rate: int = 0

    def __post_init__(self) -> None:
        chance = self.chance
        self.every = chance.choice([1, 15, 60]) * MINUTE_MS
        self.scale = Scale(ONE, 10 ** chance.choice([4, 5, 6, 8]))
        self.face = chance.randrange(self.scale.capacity)
        self.rules = Rules(
            self.every,
            ONE * POSSIBLE / 60,
            may_stop_unpowered=chance.random() < 0.5,
            net=chance.random() < 0.1,
            run_signal=chance.random() < 0.2,
        )
        while len(self.facts) < 80:
            self._poll()

    def _poll(self) -> None:
        chance = self.chance
        self.seq += 1
        self.now += self.every + chance.randint(0, self.every // 30)
        if chance.random() < 0.2:
            self.rate = chance.choice([0, 0, 50, 300, 999]) * (chance.choice([1, -1]) if self.rules.net else 1)
        self.face += self.rate * self.every // MINUTE_MS
        what = chance.random()
        if what < 0.02:
            self.boot += 1
            self.facts.append(Happened(self.seq, self._when(), chance.choice(["started", "unclean end", "stopped"])))
        elif what < 0.05:
            self._silence(chance.choice([3, 10, 100, 2000]) * self.every)
        elif what < 0.07:
            self.facts.append(Missed(self.seq, self._when(), chance.choice(["no_answer", "bad_crc"])))
        else:
            self._entries(what)
            self.facts.append(self._reading(what))

    def _when(self, before_ms: int = 0) -> When:
        return When(self.boot, self.now - START_MS - before_ms, self.now - before_ms, 20)

    def _silence(self, ms: int) -> None:
        chance, flow = self.chance, None
        self.now += ms
        if chance.random() < 0.3:
            flow = ONE * self.rate / 60
        for _ in range(chance.randint(0, 3)):
            self.seq += 1
            self.facts.append(Missed(self.seq, self._when(ms // 2), chance.choice(["no_answer", "port_lost"]), flow))
        self.face += chance.choice([0, self.rate]) * ms // MINUTE_MS
        if chance.random() < 0.3:
            end = self.now - self.every if chance.random() < 0.8 else None
            self.seasons.append(Season(f"winter {self.seq}", self.now - ms, end, self._shown(), self._shown()))
        if chance.random() < 0.3:
            self.settled.append(Settled(f"answer {self.seq}", self.now - ms // 2, chance.randint(0, 3)))
        if chance.random() < 0.3:
            total = Total.exact(self.face % self.scale.capacity)
            self.facts.append(HandReading(f"hand {self.seq}", self.now - ms // 2, total, "the operator"))

    def _shown(self) -> FaceCount | None:
        shown = FaceCount(Total.exact(self.face % self.scale.capacity), self.scale)
        return shown if self.chance.random() < 0.3 else None

    def _entries(self, what: float) -> None:
        chance = self.chance
        if what < 0.11:
            old, self.face = self._shown(), chance.randrange(self.scale.capacity)
        if 0.09 <= what < 0.11:
            change = chance.choice([c for c in Change if c is not Change.SERIAL])
            at, first = self.now + chance.randint(-self.every // 2, self.every // 2), self.face
            known = first if chance.random() < 0.7 else None
            self.installed.append(Installed(f"entry {self.seq}", at, known, "S", change=change, final=old))
        if 0.11 <= what < 0.12:
            other = Installed(f"serial {self.seq}", self.now, None, "T", change=Change.SERIAL, after_seq=self.seq)
            self.installed.append(other)

    def _reading(self, what: float) -> Reading:
        chance, capacity = self.chance, self.scale.capacity
        count = (self.face + capacity) % (2 * capacity) - capacity if self.rules.net else self.face % capacity
        count = chance.randrange(2 * capacity) if what > 0.98 else count
        when = self._when()
        if what > 0.97:  # a boot of its own that nobody dates
            self.boot, when = self.boot + 1, When(self.boot, when.boot_ms, None, 0)
        return Reading(
            self.seq,
            when,
            Total.exact(count),
            self.scale,
            flow_m3s=ONE * self.rate / 60 if chance.random() < 0.9 else None,
            running=chance.choice([None, True, False]),
            words=f"{count} {self.rate}".encode() if chance.random() < 0.9 else b"",
            not_counting=frozenset({"empty_pipe"}) if chance.random() < 0.05 else frozenset(),
            suspect=frozenset({"coil"}) if chance.random() < 0.05 else frozenset(),
        )

    def begun(self, segment: Segment | None = None) -> State:
        entries = tuple(self.installed), segment
        return begin(self.rules, *entries, seasons=tuple(self.seasons), settled=tuple(self.settled))


def world(seed: int) -> World:
    return World(random.Random(seed))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_books_balance_whatever_people_state(seed: int) -> None:
    print(f"seed {seed}")
    segments: dict[str, list[Interval]] = defaultdict(list)
    made = world(seed)
    for one in fold(made.facts, made.begun()):
        assert one.low <= one.high
        assert one.kind not in POSTS or one.low <= one.posted <= one.high
        assert one.kind in POSTS or not one.posted
        if one.kind not in NOTES:
            segments[one.segment.id].append(one)
    for chain in segments.values():
        assert all(old.closing == new.opening and old.last is new.first for old, new in pairwise(chain))
        rounds = sum(one.rollovers for one in chain) * made.scale.capacity
        assert chain[-1].closing - chain[0].opening + rounds == sum(one.posted for one in chain)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fold_begun_early_enough_equals_the_whole_whatever_people_state(seed: int) -> None:
    """A period between readings, from three good ones before it to three behind it, none of which may stand."""
    print(f"seed {seed}")
    made = world(seed)
    whole = list(fold(made.facts, made.begun()))
    good = [fact for fact in made.facts if isinstance(fact, Reading) and fact.when.utc_ms is not None]
    fits = [n for n in range(len(good) - 2) if fit_together(made.rules, tuple(good[n : n + 3]))]
    starts = [n for n in fits if may_begin(made.rules, tuple(good[n : n + 3]), tuple(made.installed))]
    ends = [n for n in fits if not stands(made.rules, *good[n + 1 : n + 3])]
    for _ in range(CUTS):
        early = made.chance.choice(starts) if starts else 0
        later = [n for n in ends if n >= early + 3]
        if starts and later:
            late = made.chance.choice(later)
            _equal(made, whole, good[early : early + 3], good[late : late + 3])


def _equal(made: World, whole: list[Interval], before: list[Reading], behind: list[Reading]) -> None:
    period = before[-1].when.utc_ms or 0, behind[0].when.utc_ms or 0
    segment = next((one.segment for one in whole if one.last is before[-1]), None)
    part = made.facts[made.facts.index(before[0]) : made.facts.index(behind[-1]) + 1]
    assert _inside(fold(part, made.begun(segment)), period) == _inside(whole, period)


def _inside(intervals: Iterable[Interval], period: tuple[int, int]) -> list[Interval]:
    """Between readings that polls brought: what a person stated stands beside one of these."""
    return [one for one in intervals if period[0] <= one.begin_ms and one.end_ms <= period[1] and one.first.seq]

"""Random months of a well whose water is known to the drop, and what a logger there brings home.

It shares no code with the ledger: only the value types of `tallywell.readings` carry the facts over. `plants` puts
events into a month and writes down what each must be called. Times are true UTC ms; what the logger dates is off by the
error of its clock, which lies within what it says of it.
"""

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from tallywell.readings.clocks import When
from tallywell.readings.quantities import (
    STARTED,
    STOPPED,
    UNCLEAN_END,
    HandReading,
    Happened,
    Installed,
    LedgerFact,
    Missed,
    Reading,
    Scale,
    Season,
    SerialRead,
    Settled,
)
from tallywell.readings.total import Total
from tests.ledger.water import (
    DAY,
    GALLON_NL,
    HOUR,
    MINUTE,
    NL_PER_M3,
    SECOND,
    Face,
    Flow,
    Meter,
    percent_of,
    pumped,
    spans_out,
)

ZONES = ["America/Denver", "America/Los_Angeles", "America/Phoenix", "Pacific/Auckland", "Australia/Adelaide", "UTC"]
EVERY_MIN = [1, 5, 10, 15, 15, 15, 30, 30, 60, 60]
OTHERWISE = [5, 15, 30, 60]  # three times of four, so that a thousand months take minutes
PIPES_MM = [102, 152, 203, 254, 305]
COUNTS_NL = [
    Fraction(GALLON_NL),
    Fraction(10 * GALLON_NL),
    Fraction(100 * GALLON_NL),
    Fraction(NL_PER_M3, 100),
    Fraction(NL_PER_M3, 10),
    Fraction(43_560 * 28_316_846_592, 1000),  # a thousandth of an acre-foot
]
FAULTS = ["no_answer", "bad_crc", "exception", "wrong_length"]
MARGIN_DAYS = 3  # of the record on either side of the month
LONGEST_DAYS = 6  # of an event


@dataclass(frozen=True)
class Expected:
    """What the ledger must call an event, between two instants: `times` intervals (at least, at most) of this kind and
    these flags, those of the segment apart. Kinds and flags go by the names of the ledger's members.
    """

    event: str
    kind: str
    flags: frozenset[str]
    begin_ms: int
    end_ms: int
    times: tuple[int, int] = (1, 1)
    rollovers: int = 0


@dataclass(frozen=True)
class Known:
    """What the ledger is told of the point."""

    every_ms: int
    possible_rate_m3s: Fraction
    refresh_ms: int
    may_stop_unpowered: bool
    net: bool


@dataclass(frozen=True)
class Month:
    """`facts` in order; `truth_m3`: what flowed between consecutive `edges_ms`. `step_m3`: the greatest step of a total
    that is sent as a float, at least one count; 0 where it is sent in whole counts.
    """

    seed: str
    events: tuple[str, ...]
    known: Known
    edges_ms: tuple[int, ...]
    truth_m3: tuple[Fraction, ...]
    one_count_m3: Fraction
    facts: tuple[LedgerFact | HandReading, ...]
    installed: tuple[Installed, ...]
    seasons: tuple[Season, ...]
    settled: tuple[Settled, ...]
    serials: tuple[SerialRead, ...]
    expected: tuple[Expected, ...]
    tolerance_ms: int
    step_m3: Fraction


@dataclass
class Boot:
    """A boot of the logger, from when on, how it came about, and the error of its clock (ms) at each anchor, hourly."""

    begin: int
    news: tuple[str, ...]
    undated: bool = False
    ppm: int = 0
    errors: list[int] = field(default_factory=list)


@dataclass
class Draft:
    """A month in the making. `fates`: of polls by number, a fault, or "none" for one that was never made."""

    chance: random.Random
    seed: str
    every: int
    edges: tuple[int, ...]
    polls: list[int]
    water: Flow
    pump: int
    possible: int
    one: Fraction
    cutoff: int
    has_flow: bool
    unit: Fraction | None
    half_ms: int
    refresh: int
    may_stop: bool
    tears: bool
    net: bool = False
    alone: bool = False
    natural_rollovers: bool = False
    capacity: int = 0
    start: int = 0
    faces: list[Face] = field(default_factory=list)
    uncounted: list[tuple[int, int]] = field(default_factory=list)
    scaled: list[tuple[int, int, int]] = field(default_factory=list)  # counts so many percent
    unshown: list[tuple[int, int]] = field(default_factory=list)
    still_shown: list[tuple[int, int]] = field(default_factory=list)
    flow_alone: list[tuple[int, int]] = field(default_factory=list)
    says: list[tuple[int, int, str, str]] = field(default_factory=list)
    fates: dict[int, str] = field(default_factory=dict)
    instead: dict[int, Total] = field(default_factory=dict)
    frozen: list[tuple[int, int]] = field(default_factory=list)
    busy: set[int] = field(default_factory=set)
    boots: list[Boot] = field(default_factory=list)
    happened: list[tuple[int, str]] = field(default_factory=list)
    hands: list[tuple[int, Total]] = field(default_factory=list)
    serials: list[tuple[int, str]] = field(default_factory=list)
    installed: list[Installed] = field(default_factory=list)
    seasons: list[Season] = field(default_factory=list)
    settled: list[Settled] = field(default_factory=list)
    expected: list[Expected] = field(default_factory=list)

    @property
    def begin(self) -> int:
        return self.polls[0]

    @property
    def scale(self) -> Scale:
        return Scale(self.one / NL_PER_M3, self.capacity)

    def poll_at(self, ms: int) -> int:
        """The number of the first poll at or after an instant."""
        return next(n for n, at in enumerate(self.polls) if at >= ms)

    def pumping(self, begin: int, end: int, rate: int | None = None) -> None:
        """From poll to poll the pump runs (or stands, at a rate of 0), whatever it did there before."""
        rate = self.pump if rate is None else rate
        self.water = self.water.during(self.polls[begin], self.polls[end], lambda _: rate)

    def keep_free(self, begin: int, end: int) -> None:
        self.busy |= set(range(begin - 5, end + 6))

    def expect(
        self, event: str, name: str, begin: int, end: int, *, times: tuple[int, int] = (1, 1), rollovers: int = 0
    ) -> None:
        """Between two polls, by number. `name`: the kind and the flags, blanks between."""
        (kind, *flags), polls = name.split(), (self.polls[begin], self.polls[end])
        self.expected.append(Expected(event, kind, frozenset(flags), *polls, times, rollovers))

    def seen(self) -> Flow:
        """What a sound meter would count: below its cutoff it takes the water for standing. So much of the water is no
        matter of the books, but of the meter's accuracy.
        """
        return self.water.each(lambda rate: rate if abs(rate) >= self.cutoff else 0)

    def meter(self) -> Meter:
        seen = self.seen()
        counted = spans_out(seen, self.uncounted)
        for begin, end, percent in self.scaled:
            counted = counted.during(begin, end, percent_of(percent))
        shown = spans_out(seen, self.unshown)
        return Meter(
            counted,
            shown,
            self.one,
            self.capacity,
            tuple(sorted(self.faces, key=lambda face: face.since)),
            self.refresh,
            self.refresh * 10,
            max(1, self.pump // 1000),
            self.unit,
            self.net,
        )


def edges_of(first: date, zone: ZoneInfo) -> tuple[int, ...]:
    """Local midnights of a month and of the day after it, in UTC ms."""
    after = (first.replace(day=28) + timedelta(days=4)).replace(day=1)
    count = (after - first).days
    days = [first + timedelta(days=n) for n in range(count + 1)]
    return tuple(int(datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()) * SECOND for day in days)


def draft(seed: str, needs: Mapping[str, Any]) -> Draft:
    """A month without events. `needs`: fields of it that are given."""
    chance = random.Random(seed)
    edges = edges_of(date(2026, chance.randint(1, 12), 1), ZoneInfo(chance.choice(ZONES)))
    every = chance.choice(EVERY_MIN if chance.random() < 1 / 4 else OTHERWISE) * MINUTE
    every = needs.get("every", every)
    polls = _polls(chance, every, edges[0] - MARGIN_DAYS * DAY, edges[-1] + MARGIN_DAYS * DAY)
    bore = chance.choice(PIPES_MM)
    area_mm2 = bore * bore * 355 // 452  # a quarter of pi
    pump = area_mm2 * chance.randint(800, 3000)  # mm2 x mm/s = nL a ms, at 0.8 to 3 m/s
    cutoff = pump // 50
    idle = chance.choice([0, 0, 0, cutoff // 2])
    rates = [pump * share // 100 for share in (100, 100, 60, 35)]
    one = needs.get("one", chance.choice(COUNTS_NL))
    unit = one * chance.choice([10, 100, 1000]) if chance.random() < 1 / 4 else None
    clock = chance.choice([20, 200, 200, 1000, 2000]) if chance.random() < 0.9 or every < 10 * MINUTE else 2 * MINUTE
    made = Draft(
        chance=chance,
        seed=seed,
        every=every,
        edges=edges,
        polls=polls,
        water=pumped(chance, polls[0] - DAY, polls[-1] + DAY, rates, idle),
        pump=pump,
        possible=area_mm2 * 10_000,
        one=one,
        cutoff=cutoff,
        has_flow=chance.random() < 0.8,
        unit=unit,
        half_ms=clock,
        refresh=chance.choice([250, SECOND, SECOND, 2 * SECOND, 4 * SECOND]),
        may_stop=chance.random() < 0.5,
        tears=chance.random() < 0.5 and unit is None,
    )
    for what, value in needs.items():
        setattr(made, what, value)
    made.capacity = _wide_enough(made)
    made.start = chance.randint(made.capacity // 5, made.capacity // 2)
    made.boots = [Boot(polls[0] - HOUR, (STARTED,))]
    return made


def _polls(chance: random.Random, every: int, begin: int, end: int) -> list[int]:
    """At each mark, late by what the line takes; the marks are those of the hour, or of when the logger was started."""
    early = every - chance.randint(0, 5 * SECOND)  # so that the last reading of a day is just before midnight
    mark = begin - begin % every + chance.choice([0, early, chance.randint(0, every)])
    late = chance.choice([300, 3 * SECOND])
    return [at + chance.randint(20, late) for at in range(mark, end, every)]


def _wide_enough(made: Draft) -> int:
    """A face that does not go round by itself, nor could while nobody looks."""
    longest = (LONGEST_DAYS + 1) * DAY * made.possible / made.one
    most = 5 * max(longest, made.water.passed[-1] / made.one)
    digits = next(n for n in range(4, 20) if 10**n >= most)
    return 2**32 if most <= 2**32 and made.chance.random() < 1 / 4 else 10**digits


def finished(made: Draft, events: tuple[str, ...]) -> Month:
    made.faces.append(Face(made.polls[0] - DAY, made.start))
    _trifles(made)
    _set_clocks(made)
    if made.natural_rollovers:
        _roll_over(made)
    seen = made.seen()
    facts = tuple(_facts(made))
    known = Known(made.every, Fraction(made.possible, 10**9), made.refresh, made.may_stop, made.net)
    truth = [seen.volume(end) - seen.volume(begin) for begin, end in pairwise(made.edges)]
    return Month(
        made.seed,
        events,
        known,
        made.edges,
        tuple(Fraction(one, NL_PER_M3) for one in truth),
        made.one / NL_PER_M3,
        facts,
        tuple(made.installed),
        tuple(made.seasons),
        tuple(made.settled),
        tuple(_serials(made)),
        tuple(made.expected),
        2 * made.half_ms + 10 * SECOND,
        max([int(made.unit is not None), *map(_step, facts)]) * made.one / NL_PER_M3,
    )


def _roll_over(made: Draft) -> None:
    """A short face goes round wherever it does, between two polls that both came."""
    meter = made.meter()
    rounds = [int(meter.counts(meter.renewed(ms)) // made.capacity) for ms in made.polls]
    came = [n for n in range(len(made.polls)) if n not in made.fates]
    for old, new in pairwise(came):
        if rounds[new] > rounds[old] and new - old <= 2:
            made.expect("short face", "METERED", old, new, rollovers=1)


def _step(fact: LedgerFact | HandReading) -> int:
    return fact.total.high - fact.total.low if isinstance(fact, Reading) else 0


def _trifles(made: Draft) -> None:
    """Single polls missed, hand readings and reboots between two polls, away from the events: nothing to be told."""
    free = [n for n in range(10, len(made.polls) - 10) if n not in made.busy]
    for n in made.chance.sample(free, len(free) // 200):
        if not made.busy & {n - 1, n, n + 1}:
            made.fates[n] = made.chance.choice(FAULTS)
            made.busy |= {n - 1, n, n + 1, n + 2}
    for n in made.chance.sample(free, made.chance.choice([0, 0, 1, 2])):
        if not made.busy & {n, n + 1}:
            at = made.polls[n] + made.every // 2
            made.hands.append((at, made.meter().total(at)))
    for _ in range(made.chance.choice([0, 0, 1, 2])):
        n = made.chance.choice(free)
        if not made.busy & {n, n + 1}:
            news = made.chance.choice([(UNCLEAN_END,), (STOPPED, STARTED)])
            made.boots.append(Boot(made.polls[n] + made.every // 4, news))
            made.busy |= {n - 1, n, n + 1, n + 2}


def _set_clocks(made: Draft) -> None:
    made.boots.sort(key=lambda boot: boot.begin)
    ends = [boot.begin for boot in made.boots[1:]] + [made.polls[-1] + DAY]
    for boot, end in zip(made.boots, ends, strict=True):
        boot.ppm = made.chance.randint(-100, 100)
        hours = (end - boot.begin) // HOUR + 2
        by_hand = made.chance.randint(-made.half_ms, made.half_ms)
        boot.errors = [
            by_hand if made.half_ms >= MINUTE else made.chance.randint(-made.half_ms, made.half_ms)
            for _ in range(hours)
        ]


def dated(made: Draft, ms: int) -> When:
    """What the logger says of a true instant: anchors each hour of a boot, between them its own oscillator."""
    number = max(n for n, boot in enumerate(made.boots) if boot.begin <= ms or n == 0)
    boot = made.boots[number]
    since = ms - boot.begin
    since += since * boot.ppm // 1_000_000
    hour = (ms - boot.begin) // HOUR
    anchor = boot.begin + hour * HOUR
    from_anchor = (ms - anchor) * (1_000_000 + boot.ppm) // 1_000_000
    utc = anchor - boot.errors[hour] + from_anchor
    within = made.half_ms + from_anchor * 500 // 1_000_000 + 2
    return When(number, since + 30 * SECOND, None if boot.undated else utc, within)


def _facts(made: Draft) -> Iterator[LedgerFact | HandReading]:
    """By order of time; hand readings before the first reading dated behind them."""
    meter = made.meter()
    told = [(ms, name) for ms, name in made.happened]
    told += [(boot.begin, name) for boot in made.boots[1:] for name in boot.news]
    moments: list[tuple[int, int, int | str | Total]] = [(ms, 0, name) for ms, name in told]
    moments += [(ms, 1, total) for ms, total in made.hands]
    moments += [(ms, 2, n) for n, ms in enumerate(made.polls)]
    for seq, (ms, order, what) in enumerate(sorted(moments, key=lambda one: one[:2]), start=1):
        if isinstance(what, str):
            yield Happened(2 * seq, dated(made, ms), what)
        elif isinstance(what, Total):
            yield HandReading(f"hand {seq}", ms, what, "the operator", made.scale)
        elif order == 2 and made.fates.get(what) != "none":
            yield _poll(made, meter, 2 * seq, what)


def _poll(made: Draft, meter: Meter, seq: int, n: int) -> LedgerFact:
    ms = made.polls[n]
    when, fault = dated(made, ms), made.fates.get(n)
    flow_came = made.has_flow and any(begin <= n <= end for begin, end in made.flow_alone)
    if fault is not None:
        return Missed(seq, when, fault, _flow(made, meter, ms) if flow_came else None)
    since = next((begin for begin, end in made.frozen if begin <= n <= end), n)
    total = made.instead.get(n) or meter.total(made.polls[since])
    flow = _flow(made, meter, made.polls[since])
    reading = Reading(seq, when, total, made.scale, flow, words=repr((total, flow)).encode())
    reading = replace(reading, tears=(65_536,) if made.tears else ())
    for begin, end, attribute, name in made.says:
        if begin <= meter.renewed(ms) < end:
            said = frozenset({name})
            counts = attribute == "suspect"
            reading = replace(reading, suspect=said) if counts else replace(reading, not_counting=said)
    return reading


def _flow(made: Draft, meter: Meter, ms: int) -> Fraction | None:
    """What the flow rate says, as much off as the turbulence in the pipe makes it: some thousandths."""
    if not made.has_flow:
        return None
    flow = meter.flow(ms)
    noise = random.Random(f"{made.seed} {ms}").randint(-3, 3)
    return Fraction(flow + flow * noise // 1000, 10**9)


def _serials(made: Draft) -> Iterator[SerialRead]:
    """Each read just behind the poll of that number: between the even numbers of the facts."""
    seqs = {ms: 2 * (n + 1) for n, ms in enumerate(sorted(_moments(made)))}
    for n, serial in made.serials:
        ms = made.polls[n]
        yield SerialRead(seqs[ms] - 1, dated(made, ms), (("serial_number", serial),))


def _moments(made: Draft) -> list[int]:
    told = [ms for ms, _ in made.happened] + [boot.begin for boot in made.boots[1:] for _ in boot.news]
    return [*told, *(ms for ms, _ in made.hands), *made.polls]

"""Random lines with dead, slow, babbling and failing meters: whoever is well is polled as if they were hardly there.

The clock is moved by hand; what each meter does is drawn beforehand. That a point's lateness is bounded is shown by
what went before it on the line, not by a threshold: one exchange that kept the line waiting at most.
"""

from collections import Counter
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule import due
from tallywell.schedule.back_off import DOUBTED, kept_waiting
from tallywell.schedule.due import LineState, LookAgain, Plan, Sleep, begin, learned, next_ask

S, MS = 1_000_000_000, 1_000_000
TIMEOUT_NS = S  # of each meter here
QUICK_NS = 40 * MS  # an exchange that nothing delays
UNTIL_NS = 120 * S


class Way(StrEnum):
    """How a meter behaves. Those that are not WELL keep the line waiting in one of DOUBTED exchanges at least."""

    WELL = "well"
    DEAD = "dead"
    SLOW = "slow"
    BABBLING = "babbling"
    FAILING = "failing now and then"


@dataclass(frozen=True)
class Meter:
    """`number`: how slow, or how often it fails, or what it babbles."""

    way: Way
    number: int
    plans: tuple[Plan, ...]

    def ends(self, ask: Ask, asked: int, sent_ns: int) -> Outcome:
        fault, took_ns = self._ending(asked)
        ended_ns = sent_ns + took_ns
        if fault is not None:
            return Outcome(ask, None, fault, sent_ns, ended_ns, owes_until_ns=ended_ns + TIMEOUT_NS)
        return Outcome(ask, bytes(ask.read.content_bytes), None, sent_ns, ended_ns, first_ns=ended_ns - 20 * MS)

    def _ending(self, asked: int) -> tuple[Fault | None, int]:
        match self.way:
            case Way.WELL:
                return None, QUICK_NS
            case Way.DEAD:
                return Fault.NO_ANSWER, TIMEOUT_NS
            case Way.SLOW:
                return None, TIMEOUT_NS * (6 + self.number % 4) // 10
            case Way.BABBLING:
                babble = [Fault.BAD_CRC, Fault.STRAY_BYTES, Fault.WRONG_LENGTH, Fault.NO_ANSWER]
                return babble[(asked + self.number) % 4], TIMEOUT_NS * (1 + asked % 3) // 3
            case Way.FAILING:
                fails = asked % (2 + self.number % (DOUBTED - 2)) == 0
                return (Fault.NO_ANSWER, TIMEOUT_NS) if fails else (None, QUICK_NS)


@st.composite
def meters(draw: st.DrawFn, address: int) -> Meter:
    way = draw(st.sampled_from([Way.WELL, *Way]))
    every_ns = draw(st.sampled_from([S // 2, S, 3 * S, 10 * S, 60 * S]))
    reads = tuple(Read(4, 100 * k, 2) for k in range(draw(st.integers(1, 3))))
    main = Plan(f"p{address}", address, reads, every_ns, TIMEOUT_NS)
    other = replace(main, reads=(Read(3, 70, 6),), every_ns=draw(st.sampled_from([5 * S, 60 * S, None])), main=False)
    plans = (main, other) if draw(st.booleans()) else (main,)
    return Meter(way, draw(st.integers(0, 9)), plans)


lines = st.integers(2, 9).flatmap(lambda count: st.tuples(*(meters(1 + k) for k in range(count))))


@dataclass
class Line:
    """A line of meters, polled; every exchange is noted."""

    meters: tuple[Meter, ...]
    now_ns: int = 0
    exchanges: list[Outcome] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)
    asked: Counter[int] = field(default_factory=Counter)
    state: LineState = field(init=False)

    def __post_init__(self) -> None:
        self.state = begin([plan for meter in self.meters for plan in meter.plans], 0, 0, at_once=True)

    def run(self, until_ns: int) -> None:
        while self.now_ns < until_ns:
            what = next_ask(self.state, self.now_ns)
            if isinstance(what, Sleep):
                self.now_ns = min(what.until_ns, until_ns)
                continue
            outcome = self.meters[what.address - 1].ends(what, self.asked[what.address], self.now_ns)
            self.asked[what.address] += 1
            self.exchanges.append(outcome)
            self.now_ns = outcome.ended_ns
            self.learn(outcome)

    def learn(self, what: Outcome | LookAgain) -> None:
        self.state, ended = learned(self.state, what, self.now_ns)
        self.passes += [ended] if ended else []

    def of(self, way: Way) -> set[str]:
        return {meter.plans[0].point for meter in self.meters if meter.way is way}

    def mains(self, points: set[str]) -> list[Pass]:
        reads = {meter.plans[0].point: meter.plans[0].reads for meter in self.meters}
        return [ended for ended in self.passes if ended.point in points and ended.reads == reads[ended.point]]

    def known_ns(self) -> int:
        """When each meter that is not well has shown it: what a meter is like nobody knows before it was asked."""
        first = {one.ask.address: one.ended_ns for one in reversed(self.exchanges) if kept_waiting(one)}
        return max(first.values(), default=0)

    def waited_for(self, ended: Pass) -> list[Outcome]:
        """Whom this pass waited for since it was due, and who kept the line waiting."""
        begun_ns = ended.outcomes[0].sent_ns
        return [
            one for one in self.exchanges
            if one.ended_ns > ended.due_ns and one.ended_ns <= begun_ns and kept_waiting(one)
        ]  # fmt: skip


def unfair(line: Line) -> list[Pass]:
    """Passes of well meters that waited for more than one exchange which kept the line waiting."""
    known_ns = line.known_ns()
    mains = line.mains(line.of(Way.WELL))
    return [ended for ended in mains if ended.due_ns > known_ns and len(line.waited_for(ended)) > 1]


@settings(max_examples=60, deadline=None)
@given(lines, st.lists(st.tuples(st.integers(0, 119), st.integers(1, 9)), max_size=20))
def test_no_well_meter_waits_for_more_than_one_timeout(found: tuple[Meter, ...], looks: list[tuple[int, int]]) -> None:
    """People ask for any point meanwhile, also for dead ones."""
    line = Line(found)
    for number, (at_s, address) in enumerate(sorted(looks)):
        line.run(at_s * S)
        line.learn(LookAgain(f"p{address}", f"u{number}"))
    line.run(UNTIL_NS)
    assert unfair(line) == []


@settings(max_examples=60, deadline=None)
@given(lines)
def test_lateness_is_one_timeout_and_the_rounds_of_the_well_ones(found: tuple[Meter, ...]) -> None:
    """In time: the longest that a guest may take at a stretch, and twice the round of those that are well."""
    line = Line(found)
    line.run(UNTIL_NS)
    round_ns = sum(QUICK_NS * len(meter.plans[0].reads) for meter in found if meter.way is Way.WELL)
    guest_ns = TIMEOUT_NS + 3 * QUICK_NS  # a failing meter may have answered twice before
    for ended in line.mains(line.of(Way.WELL)):
        if ended.due_ns > line.known_ns():
            assert ended.outcomes[0].sent_ns - ended.due_ns <= guest_ns + 2 * round_ns


@settings(max_examples=60, deadline=None)
@given(lines)
def test_nobody_starves(found: tuple[Meter, ...]) -> None:
    """A guest waits for a round of the well ones and one exchange of each other guest, for each request of its pass."""
    line = Line(found)
    turns = sum(len(meter.plans) for meter in found)
    bound_ns = 3 * turns * (TIMEOUT_NS + turns * 3 * QUICK_NS) + due.GIVE_WAY_NS
    while line.now_ns < 5 * 60 * S:
        line.run(line.now_ns + 5 * S)
        for number, turn in enumerate(line.state.turns):
            assert line.now_ns - due._from_ns(line.state, number) <= bound_ns, turn.plan.point


def well(address: int, every_ns: int = S) -> Meter:
    return Meter(Way.WELL, 0, (Plan(f"p{address}", address, (Read(4, 0, 2),), every_ns, TIMEOUT_NS),))


def as_(way: Way, meter: Meter, number: int = 0) -> Meter:
    return replace(meter, way=way, number=number)


def test_six_dead_meters_of_four_sets_each_are_asked_one_a_round() -> None:
    dead = []
    for address in range(1, 7):
        main = as_(Way.DEAD, well(address))
        others = tuple(replace(main.plans[0], reads=(Read(3, 10 * k, 1),), main=False) for k in range(1, 4))
        dead.append(replace(main, plans=main.plans + others))
    line = Line((*dead, well(7), well(8)))
    line.run(10 * 60 * S)
    assert unfair(line) == []
    good = line.mains({"p7"})
    kept = sum(ended.outcomes[0].sent_ns - ended.due_ns <= S for ended in good)
    print(f"{len(good)} polls of 600, {kept} within a second")
    assert len(good) > 570


def test_a_slow_meter_lets_the_others_go_between_its_requests() -> None:
    main = well(1, 10 * S).plans[0]
    slow = Meter(Way.SLOW, 3, (replace(main, reads=tuple(Read(4, 10 * k, 2) for k in range(12))),))
    line = Line((slow, well(2)))
    line.run(10 * 60 * S)
    whole = [ended for ended in line.passes if ended.point == "p1"]
    assert len(whole) == 53, "a pass of it takes 11.3 s with the other's polls, and marks are 10 s apart"
    assert all(ended.complete for ended in whole)
    good = line.mains({"p2"})
    assert max(ended.outcomes[0].sent_ns - ended.due_ns for ended in good) <= TIMEOUT_NS
    assert len(good) > 590


def test_on_an_overfull_line_totals_go_first_and_other_sets_come_one_a_round() -> None:
    """Eight points each 0.25 s take 0.32 s: no time is left. At 60 s a set of each is due as well, of 30 reads."""
    found = []
    for address in range(1, 9):
        main = well(address, S // 4)
        settings = tuple(Read(3, 10 * k, 1) for k in range(30))
        other = replace(main.plans[0], reads=settings, every_ns=60 * S, main=False)
        found.append(replace(main, plans=(*main.plans, other)))
    line = Line(tuple(found))
    line.run(5 * 60 * S)
    mains = [ended.outcomes[0].sent_ns for ended in line.mains({"p8"})]
    apart = max(after - before for before, after in pairwise(mains) if before > due.GIVE_WAY_NS)
    assert apart <= 30 * QUICK_NS + 2 * 8 * QUICK_NS, "one set, no more, between two polls"
    others = Counter(ended.point for ended in line.passes if len(ended.reads) == 30)
    assert min(others[f"p{address}"] for address in range(1, 9)) >= 2


def test_a_broken_rule_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without it six dead meters are asked in a row."""
    monkeypatch.setattr(due, "_goes_before_guests", lambda _state, _turn: False)
    line = Line((*(as_(Way.DEAD, well(address)) for address in range(1, 7)), well(7)))
    line.run(UNTIL_NS)
    assert unfair(line)

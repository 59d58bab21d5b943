"""A line in a random world: never early, nobody starved, no owing unit asked, nothing asked for is lost."""

from dataclasses import dataclass, field

from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import ClockStepped, LineState, LookAgain, Plan, Sleep, begin, learned, next_ask

S = 1_000_000_000
LONGEST_NS = 2 * S  # of one exchange in this world

plans = st.lists(
    st.builds(
        Plan,
        point=st.sampled_from("abcdef"),
        address=st.integers(1, 4),
        reads=st.lists(st.builds(Read, st.just(4), st.integers(0, 3), st.just(2)), min_size=1, max_size=3).map(tuple),
        every_ns=st.integers(1, 90).map(lambda s: s * S),
        longest_delay_ns=st.just(S),
    ),
    min_size=1,
    max_size=6,
    unique_by=lambda plan: plan.point,
)
endings = st.tuples(
    st.integers(0, LONGEST_NS),
    st.sampled_from([None, None, None, Fault.NO_ANSWER, Fault.EXCEPTION]),
    st.integers(0, 9 * S),
)
news = st.one_of(
    st.none(), st.none(), st.none(),
    st.builds(LookAgain, st.sampled_from("abcdef"), st.uuids().map(str)),
    st.builds(ClockStepped, st.integers(-10**13, 10**18)),
)  # fmt: skip


@dataclass
class World:
    """Runs a line and notes what it did."""

    state: LineState
    now_ns: int
    walls: list[int]
    passes: list[Pass] = field(default_factory=list)
    owes: dict[int, int] = field(default_factory=dict)

    def hear(self, what: LookAgain | ClockStepped) -> None:
        if isinstance(what, ClockStepped):
            self.walls.append(what.wall_minus_boot_ns)
        self._learn(what)

    def turn(self, took_ns: int, fault: Fault | None, owes_ns: int) -> None:
        what = next_ask(self.state, self.now_ns)
        if isinstance(what, Sleep):
            assert what.until_ns > self.now_ns, "sleeps although something is due"
            self.now_ns = what.until_ns
            what = next_ask(self.state, self.now_ns)
        assert isinstance(what, Ask), "woke for nothing"
        assert self.owes.get(what.address, 0) <= self.now_ns, "asked a unit that owes"
        self._end(what, took_ns, fault, owes_ns)

    def _end(self, ask: Ask, took_ns: int, fault: Fault | None, owes_ns: int) -> None:
        sent_ns, self.now_ns = self.now_ns, self.now_ns + took_ns
        owes_until_ns = self.now_ns + owes_ns if fault is Fault.NO_ANSWER else None
        if owes_until_ns is not None:
            self.owes[ask.address] = owes_until_ns
        data = None if fault else bytes(2 * ask.read.words)
        self._learn(Outcome(ask, data, fault, sent_ns, self.now_ns, owes_until_ns=owes_until_ns))

    def _learn(self, what: Outcome | LookAgain | ClockStepped) -> None:
        self.state, ended = learned(self.state, what, self.now_ns)
        if ended is not None:
            self.passes.append(ended)


@settings(max_examples=150, deadline=None)
@given(plans, st.integers(0, 10**12), st.integers(-(10**12), 10**18), st.lists(st.tuples(endings, news), max_size=60))
def test_a_random_world(
    plans: list[Plan],
    now_ns: int,
    wall_ns: int,
    turns: list[tuple[tuple[int, Fault | None, int], LookAgain | ClockStepped | None]],
) -> None:
    world = World(begin(plans, now_ns, wall_ns), now_ns, [wall_ns])
    looks = set()
    for ending, what in turns:
        if what is not None:
            world.hear(what)
            if isinstance(what, LookAgain) and what.point in {plan.point for plan in plans}:
                looks.add(what.asked)
        world.turn(*ending)
    _never_early(world, {plan.point: plan for plan in plans})
    done = {ended.asked for ended in world.passes if ended.asked}
    running = world.state.running.asked if world.state.running else None
    waiting = {look.asked for turn in world.state.turns for look in turn.looks}
    assert looks == done | waiting | ({running} - {None})


def _never_early(world: World, plans: dict[str, Plan]) -> None:
    for ended in world.passes:
        assert ended.outcomes[0].sent_ns >= ended.due_ns
        if ended.asked is None:
            assert any((ended.due_ns + wall) % plans[ended.point].every_ns == 0 for wall in world.walls)


@settings(max_examples=100, deadline=None)
@given(plans, st.lists(endings, min_size=1, max_size=20))
def test_nobody_starves(plans: list[Plan], cycle: list[tuple[int, Fault | None, int]]) -> None:
    """Whoever is due waits for one pass under way and one of each other at most; an owing unit, from its end on."""
    world = World(begin(plans, 0, 0), 0, [0])
    bound_ns = len(plans) * 3 * LONGEST_NS
    for number in range(150):
        world.turn(*cycle[number % len(cycle)])
        for turn in world.state.turns:
            from_ns = max(turn.due_ns, world.owes.get(turn.plan.address, 0))
            assert world.now_ns - from_ns <= bound_ns, turn.plan.point


@settings(max_examples=100, deadline=None)
@given(plans)
def test_every_mark_is_polled_where_there_is_time(plans: list[Plan]) -> None:
    world = World(begin(plans, 1, 0), 1, [0])
    while world.now_ns < 400 * S:
        world.turn(0, None, 0)
    for plan in plans:
        marks = [ended.due_ns for ended in world.passes if ended.point == plan.point and ended.due_ns < 400 * S]
        assert marks == list(range(plan.every_ns, 400 * S, plan.every_ns))[: len(marks)]
        assert len(marks) >= 399 * S // plan.every_ns - 1

"""A line in a random world: never early, nobody starved, no owing unit asked, nothing asked for is lost, and no sleeper
is asked before it was woken.
"""

from dataclasses import dataclass, field, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import (
    GIVE_WAY_NS,
    ClockStepped,
    LineState,
    LookAgain,
    Plan,
    Sleep,
    WakeAsk,
    begin,
    learned,
    next_ask,
)

S = 1_000_000_000
LONGEST_NS = 2 * S  # of one exchange in this world

reads = st.lists(st.builds(Read, st.just(4), st.integers(0, 3), st.just(2)), min_size=1, max_size=3).map(tuple)
wakes = st.builds(WakeAsk, st.just(Read(3, 9, 1)), st.just(S // 5), st.integers(1, 9 * S))
mains = st.builds(
    Plan,
    point=st.sampled_from("abcdef"),
    address=st.integers(1, 4),
    reads=reads,
    every_ns=st.integers(1, 90).map(lambda s: s * S),
    longest_delay_ns=st.just(S),
    wake=st.none() | wakes,
)
# Of a point's other plans: time between polls, after silence or not, reads.
others = st.tuples(st.none() | st.integers(1, 900).map(lambda s: s * S), st.booleans(), reads)


@st.composite
def sites(draw: st.DrawFn) -> list[Plan]:
    """Up to six points, each with a main plan and up to two others."""
    plans = []
    for main in draw(st.lists(mains, min_size=1, max_size=6, unique_by=lambda plan: plan.point)):
        plans.append(main)
        for every_ns, after_silence, asked in draw(st.lists(others, max_size=2)):
            other = replace(main, every_ns=every_ns, after_silence=after_silence, reads=asked, main=False)
            plans.append(other)
    return plans


plans = sites()
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
    woken: dict[int, int] = field(default_factory=dict)
    fresh: int | None = None

    def hear(self, what: LookAgain | ClockStepped) -> None:
        if isinstance(what, ClockStepped):
            self.walls.append(what.wall_minus_boot_ns)
            self.fresh = None  # whoever was just woken may have to wait now
        self._learn(what)

    def turn(self, took_ns: int, fault: Fault | None, owes_ns: int) -> None:
        what = next_ask(self.state, self.now_ns)
        if isinstance(what, Sleep):
            assert what.until_ns > self.now_ns, "sleeps although something is due"
            self.now_ns = what.until_ns
            what = next_ask(self.state, self.now_ns)
        assert isinstance(what, Ask), "woke for nothing"
        assert self.owes.get(what.address, 0) <= self.now_ns, "asked a unit that owes"
        if what.expects_reply:
            self._awake(what)
            self._end(what, took_ns, fault, owes_ns)
        else:
            self._wake(what, fault)

    def _wake(self, ask: Ask, fault: Fault | None) -> None:
        """A waking that cannot be sent takes no time; any other takes its wait, whatever the unit says."""
        if fault is Fault.EXCEPTION:  # stands here for a port that was lost
            self._learn(Outcome(ask, None, Fault.PORT_LOST, self.now_ns, self.now_ns))
            return
        assert self.fresh != ask.address, "woken twice for nothing"
        self.woken[ask.address], self.fresh = self.now_ns, ask.address
        sent_ns, self.now_ns = self.now_ns, self.now_ns + ask.longest_delay_ns
        self._learn(Outcome(ask, b"", None, sent_ns, self.now_ns))

    def _awake(self, ask: Ask) -> None:
        wakes = [
            turn.plan.wake
            for turn in self.state.turns
            if ask in [turn.plan.ask(n) for n in range(len(turn.plan.reads))]
        ]
        least_ns = min(self.now_ns if wake is None else self.now_ns - wake.window_ns for wake in wakes)
        if None not in wakes and self.fresh != ask.address:
            assert self.woken.get(ask.address, least_ns) > least_ns, "asked a sleeper"
        self.fresh = None

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
    _never_early(world, plans)
    done = {ended.asked for ended in world.passes if ended.asked}
    begun = {turn.begun.asked for turn in world.state.turns if turn.begun}
    waiting = {look.asked for turn in world.state.turns for look in turn.looks}
    assert looks == (done | waiting | begun) - {None}


def _never_early(world: World, plans: list[Plan]) -> None:
    """A main plan's pass stands on a mark unless it was asked for; others come after silence and looks too."""
    marks = {plan.point: plan.every_ns for plan in plans if plan.main}
    alike = {plan.point for plan in plans if not plan.main and (plan.point, plan.reads) in _mains(plans)}
    for ended in world.passes:
        assert ended.outcomes[0].sent_ns >= ended.due_ns
        if ended.asked is None and ended.point not in alike and (ended.point, ended.reads) in _mains(plans):
            assert any((ended.due_ns + wall) % (marks[ended.point] or 1) == 0 for wall in world.walls)


def _mains(plans: list[Plan]) -> set[tuple[str, tuple[Read, ...]]]:
    return {(plan.point, plan.reads) for plan in plans if plan.main}


@settings(max_examples=100, deadline=None)
@given(plans, st.lists(endings, min_size=1, max_size=20))
def test_nobody_starves(plans: list[Plan], cycle: list[tuple[int, Fault | None, int]]) -> None:
    """Whoever is due waits for one pass under way and one of each other at most; an owing unit, from its end on.

    A look at other plans, which the end of a silence brings, may go before each of them once more. Plans other than
    main ones let those go before for GIVE_WAY_NS.
    """
    world = World(begin(plans, 0, 0), 0, [0])
    bound_ns = len(plans) * 3 * (LONGEST_NS + S // 5) * 2
    for number in range(150):
        world.turn(*cycle[number % len(cycle)])
        for turn in world.state.turns:
            from_ns = max(turn.due_ns, world.owes.get(turn.plan.address, 0))
            assert world.now_ns - from_ns <= bound_ns + (0 if turn.plan.main else GIVE_WAY_NS), turn.plan.point


@settings(max_examples=100, deadline=None)
@given(plans)
def test_every_mark_is_polled_where_there_is_time(plans: list[Plan]) -> None:
    plans = [
        replace(plan, wake=None, reads=(*plan.reads, Read(4, 10 + number, 1))) for number, plan in enumerate(plans)
    ]
    world = World(begin(plans, 1, 0), 1, [0])
    while world.now_ns < 400 * S:
        world.turn(0, None, 0)
    for plan in plans:
        marks = [ended.due_ns for ended in world.passes if ended.reads == plan.reads and ended.due_ns < 400 * S]
        every_ns = plan.every_ns or 400 * S  # without marks nobody told it to
        assert marks == list(range(every_ns, 400 * S, every_ns))[: len(marks)]
        assert len(marks) >= 399 * S // every_ns - 1

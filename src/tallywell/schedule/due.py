"""Who on a line is due. Pure: a state, what was learned, and the time, all as arguments.

Due times are aligned instants of the local wall clock (a multiple of `every` since its epoch) kept on the boot clock,
so that polls stand on the marks of the clock on the wall and no step of it makes two of them early or loses one. They
are reckoned anew from the mark each time: nothing adds up, nothing drifts. A point that missed marks is polled once.
Order: who has been due longest; among equals who was polled longest ago. So nobody starves: whoever is served gets a
later due time than those who wait. A unit that owes a reply is left alone until it has passed; others are asked.

A point has one main plan, with the books' total, and a plan for each other set of quantities that is due together.
Those that are wanted once and those to be read after silence also become due when the point answers after it did not.
Silence is what the main plan meets, or another that came well before: a block that never answers is no silence, or
each good pass would call for it again.
The others go behind main plans for as long as GIVE_WAY_NS: where the settings of thirty meters are due at midnight or
when the supply is back, no meter's total is late for those of the others, and the books get no gap.

A unit that sleeps is woken before a request where it was not within the window before: by a read that is no part of
the pass, unless the request could not be sent; then the pass ends with that fault.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault

HOUR_NS = 3_600_000_000_000
GIVE_WAY_NS = 60_000_000_000
IDLE_NS = HOUR_NS  # how long a line without points sleeps before it looks again
NEVER_NS = 2**63 - 1
SILENCE = frozenset({Fault.NO_ANSWER, Fault.PORT_LOST})


@dataclass(frozen=True, slots=True)
class WakeAsk:
    """A read that wakes a unit: it may be asked `wait_ns` after it, for `window_ns` after it at most."""

    read: Read
    wait_ns: int
    window_ns: int


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read together at one point, and how often. `every_ns` is aligned to the wall clock; None: once, at the
    start, and each hour until it came well.

    `after_silence`: also when the point answers again. `main`: the plan that looks are for; a point has one.
    """

    point: str
    address: int
    reads: tuple[Read, ...]
    every_ns: int | None
    longest_delay_ns: int
    pause_ns: int = 0
    after_silence: bool = False
    main: bool = True
    wake: WakeAsk | None = None

    def __post_init__(self) -> None:
        if (self.every_ns is not None and self.every_ns <= 0) or not self.reads:
            raise ValueError(f"point {self.point}: a plan has reads and a time between polls")

    def ask(self, number: int) -> Ask:
        return Ask(self.address, self.reads[number], self.longest_delay_ns, self.pause_ns)

    def wake_ask(self) -> Ask | None:
        """What to ask first where the unit may sleep; None where it never does."""
        if self.wake is None:
            return None
        return Ask(self.address, self.wake.read, self.wake.wait_ns, self.pause_ns, expects_reply=False)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Nothing to ask before `until_ns` of the boot clock, unless something is learned."""

    until_ns: int


@dataclass(frozen=True, slots=True)
class LookAgain:
    """Make a point due now, its main plan last. `asked`: uuid of the person's ask, None when the ledger wants another
    look; it goes with the main plan's pass.
    """

    point: str
    asked: str | None = None


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock now stands `wall_minus_boot_ns` ahead of the boot clock, the local UTC offset included."""

    wall_minus_boot_ns: int


@dataclass(frozen=True, slots=True)
class Look:
    """A look that was asked for and not taken yet. `hurried`: somebody waits for the point."""

    asked: str | None
    since_ns: int
    hurried: bool = False


@dataclass(frozen=True, slots=True)
class Turn:
    """One plan's place in the order. `last_ns`: when its last poll began; `well`: whether that came well."""

    plan: Plan
    mark_ns: int
    last_ns: int | None = None
    looks: tuple[Look, ...] = ()
    well: bool = False

    @property
    def due_ns(self) -> int:
        return min(self.mark_ns, self.looks[0].since_ns) if self.looks else self.mark_ns

    @property
    def rank_ns(self) -> int:
        """Since when its place in the order counts."""
        hurried = any(look.hurried for look in self.looks)
        return self.due_ns if self.plan.main or hurried else self.due_ns + GIVE_WAY_NS


@dataclass(frozen=True, slots=True)
class Running:
    """A pass under way: turn number `turn`, with what came so far. `look`: the one it takes, if any."""

    turn: int
    due_ns: int
    look: Look | None
    outcomes: tuple[Outcome, ...]

    @property
    def asked(self) -> str | None:
        return self.look.asked if self.look else None


@dataclass(frozen=True, slots=True)
class LineState:
    """All that the next decision about a line needs. `owes_ns`: until when which unit is left alone.

    `silent`: points that did not answer when asked last. `woken_ns`: when which unit was woken last; `just_woken`: the
    unit that was, if nobody was asked since: that much a waking always serves for.
    """

    turns: tuple[Turn, ...]
    wall_minus_boot_ns: int
    owes_ns: dict[int, int] = field(default_factory=dict)
    running: Running | None = None
    silent: frozenset[str] = frozenset()
    woken_ns: dict[int, int] = field(default_factory=dict)
    just_woken: int | None = None


def begin(
    plans: Iterable[Plan], now_ns: int, wall_minus_boot_ns: int, *, at_once: bool = False, owed: bool = False
) -> LineState:
    """The state before the first poll: each plan due at its next aligned instant, or at once as well.

    A plan without marks is due at once or, without `at_once`, only when told.
    `owed`: whoever polled this line before us may have been ended in the middle of an exchange, so that any unit may
    still send the answer to a question that we know nothing of: none is asked before that has passed.
    """

    def first(plan: Plan) -> int:
        if at_once:
            return now_ns
        return NEVER_NS if plan.every_ns is None else mark_from(now_ns, plan.every_ns, wall_minus_boot_ns)

    turns = tuple(Turn(plan, first(plan)) for plan in plans)
    owes_ns: dict[int, int] = {}
    for turn in turns if owed else ():
        address, until_ns = turn.plan.address, now_ns + turn.plan.longest_delay_ns
        owes_ns[address] = max(until_ns, owes_ns.get(address, until_ns))
    return LineState(turns, wall_minus_boot_ns, owes_ns)


def mark_from(boot_ns: int, every_ns: int, wall_minus_boot_ns: int) -> int:
    """The first aligned instant at or after `boot_ns`, on the boot clock."""
    wall_ns = boot_ns + wall_minus_boot_ns
    return -(-wall_ns // every_ns) * every_ns - wall_minus_boot_ns


def next_ask(state: LineState, now_ns: int) -> Ask | Sleep:
    """What to ask now, or how long nothing is due."""
    if state.running is not None:
        return _ask_of(state, state.running.turn, now_ns)
    turns = [number for number in range(len(state.turns)) if _from_ns(state, number) <= now_ns]
    if turns:
        return _ask_of(state, min(turns, key=lambda number: _order(state, number)), now_ns)
    until_ns = min((_from_ns(state, number) for number in range(len(state.turns))), default=NEVER_NS)
    return Sleep(now_ns + IDLE_NS if until_ns == NEVER_NS else until_ns)


def _ask_of(state: LineState, number: int, now_ns: int) -> Ask:
    """The next request of this turn's pass, or the waking that must go before it."""
    plan = state.turns[number].plan
    waking = plan.wake_ask()
    if waking is not None and not _awake(state, plan, now_ns):
        return waking
    return plan.ask(len(state.running.outcomes) if state.running else 0)


def _awake(state: LineState, plan: Plan, now_ns: int) -> bool:
    if state.just_woken == plan.address:
        return True
    woken_ns = state.woken_ns.get(plan.address)
    return woken_ns is not None and plan.wake is not None and now_ns < woken_ns + plan.wake.window_ns


def _from_ns(state: LineState, number: int) -> int:
    """When this turn may be taken: it is due, and its unit owes nothing."""
    turn = state.turns[number]
    return max(turn.due_ns, state.owes_ns.get(turn.plan.address, turn.due_ns))


def _order(state: LineState, number: int) -> tuple[bool, int, bool, int, int]:
    """Who was just woken goes first, or was woken for nothing."""
    turn = state.turns[number]
    asleep, last_ns = turn.plan.address != state.just_woken, -1 if turn.last_ns is None else turn.last_ns
    return asleep, turn.rank_ns, turn.plan.main, last_ns, number


def learned(state: LineState, what: Outcome | LookAgain | ClockStepped, now_ns: int) -> tuple[LineState, Pass | None]:
    """The state after `what`, and the pass that it ended. An outcome must be that of the ask given last."""
    match what:
        case Outcome():
            if what.fault is None and not what.ask.expects_reply:
                return _woken(state, what), None
            return _answered(state, what, now_ns)
        case LookAgain():
            return _with_look(state, what, now_ns), None
        case ClockStepped():
            return _stepped(state, what.wall_minus_boot_ns, now_ns), None


def _with_look(state: LineState, what: LookAgain, now_ns: int) -> LineState:
    """A point that is not on this line changes nothing; the same ask twice is one.

    The point's other plans come before the main one, so that who asked sees all of it when that one is stored.
    """

    def looked(turn: Turn) -> Turn:
        if turn.plan.point != what.point:
            return turn
        return _looked(turn, Look(what.asked if turn.plan.main else None, now_ns, hurried=True))

    return replace(state, turns=tuple(looked(turn) for turn in state.turns))


def _looked(turn: Turn, look: Look) -> Turn:
    same = next((waiting for waiting in turn.looks if waiting.asked == look.asked), None)
    if same is None:
        return replace(turn, looks=(*turn.looks, look))
    joint = replace(same, hurried=same.hurried or look.hurried)
    return replace(turn, looks=tuple(joint if waiting is same else waiting for waiting in turn.looks))


def _stepped(state: LineState, wall_minus_boot_ns: int, now_ns: int) -> LineState:
    """Each turn's next mark is the first at least `every`/2 after its last poll: none doubled, none far off.

    Whoever was just woken may have to wait now, and then is woken again.
    """

    def moved(turn: Turn) -> Turn:
        every_ns = turn.plan.every_ns
        if every_ns is None or (turn.last_ns is None and turn.mark_ns <= now_ns):
            return turn  # it has no marks, or its first poll is due already
        from_ns = now_ns if turn.last_ns is None else turn.last_ns + every_ns // 2
        return replace(turn, mark_ns=mark_from(from_ns, every_ns, wall_minus_boot_ns))

    turns = tuple(moved(turn) for turn in state.turns)
    return replace(state, turns=turns, wall_minus_boot_ns=wall_minus_boot_ns, just_woken=None)


def _woken(state: LineState, outcome: Outcome) -> LineState:
    unit = outcome.ask.address
    return replace(state, woken_ns={**state.woken_ns, unit: outcome.sent_ns}, just_woken=unit)


def _answered(state: LineState, outcome: Outcome, now_ns: int) -> tuple[LineState, Pass | None]:
    running = state.running or _begun(state, outcome)
    running = replace(running, outcomes=(*running.outcomes, outcome))
    state = replace(state, running=running, owes_ns=_owes(state.owes_ns, outcome, now_ns), just_woken=None)
    plan = state.turns[running.turn].plan
    if outcome.fault is None and len(running.outcomes) < len(plan.reads):
        return state, None
    ended = Pass(plan.point, plan.reads, running.outcomes, running.due_ns, running.asked)
    return _served(_after_silence(state, running, now_ns), running), ended


def _begun(state: LineState, outcome: Outcome) -> Running:
    """Whose ask it was: the first in order of those due that ask just this (two plans of one unit may begin alike)."""
    asked = outcome.ask
    alike = [
        number
        for number, turn in enumerate(state.turns)
        if asked == (turn.plan.ask(0) if asked.expects_reply else turn.plan.wake_ask())
    ]
    assert alike, f"nobody here asks {asked}"
    due = [number for number in alike if _from_ns(state, number) <= outcome.sent_ns]
    number = min(due or alike, key=lambda number: _order(state, number))  # a step may have put off the one that was due
    turn = state.turns[number]
    return Running(number, turn.due_ns, turn.looks[0] if turn.looks else None, ())


def _owes(owes_ns: dict[int, int], outcome: Outcome, now_ns: int) -> dict[int, int]:
    owes_ns = {unit: until_ns for unit, until_ns in owes_ns.items() if until_ns > now_ns}
    if outcome.owes_until_ns is not None:
        owes_ns[outcome.ask.address] = outcome.owes_until_ns
    return owes_ns


def _after_silence(state: LineState, running: Running, now_ns: int) -> LineState:
    """What a pass that ended tells about its point's silence, and which other plans of the point that makes due.

    While it lasts, looks at other plans than the main one are dropped: a person would wait for each to fail.
    """
    served, fault = state.turns[running.turn], running.outcomes[-1].fault
    point, was_silent = served.plan.point, served.plan.point in state.silent
    silent = fault in SILENCE and (was_silent or served.plan.main or served.well)
    if not silent and (fault is not None or not was_silent):
        return state

    def told(turn: Turn) -> Turn:
        if turn.plan.point != point or turn.plan.main or turn is served:
            return turn
        if silent:
            return replace(turn, looks=())
        wanted = turn.plan.after_silence or (turn.plan.every_ns is None and not turn.well)
        return _looked(turn, Look(None, now_ns)) if wanted else turn

    silents = state.silent | {point} if silent else state.silent - {point}
    return replace(state, turns=tuple(told(turn) for turn in state.turns), silent=silents)


def _served(state: LineState, running: Running) -> LineState:
    """The pass has ended, well or not: the next mark is the first after it began."""
    turn = state.turns[running.turn]
    began_ns = running.outcomes[0].sent_ns
    well = running.outcomes[-1].fault is None
    every_ns = turn.plan.every_ns
    if every_ns is None and well:
        mark_ns = NEVER_NS
    else:
        mark_ns = mark_from(began_ns + 1, HOUR_NS if every_ns is None else every_ns, state.wall_minus_boot_ns)
    looks = tuple(look for look in turn.looks if look != running.look)  # one that came meanwhile waits on
    served = replace(turn, mark_ns=mark_ns, last_ns=began_ns, looks=looks, well=well)
    return replace(state, turns=_with(state.turns, running.turn, served), running=None)


def _with(turns: tuple[Turn, ...], number: int, turn: Turn) -> tuple[Turn, ...]:
    return (*turns[:number], turn, *turns[number + 1 :])

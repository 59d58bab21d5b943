"""Who on a line is due. Pure: a state, what was learned, and the time, all as arguments.

Due times are aligned instants of the local wall clock (a multiple of `every` since its epoch) kept on the boot clock,
so that polls stand on the marks of the clock on the wall and no step of it makes two of them early or loses one. They
are reckoned anew from the mark each time: nothing adds up, nothing drifts. A point that missed marks is polled once.
Order: who has been due longest; among equals who was polled longest ago. So nobody starves: whoever is served gets a
later due time than those who wait. A unit that owes a reply is left alone until it has passed; others are asked.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from tallywell.readings.exchange import Ask, Outcome, Pass, Read

IDLE_NS = 3_600_000_000_000  # how long a line without points sleeps before it looks again


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read together at one point, and how often. `every_ns` is aligned to the wall clock."""

    point: str
    address: int
    reads: tuple[Read, ...]
    every_ns: int
    longest_delay_ns: int
    pause_ns: int = 0

    def __post_init__(self) -> None:
        if self.every_ns <= 0 or not self.reads:
            raise ValueError(f"point {self.point}: a plan has reads and a time between polls")

    def ask(self, number: int) -> Ask:
        return Ask(self.address, self.reads[number], self.longest_delay_ns, self.pause_ns)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Nothing to ask before `until_ns` of the boot clock, unless something is learned."""

    until_ns: int


@dataclass(frozen=True, slots=True)
class LookAgain:
    """Make a point due now. `asked`: uuid of the person's ask, None when the ledger wants another look."""

    point: str
    asked: str | None = None


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock now stands `wall_minus_boot_ns` ahead of the boot clock, the local UTC offset included."""

    wall_minus_boot_ns: int


@dataclass(frozen=True, slots=True)
class Look:
    """A look that was asked for and not taken yet."""

    asked: str | None
    since_ns: int


@dataclass(frozen=True, slots=True)
class Turn:
    """One plan's place in the order. `last_ns`: when its last poll began."""

    plan: Plan
    mark_ns: int
    last_ns: int | None = None
    looks: tuple[Look, ...] = ()

    @property
    def due_ns(self) -> int:
        return min(self.mark_ns, self.looks[0].since_ns) if self.looks else self.mark_ns


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
    """All that the next decision about a line needs. `owes_ns`: until when which unit is left alone."""

    turns: tuple[Turn, ...]
    wall_minus_boot_ns: int
    owes_ns: dict[int, int] = field(default_factory=dict)
    running: Running | None = None


def begin(
    plans: Iterable[Plan], now_ns: int, wall_minus_boot_ns: int, *, at_once: bool = False, owed: bool = False
) -> LineState:
    """The state before the first poll: each plan due at its next aligned instant, or at once as well.

    `owed`: whoever polled this line before us may have been ended in the middle of an exchange, so that any unit may
    still send the answer to a question that we know nothing of: none is asked before that has passed.
    """

    def first(plan: Plan) -> int:
        return now_ns if at_once else mark_from(now_ns, plan.every_ns, wall_minus_boot_ns)

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
    running = state.running
    if running is not None:
        return state.turns[running.turn].plan.ask(len(running.outcomes))
    turns = [number for number in range(len(state.turns)) if _from_ns(state, number) <= now_ns]
    if turns:
        return state.turns[min(turns, key=lambda number: _order(state, number))].plan.ask(0)
    return Sleep(min((_from_ns(state, number) for number in range(len(state.turns))), default=now_ns + IDLE_NS))


def _from_ns(state: LineState, number: int) -> int:
    """When this turn may be taken: it is due, and its unit owes nothing."""
    turn = state.turns[number]
    return max(turn.due_ns, state.owes_ns.get(turn.plan.address, turn.due_ns))


def _order(state: LineState, number: int) -> tuple[int, int, int]:
    turn = state.turns[number]
    return turn.due_ns, -1 if turn.last_ns is None else turn.last_ns, number


def learned(state: LineState, what: Outcome | LookAgain | ClockStepped, now_ns: int) -> tuple[LineState, Pass | None]:
    """The state after `what`, and the pass that it ended. An outcome must be that of the ask given last."""
    match what:
        case Outcome():
            return _answered(state, what, now_ns)
        case LookAgain():
            return _with_look(state, what, now_ns), None
        case ClockStepped():
            return _stepped(state, what.wall_minus_boot_ns, now_ns), None


def _with_look(state: LineState, what: LookAgain, now_ns: int) -> LineState:
    """A point that is not on this line changes nothing; the same ask twice is one."""

    def looked(turn: Turn) -> Turn:
        if turn.plan.point != what.point or what.asked in [look.asked for look in turn.looks]:
            return turn
        return replace(turn, looks=(*turn.looks, Look(what.asked, now_ns)))

    return replace(state, turns=tuple(looked(turn) for turn in state.turns))


def _stepped(state: LineState, wall_minus_boot_ns: int, now_ns: int) -> LineState:
    """Each turn's next mark is the first at least `every`/2 after its last poll: none doubled, none far off."""

    def moved(turn: Turn) -> Turn:
        if turn.last_ns is None and turn.mark_ns <= now_ns:
            return turn  # its first poll is due already
        from_ns = now_ns if turn.last_ns is None else turn.last_ns + turn.plan.every_ns // 2
        return replace(turn, mark_ns=mark_from(from_ns, turn.plan.every_ns, wall_minus_boot_ns))

    return replace(state, turns=tuple(moved(turn) for turn in state.turns), wall_minus_boot_ns=wall_minus_boot_ns)


def _answered(state: LineState, outcome: Outcome, now_ns: int) -> tuple[LineState, Pass | None]:
    running = state.running or _begun(state, outcome)
    running = replace(running, outcomes=(*running.outcomes, outcome))
    state = replace(state, running=running, owes_ns=_owes(state.owes_ns, outcome, now_ns))
    plan = state.turns[running.turn].plan
    if outcome.fault is None and len(running.outcomes) < len(plan.reads):
        return state, None
    ended = Pass(plan.point, plan.reads, running.outcomes, running.due_ns, running.asked)
    return _served(state, running), ended


def _begun(state: LineState, outcome: Outcome) -> Running:
    """Whose ask it was: the first in order of those that ask just this (two plans of one unit may begin alike)."""
    alike = [number for number, turn in enumerate(state.turns) if turn.plan.ask(0) == outcome.ask]
    assert alike, f"nobody here asks {outcome.ask}"
    number = min(alike, key=lambda number: _order(state, number))
    turn = state.turns[number]
    return Running(number, turn.due_ns, turn.looks[0] if turn.looks else None, ())


def _owes(owes_ns: dict[int, int], outcome: Outcome, now_ns: int) -> dict[int, int]:
    owes_ns = {unit: until_ns for unit, until_ns in owes_ns.items() if until_ns > now_ns}
    if outcome.owes_until_ns is not None:
        owes_ns[outcome.ask.address] = outcome.owes_until_ns
    return owes_ns


def _served(state: LineState, running: Running) -> LineState:
    """The pass has ended, well or not: the next mark is the first after it began."""
    turn = state.turns[running.turn]
    began_ns = running.outcomes[0].sent_ns
    mark_ns = mark_from(began_ns + 1, turn.plan.every_ns, state.wall_minus_boot_ns)
    looks = tuple(look for look in turn.looks if look != running.look)  # one that came meanwhile waits on
    served = replace(turn, mark_ns=mark_ns, last_ns=began_ns, looks=looks)
    return replace(state, turns=_with(state.turns, running.turn, served), running=None)


def _with(turns: tuple[Turn, ...], number: int, turn: Turn) -> tuple[Turn, ...]:
    return (*turns[:number], turn, *turns[number + 1 :])

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

Some may have to wait though their place in the order came: those are *guests*, the plans of a unit that kept the line
waiting lately (it is dead, slow or babbles) and the other sets. Between two guests each main plan that is due and of a
trusted unit gets one turn. So no point waits for more than one timeout in a round, however many meters are dead, and
however full the line is, and no guest waits for more than one round. A slow unit is a guest anew with each request of
its pass.

A unit that does not answer rests (`back_off`), what is refused is asked for more rarely (`again`), and whether the
line can carry all this is reckoned as it goes (`load`).

A unit that sleeps is woken before a request where it was not within the window before: by a read that is no part of
the pass, unless the request could not be sent; then the pass ends with that fault.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from tallywell.readings.exchange import Ask, Outcome, Pass
from tallywell.readings.faults import Fault
from tallywell.schedule.again import with_another_look, with_later, with_refusal
from tallywell.schedule.back_off import TRUSTED, Unit, kept_waiting, unit_after
from tallywell.schedule.load import Load
from tallywell.schedule.plan import ClockStepped, LookAgain, Plan, Sleep, WakeAsk, mark_from
from tallywell.schedule.turn import GIVE_WAY_NS, Begun, Look, Turn

__all__ = [
    "GIVE_WAY_NS",
    "SILENCE",
    "ClockStepped",
    "LineState",
    "LookAgain",
    "Plan",
    "Sleep",
    "WakeAsk",
    "begin",
    "learned",
    "next_ask",
    "under_way",
]

HOUR_NS = 3_600_000_000_000
IDLE_NS = HOUR_NS  # how long a line without points sleeps before it looks again
NEVER_NS = 2**63 - 1
SILENCE = frozenset({Fault.NO_ANSWER, Fault.PORT_LOST})


@dataclass(frozen=True, slots=True)
class LineState:
    """All that the next decision about a line needs. `owes_ns`: until when which unit is left alone.

    `running`: the turn whose pass goes on; others may have begun theirs and wait. `guest_ns`: when the last exchange
    with a guest ended. `silent`: points that did not answer when asked last. `woken_ns`: when which unit was woken
    last; `just_woken`: the unit that was, if nobody was asked since: that much a waking always serves for.
    """

    turns: tuple[Turn, ...]
    wall_minus_boot_ns: int
    owes_ns: dict[int, int] = field(default_factory=dict)
    running: int | None = None
    units: dict[int, Unit] = field(default_factory=dict)
    guest_ns: int | None = None
    silent: frozenset[str] = frozenset()
    woken_ns: dict[int, int] = field(default_factory=dict)
    just_woken: int | None = None
    load: Load = field(default_factory=Load)

    def unit(self, address: int) -> Unit:
        return self.units.get(address, TRUSTED)


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
    return LineState(turns, wall_minus_boot_ns, owes_ns, load=Load(now_ns))


def next_ask(state: LineState, now_ns: int) -> Ask | Sleep:
    """What to ask now, or how long nothing is due."""
    if state.running is not None:
        return _ask_of(state, state.running, now_ns)
    turns = _open(state, now_ns)
    if turns:
        return _ask_of(state, min(turns, key=lambda number: _order(state, number)), now_ns)
    until_ns = min((_from_ns(state, number) for number in range(len(state.turns))), default=NEVER_NS)
    return Sleep(now_ns + IDLE_NS if until_ns == NEVER_NS else until_ns)


def under_way(state: LineState) -> bool:
    """Whether a pass has begun and not ended."""
    return any(turn.begun is not None for turn in state.turns)


def _ask_of(state: LineState, number: int, now_ns: int) -> Ask:
    """The next request of this turn's pass, or the waking that must go before it."""
    turn = state.turns[number]
    waking = turn.plan.wake_ask()
    if waking is not None and not _awake(state, turn.plan, now_ns):
        return waking
    return turn.next_ask


def _awake(state: LineState, plan: Plan, now_ns: int) -> bool:
    if state.just_woken == plan.address:
        return True
    woken_ns = state.woken_ns.get(plan.address)
    return woken_ns is not None and plan.wake is not None and now_ns < woken_ns + plan.wake.window_ns


def _open(state: LineState, now_ns: int) -> list[int]:
    return [number for number in range(len(state.turns)) if _from_ns(state, number) <= now_ns]


def _from_ns(state: LineState, number: int) -> int:
    """When this turn may be taken: it is due, nothing holds it back, and its unit owes nothing."""
    turn = state.turns[number]
    free_ns = turn.free_ns(state.unit(turn.plan.address).until_ns)
    return max(free_ns, state.owes_ns.get(turn.plan.address, free_ns))


def _order(state: LineState, number: int) -> tuple[bool, bool, int, bool, int, int]:
    """Who was just woken goes first, or was woken for nothing; then whoever guests must let go before."""
    turn = state.turns[number]
    asleep, last_ns = turn.plan.address != state.just_woken, -1 if turn.last_ns is None else turn.last_ns
    return asleep, not _goes_before_guests(state, turn), turn.rank_ns, turn.plan.main, last_ns, number


def _is_guest(state: LineState, turn: Turn) -> bool:
    return turn.gives_way or state.unit(turn.plan.address).doubt > 0


def _goes_before_guests(state: LineState, turn: Turn) -> bool:
    """It has not had its turn since a guest was asked."""
    if state.guest_ns is None or _is_guest(state, turn):
        return False
    return turn.last_ns is None or turn.last_ns < state.guest_ns


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
        if what.asked is None:
            return with_another_look(turn, now_ns) if turn.plan.main else turn
        return _looked(turn, Look(what.asked if turn.plan.main else None, now_ns, hurried=True))

    return replace(state, turns=tuple(looked(turn) for turn in state.turns))


def _looked(turn: Turn, look: Look) -> Turn:
    same = next((waiting for waiting in turn.looks if waiting.asked == look.asked), None)
    if same is None:
        return replace(turn, looks=(*turn.looks, look))
    joint = Look(same.asked, min(same.since_ns, look.since_ns), same.hurried or look.hurried)
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
    number = _whose(state, outcome) if state.running is None else state.running
    turn = state.turns[number]
    begun = turn.begun or _begun(state, number, outcome.sent_ns)
    begun = replace(begun, outcomes=(*begun.outcomes, outcome))
    looks = turn.looks if turn.begun else tuple(look for look in turn.looks if look.asked is not None)
    turn = replace(turn, begun=begun, looks=looks)
    state = _with_exchange(replace(state, turns=_with(state.turns, number, turn)), turn, outcome, now_ns)
    if outcome.fault is None and len(begun.outcomes) < len(turn.plan.reads):
        goes_on = not kept_waiting(outcome) or not _somebody_goes_before(state, now_ns)
        return replace(state, running=number if goes_on else None), None
    ended = Pass(turn.plan.point, turn.plan.reads, begun.outcomes, begun.due_ns, begun.asked)
    return _served(_after_silence(state, turn, now_ns), number, now_ns), ended


def _whose(state: LineState, outcome: Outcome) -> int:
    """Whose ask it was: the first in order of those due that ask just this (two plans of one unit may begin alike)."""
    asked = outcome.ask
    alike = [
        number
        for number, turn in enumerate(state.turns)
        if asked == (turn.next_ask if asked.expects_reply else turn.plan.wake_ask())
    ]
    assert alike, f"nobody here asks {asked}"
    due = [number for number in alike if _from_ns(state, number) <= outcome.sent_ns]
    return min(due or alike, key=lambda number: _order(state, number))  # a step may have put off the one that was due


def _begun(state: LineState, number: int, at_ns: int) -> Begun:
    """A pass that begins. What the ledger, or a meter that was busy, waits for comes with any pass."""
    turn, lost = state.turns[number], None
    every_ns = turn.plan.every_ns
    if turn.mark_ns <= at_ns and turn.plan.main and every_ns is not None:
        lost = max(0, at_ns - max(turn.mark_ns, _from_ns(state, number))) // every_ns
    return Begun(turn.due_ns, turn.look_taken(at_ns), lost=lost)


def _with_exchange(state: LineState, turn: Turn, outcome: Outcome, now_ns: int) -> LineState:
    """What this exchange tells of the unit and of the line."""
    address, units = turn.plan.address, state.units
    guest = _is_guest(state, turn) or kept_waiting(outcome)
    owes_ns = _owes(state.owes_ns, outcome, now_ns)
    if outcome.ask.expects_reply:
        others = (unit for other, unit in state.units.items() if other != address)
        before = state.unit(address)
        now = unit_after(before, turn.plan, outcome, others, now_ns)
        units = units if now is before else {**units, address: now}
    guest_ns = now_ns if guest else state.guest_ns
    return replace(state, owes_ns=owes_ns, units=units, guest_ns=guest_ns, just_woken=None)


def _somebody_goes_before(state: LineState, now_ns: int) -> bool:
    return any(_goes_before_guests(state, state.turns[number]) for number in _open(state, now_ns))


def _owes(owes_ns: dict[int, int], outcome: Outcome, now_ns: int) -> dict[int, int]:
    owes_ns = {unit: until_ns for unit, until_ns in owes_ns.items() if until_ns > now_ns}
    if outcome.owes_until_ns is not None:
        owes_ns[outcome.ask.address] = outcome.owes_until_ns
    return owes_ns


def _after_silence(state: LineState, served: Turn, now_ns: int) -> LineState:
    """What a pass that ended tells about its point's silence, and which other plans of the point that makes due.

    While it lasts, looks at other plans than the main one are dropped: a person would wait for each to fail.
    """
    assert served.begun is not None
    fault = served.begun.outcomes[-1].fault
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


def _served(state: LineState, number: int, now_ns: int) -> LineState:
    """The pass has ended, well or not: the next mark is the first after it began."""
    turn = state.turns[number]
    begun, every_ns = turn.begun, turn.plan.every_ns
    assert begun is not None
    began_ns, last = begun.outcomes[0].sent_ns, begun.outcomes[-1]
    well = last.fault is None
    if every_ns is None and well:
        mark_ns = NEVER_NS
    else:
        mark_ns = mark_from(began_ns + 1, HOUR_NS if every_ns is None else every_ns, state.wall_minus_boot_ns)
    looks = tuple(look for look in turn.looks if look != begun.look)  # one that came meanwhile waits on
    extras = turn.extras if begun.look is not None and turn.mark_ns > began_ns else 0
    turn = replace(turn, mark_ns=mark_ns, last_ns=began_ns, looks=looks, well=well, begun=None, extras=extras)
    turn = with_later(with_refusal(turn, begun.outcomes, state.wall_minus_boot_ns), last, now_ns)
    load = _load(state, begun, now_ns)
    return replace(state, turns=_with(state.turns, number, turn), running=None, load=load)


def _load(state: LineState, begun: Begun, now_ns: int) -> Load:
    if begun.outcomes[-1].fault is Fault.PORT_LOST:
        return state.load.interrupted(now_ns)
    if begun.lost is None:
        return state.load
    points = sum(turn.plan.main and turn.plan.every_ns is not None for turn in state.turns)
    return state.load.after(begun.lost, points, now_ns)


def _with(turns: tuple[Turn, ...], number: int, turn: Turn) -> tuple[Turn, ...]:
    return (*turns[:number], turn, *turns[number + 1 :])

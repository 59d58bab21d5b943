"""From what is overheard of another master to passes, as if this program had asked: one for each mark. Pure.

A point's quantities are in sets, each with its marks (as in `schedule`). From a mark on, the answers that bring the
set's quantities are gathered; when all have come that this master asks for, they are one pass, whose plan is what was
overheard. What a value needs comes from one answer; the answers of one pass lie at most `WITHIN_NS` apart, and no
longer than the time between two marks. What has not come by then is left out. So a master that polls each second gives
one pass for each mark, and one that splits the registers otherwise than we would gives passes all the same.

Where the total did not come for a whole `every`, the poll is missed: with what the meter was last heard to answer
instead, or `no_answer`. What is not read at each poll has no missed polls.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tallywell.readings.exchange import Outcome, Pass, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.registers.blocks import read_sets, with_needs
from tallywell.registers.decode import brings
from tallywell.schedule.plan import ClockStepped, LookAgain, Plan, mark_from
from tallywell.service.site import Point

SECOND_NS = 1_000_000_000
MS_NS = 1_000_000
HOUR_NS = 3600 * SECOND_NS
WITHIN_NS = 5 * SECOND_NS
LONGEST_LOOK_NS = 60 * SECOND_NS  # so long does a person wait for the other master to ask
MARKS_BEFORE_SAYING = 3  # of the total; then it is said what the other master does not ask for
BETWEEN_LOOKS_NS = 10 * SECOND_NS  # of the ledger's, which asks again while it is in doubt
MOST_PLANS = 64  # of one set: a master that asks in ever new ways would fill the record with plans
KEPT_REFUSED = 16
NEVER = 2**63 - 1


@dataclass(slots=True)
class _Set:
    """Quantities that are due together. `came`: the newest answer to each read since the mark; `asked_ns`: when this
    master last asked for each quantity, answered or not. `failed`: what was heard instead of an answer since the mark.
    `first_ns`: how much longer the first mark may take, as answers are in doubt when listening begins.
    """

    names: tuple[str, ...]
    every_ns: int | None
    mark_ns: int
    main: bool
    began_ns: int
    first_ns: int
    came: dict[Read, Outcome] = field(default_factory=dict)
    asked_ns: dict[str, int] = field(default_factory=dict)
    failed: Outcome | None = None
    refused: list[Refused] = field(default_factory=list)
    looks: list[str] = field(default_factory=list)
    look_until_ns: int = NEVER
    plans: set[tuple[Read, ...]] = field(default_factory=set)

    @property
    def within_ns(self) -> int:
        return min(WITHIN_NS, self.every_ns or WITHIN_NS)

    @property
    def missed_ns(self) -> int:
        """When a poll is missed: a mark later, and a little, since the other master keeps no marks."""
        every_ns = self.every_ns or HOUR_NS
        first_ns = self.first_ns if self.mark_ns == self.began_ns else 0
        return min(self.mark_ns + every_ns + min(every_ns // 4, WITHIN_NS) + first_ns, self.look_until_ns)

    def begin(self, mark_ns: int) -> None:
        """From this mark on everything is gathered anew."""
        self.mark_ns, self.failed, self.look_until_ns = mark_ns, None, NEVER
        self.came.clear()
        self.refused.clear()


class Sampled:
    """One point. `plan` is what this program would ask; missed polls bear it."""

    def __init__(self, point: Point, plan: Plan, now_ns: int, wall_minus_boot_ns: int) -> None:
        self.point = point
        self.asked_ns: int | None = None  # when this master last asked the point's address
        self._plan = plan
        self._wall_minus_boot_ns = wall_minus_boot_ns
        every_ns = point.every_ms * MS_NS
        self._sets: list[_Set] = []
        for found in read_sets(point.map, every_ns):
            names, main = with_needs(point.map, found.names), not self._sets
            own_ns = every_ns if main else found.rhythm.every_ns
            self._sets.append(_Set(names, own_ns, now_ns, main, now_ns, _doubt_ns(point)))
        self._reads: dict[Read, frozenset[str]] = {}
        self._asked: set[str] = set()
        self._marks = 0
        self._look_ns = now_ns
        self._told: frozenset[str] | None = None

    def hear(self, outcome: Outcome) -> None:
        """An exchange of this point's address that was overheard."""
        self.asked_ns = outcome.sent_ns
        brought = self._brought(outcome.ask.read)
        self._asked |= brought
        for each in self._sets:
            if not brought & set(each.names):
                continue
            each.asked_ns.update(dict.fromkeys(brought, outcome.sent_ns))
            if outcome.at_ns < each.mark_ns:
                continue
            if outcome.data is not None:
                each.came[outcome.ask.read] = outcome
                if len(each.came) > MOST_PLANS:
                    del each.came[min(each.came, key=lambda read: each.came[read].at_ns)]
            else:
                each.failed = outcome
                each.refused = [*each.refused, *outcome.refused][-KEPT_REFUSED:]

    def learn(self, news: LookAgain | ClockStepped, now_ns: int) -> None:
        if isinstance(news, ClockStepped):
            self._wall_minus_boot_ns = news.wall_minus_boot_ns
            for each in self._sets:
                if each.mark_ns > now_ns and each.every_ns is not None:
                    each.mark_ns = mark_from(now_ns, each.every_ns, news.wall_minus_boot_ns)
        elif news.point == self.point.name and (news.asked is not None or self._may_look(now_ns)):
            for each in self._sets:
                each.begin(now_ns)
                if each.main and news.asked is not None:
                    each.looks.append(news.asked)
                    each.look_until_ns = now_ns + self.patience_ns

    def _may_look(self, now_ns: int) -> bool:
        """Whether the ledger may have another look: not so often that it fills the record."""
        if now_ns < self._look_ns:
            return False
        self._look_ns = now_ns + BETWEEN_LOOKS_NS
        return True

    @property
    def patience_ns(self) -> int:
        return patience_ns(self.point)

    def due(self, now_ns: int, *, away: bool = False) -> list[Pass]:
        """The passes that are through by now, the main one last: who asked sees all of it then. `away`: the port is."""
        found = [self._due(each, now_ns, away) for each in (*self._sets[1:], self._sets[0])]
        return [done for done in found if done is not None]

    def ignored(self, done: Pass) -> bool:
        """Whether a pass was missed because this master did not ask at all."""
        silent = done.fault is Fault.NO_ANSWER and self.is_main(done)
        return silent and (self.asked_ns is None or self.asked_ns < done.due_ns)

    def is_main(self, done: Pass) -> bool:
        """Whether it is a pass of what is read at each poll, well or not."""
        return done.reads == self._plan.reads or done.reads in self._sets[0].plans

    def missed_now(self, now_ns: int, *, away: bool) -> Pass:
        """The main pass, given up before its time."""
        return self._missed(self._sets[0], now_ns, Fault.PORT_LOST if away else Fault.NO_ANSWER)

    def next_ns(self) -> int:
        """When `due` has something to say if nothing is heard before."""
        return min(min(self._given_up_ns(each), each.missed_ns if each.main else NEVER) for each in self._sets)

    def unheard(self) -> frozenset[str] | None:
        """The quantities that this master was not heard to ask for, once enough was heard to say so; None if there is
        nothing new to say.
        """
        if self._marks < MARKS_BEFORE_SAYING or self.asked_ns is None:
            return None
        unheard = frozenset(self.point.map.quantities) - self._asked
        if unheard == (self._told or frozenset()):
            return None
        self._told = unheard
        return unheard

    # --- one set

    def _brought(self, read: Read) -> frozenset[str]:
        """The quantities that an answer to this read brings; of few reads, so that nothing grows."""
        if read not in self._reads:
            if len(self._reads) >= MOST_PLANS:
                self._reads.clear()
            quantities = self.point.map.quantities.items()
            self._reads[read] = frozenset(name for name, one in quantities if brings(self.point.map, read, one))
        return self._reads[read]

    def _due(self, each: _Set, now_ns: int, away: bool) -> Pass | None:
        chosen = self._chosen(each)
        if chosen:
            brought = frozenset().union(*(self._brought(one.ask.read) for one in chosen))
            if brought >= self._wanted(each, now_ns) or now_ns >= self._given_up_ns(each):
                return self._through(each, chosen)
        if each.main and now_ns >= each.missed_ns:
            return self._missed(each, now_ns, Fault.PORT_LOST if away else Fault.NO_ANSWER)
        return None

    def _chosen(self, each: _Set) -> list[Outcome]:
        """The answers that bring most of the set, with its first need: the total's, where it has one."""
        leads = self._needs(each)
        came = sorted(
            each.came.values(), key=lambda one: (-len(self._brought(one.ask.read) & set(each.names)), one.at_ns)
        )
        chosen: list[Outcome] = []
        covered: set[str] = set()
        for name in (*leads, *each.names):
            if name in covered:
                continue
            near = (one for one in came if name in self._brought(one.ask.read) and _near(one, chosen, each.within_ns))
            one = next(near, None)
            if one is None and name in leads:
                return []
            if one is not None:
                chosen.append(one)
                covered |= self._brought(one.ask.read)
        return sorted(chosen, key=lambda one: (one.ask.read.function, one.ask.read.register, one.ask.read.words))

    def _needs(self, each: _Set) -> tuple[str, ...]:
        """Without these there is no pass: the books' total and what it needs; else whatever has come of the set."""
        books = self.point.map.books
        return with_needs(self.point.map, [books.name]) if each.main and books else ()

    def _wanted(self, each: _Set, now_ns: int) -> frozenset[str]:
        """What this master was heard to ask for lately; all of it, before there was time to hear that."""
        round_ns = (each.every_ns or WITHIN_NS) + each.within_ns
        if now_ns < each.began_ns + round_ns:
            return frozenset(each.names)
        return frozenset(name for name in each.names if each.asked_ns.get(name, -NEVER) > now_ns - round_ns)

    def _given_up_ns(self, each: _Set) -> int:
        """When what has not come is no longer waited for."""
        chosen = self._chosen(each)
        return min(one.at_ns for one in chosen) + each.within_ns if chosen else NEVER

    def _through(self, each: _Set, chosen: Sequence[Outcome]) -> Pass | None:
        reads = tuple(one.ask.read for one in chosen)
        if reads not in each.plans and len(each.plans) >= MOST_PLANS:
            each.came.clear()
            return None  # missed, when its time is over
        each.plans.add(reads)
        asked = each.looks.pop(0) if each.looks else None
        done = Pass(self.point.name, reads, tuple(chosen), each.mark_ns, asked)
        self._next_mark(each, max(one.at_ns for one in chosen))
        return done

    def _missed(self, each: _Set, now_ns: int, without: Fault) -> Pass:
        heard = each.failed
        fault = heard.fault if heard is not None and heard.fault is not None else without
        outcome = Outcome(
            self._plan.ask(0), None, fault, sent_ns=now_ns, ended_ns=now_ns,
            exception_code=heard.exception_code if heard is not None else None, refused=tuple(each.refused),
        )  # fmt: skip
        asked = each.looks.pop(0) if each.looks else None
        done = Pass(self.point.name, self._plan.reads, (outcome,), each.mark_ns, asked)
        self._next_mark(each, max(each.mark_ns, now_ns - (each.every_ns or HOUR_NS)))  # a long sleep is one poll
        return done

    def _next_mark(self, each: _Set, at_ns: int) -> None:
        self._marks += each.main
        if each.looks:
            each.begin(at_ns)
            each.look_until_ns = at_ns + self.patience_ns
        elif each.every_ns is None:
            each.begin(NEVER)  # once, unless told
        else:
            each.begin(mark_from(at_ns + 1, each.every_ns, self._wall_minus_boot_ns))


def patience_ns(point: Point) -> int:
    """How long a person waits for a reading, at most."""
    every_ns = point.every_ms * MS_NS
    return min(every_ns + min(every_ns, WITHIN_NS) + _doubt_ns(point), LONGEST_LOOK_NS)


def _doubt_ns(point: Point) -> int:
    """How long answers may be in doubt after a fault, about (overheard.py, rules 5 and 6)."""
    return 2 * point.map.limits.longest_delay_ns + SECOND_NS


def _near(one: Outcome, chosen: Iterable[Outcome], within_ns: int) -> bool:
    return all(abs(one.at_ns - other.at_ns) <= within_ns for other in chosen)

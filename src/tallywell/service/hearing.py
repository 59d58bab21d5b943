"""Edge: one thread per line that is only listened to. It hands on what another master was overheard to read."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from tallywell.line.overheard import Unused
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Outcome, Pass
from tallywell.schedule.due import SILENCE
from tallywell.schedule.plan import Plan
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered, OneLine
from tallywell.service.sampling import Sampled
from tallywell.service.sentences import counted, not_asked_for, place
from tallywell.service.site import Line, Point
from tallywell.service.world import Listening, World

SECOND_NS = 1_000_000_000
NEWS_NS = SECOND_NS // 4  # so soon is news from another thread seen
FIRST_SAID_NS = 60 * SECOND_NS  # when it is said what passes on the line, once


class HearingThread(OneLine):
    """Listens to one line, as `LineThread` polls one."""

    def __init__(
        self, line: Line, ear: Listening, sampled: Sequence[Sampled], clock: Clock, deliver: Callable[[Delivered], None]
    ) -> None:
        super().__init__(line, ear, clock, deliver)
        self._ear = ear
        self._by_address = {one.point.address: one for one in sampled}
        self._asked: dict[int, int] = {}  # requests overheard, by address
        self._ignored: set[str] = set()  # points of which it was said that nobody asks them
        self._say_ns = clock.boot_ns() + FIRST_SAID_NS

    def _turn(self) -> None:
        while self._news:
            news = self._news.popleft()
            for one in self._by_address.values():
                one.learn(news, self._clock.boot_ns())
        now_ns = self._clock.boot_ns()
        soonest_ns = min((one.next_ns() for one in self._by_address.values()), default=now_ns + NEWS_NS)
        for outcome in self._ear.listen(min(soonest_ns, now_ns + NEWS_NS)):
            self._hear(outcome)
        self._tell_changes()
        self._look(self._clock.boot_ns())

    def _finish(self) -> None:
        """Nothing is under way: who only listens has asked for nothing."""

    def _hear(self, outcome: Outcome) -> None:
        self._asked[outcome.ask.address] = self._asked.get(outcome.ask.address, 0) + 1
        if (one := self._by_address.get(outcome.ask.address)) is not None:
            one.hear(outcome)

    def _look(self, now_ns: int) -> None:
        for one in self._by_address.values():
            for done in one.due(now_ns, away=self._ear.trouble is not None):
                self._deliver(done)
                self._tell_ignored(one, done, now_ns)
            if (names := one.unheard()) is not None:
                self._deliver(LineNews(now_ns, f"{place(one.point)}: {_of_unheard(one.point, names)}"))
        if now_ns >= self._say_ns and self._ear.trouble is None:
            self._say_ns = 2**63 - 1
            self._deliver(LineNews(now_ns, f"line {self._line.name}: {passing(self._asked, self._ear.tally)}"))

    def _tell_ignored(self, one: Sampled, done: Pass, now_ns: int) -> None:
        """Once, until the point is read again: that nobody asks is no fault of the meter's."""
        name = one.point.name
        if done.complete:
            self._ignored.discard(name)
        elif one.ignored(done) and name not in self._ignored:
            self._ignored.add(name)
            said = f"{place(one.point)}: the other master does not ask this address; {passing(self._asked, {})}"
            self._deliver(LineNews(now_ns, said))


def hearing(
    line: Line,
    plans: Sequence[tuple[Point, Plan]],
    world: World,
    wall_minus_boot_ns: int,
    deliver: Callable[[Delivered], None],
) -> HearingThread:
    """The thread of a line that is only listened to. `plans`: of each of its points the main one."""
    now_ns = world.clock.boot_ns()
    sampled = [Sampled(point, plan, now_ns, wall_minus_boot_ns) for point, plan in plans]
    return HearingThread(line, _ear(line, [point for point, _ in plans], world), sampled, world.clock, deliver)


def _ear(line: Line, points: Iterable[Point], world: World) -> Listening:
    delays_ns = {point.address: point.map.limits.longest_delay_ns for point in points}
    return world.open_ear(line.settings, world.clock, delays_ns)


def listened_passes(line: Line, point: Point, plans: tuple[Plan, ...], world: World) -> tuple[Pass, ...]:
    """One pass over what another master asks of the point, the main one last; waits until it asks, with a bound."""
    clock = world.clock
    sampled, ear = Sampled(point, plans[0], clock.boot_ns(), 0), _ear(line, (point,), world)
    until_ns = clock.boot_ns() + sampled.patience_ns
    world.log(f"line {line.name}: listening for up to {sampled.patience_ns // SECOND_NS} s for another master to ask")
    found: list[Pass] = []
    asked: dict[int, int] = {}
    try:
        while not any(done.reads and sampled.is_main(done) for done in found):
            now_ns = clock.boot_ns()
            for outcome in ear.listen(min(sampled.next_ns(), until_ns, now_ns + NEWS_NS)):
                asked[outcome.ask.address] = asked.get(outcome.ask.address, 0) + 1
                if outcome.ask.address == point.address:
                    sampled.hear(outcome)
            found += sampled.due(clock.boot_ns(), away=ear.trouble is not None)
            if clock.boot_ns() >= until_ns and not any(sampled.is_main(done) for done in found):
                found.append(sampled.missed_now(clock.boot_ns(), away=ear.trouble is not None))
        if ear.trouble is not None:
            world.log(f"line {line.name}: {ear.trouble}")
        elif found[-1].fault in SILENCE:
            world.log(f"line {line.name}: {passing(asked, ear.tally)}")
        return tuple(found)
    finally:
        ear.close()


def passing(asked: Mapping[int, int], tally: Mapping[Unused, int]) -> str:
    """What was overheard on a line, in one sentence: whom the other master asks, and what was of no use."""
    if not asked:
        useless = [f"{count} {why.value}" for why, count in tally.items() if why is not Unused.LOST]
        heard = f", but {', '.join(useless)}" if useless else ""
        return f"no request of another master was heard{heard}; {_ADVICE}"
    addresses = ", ".join(str(address) for address in sorted(asked))
    said = f"another master asks address {addresses} ({counted(sum(asked.values()), 'request')} so far)"
    useless = [f"{count} {why.value}" for why, count in tally.items() if why in _TELLING]
    said += f"; of no use: {', '.join(useless)}" if useless else ""
    if tally.get(Unused.OWED, 0) * 4 > sum(asked.values()):
        said += (
            "; it leaves no pause after an answer that was missed: state the meters' true longest_delay in their maps"
        )
    return said


_ADVICE = "check the pair (A and B), baud and parity, and that the other master is running"
_TELLING = (Unused.UNANSWERED, Unused.LATE, Unused.OWED, Unused.AMBIGUOUS, Unused.FOREIGN, Unused.STRAY, Unused.DAMAGED)


def _of_unheard(point: Point, names: Iterable[str]) -> str:
    there = [name for name in point.map.quantities if name in frozenset(names)]
    return not_asked_for(there) if there else "the other master was heard to ask for all quantities of the map by now"

"""The thread of a line: who is asked next, decided ahead or not, and what is handed on."""

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from tallywell.line.away import Change
from tallywell.readings.exchange import Ask, Outcome, Pass, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure
from tallywell.schedule.clock import ManualClock
from tallywell.schedule.due import LineState, LookAgain, Plan, Sleep, begin, next_ask
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered, LineThread
from tallywell.service.site import Line

MS = 1_000_000
PLANS = [
    Plan(f"{unit} {n}", unit, reads, 400 * MS, 60 * MS)  # with time to rest
    for unit in (17, 18)
    for n, reads in enumerate([(Read(4, 0, 2),), (Read(4, 10, 2), Read(4, 20, 2))])
]
POLLS = 200


class PlayedPort:
    """Answers by chance from a seed; `tells` of answers ahead, also of some that then do not come."""

    trouble: EdgeFailure | None = None
    ahead: Callable[[Outcome], None] | None = None

    def __init__(self, clock: ManualClock, tells: bool, news: Callable[[], None], over: Callable[[], None]) -> None:
        self.asked: list[tuple[int, Ask]] = []
        self._clock, self._tells, self._news, self._over = clock, tells, news, over
        self._dice = random.Random(7)

    def exchange(self, ask: Ask) -> Outcome:
        sent_ns = self._clock.boot_ns()
        self.asked.append((sent_ns, ask))
        comes, spoilt, told = (self._dice.random() < part for part in (0.9, 0.1, 0.1))
        self._clock.advance(20 * MS)
        ended_ns = self._clock.boot_ns()
        answer = Outcome(ask, bytes(4), None, sent_ns=sent_ns, ended_ns=ended_ns)
        if told:
            self._news()
        if comes and self._tells and self.ahead is not None:
            self.ahead(answer)
        if told:
            self._news()
        if len(self.asked) == POLLS:
            self._over()
        if comes and not spoilt:
            return answer
        return Outcome(
            ask, None, Fault.STRAY_BYTES, sent_ns=sent_ns, ended_ns=ended_ns, owes_until_ns=ended_ns + 90 * MS
        )

    def look(self) -> None: ...
    def changes(self) -> tuple[Change, ...]:
        return ()

    def stop(self) -> None: ...
    def close(self) -> None: ...


class EchoingPort(PlayedPort):
    """And two bytes that nobody asked for come before each request."""

    def exchange(self, ask: Ask) -> Outcome:
        heard = (Refused(Fault.STRAY_BYTES, b"\xa5\x5a", unasked=True),)
        return replace(super().exchange(ask), echoed=True, refused=heard)


def played(tells: bool, port_of: type[PlayedPort] = PlayedPort) -> tuple[list[tuple[int, Ask]], list[Delivered]]:
    clock, delivered = ManualClock(), list[Delivered]()
    threads: list[LineThread] = []

    def told() -> None:
        threads[0].tell(LookAgain("18 1", f"ask {len(port.asked)}"))

    def over() -> None:
        threads[0].stop()

    port = port_of(clock, tells, told, over)
    state = begin(PLANS, 0, 0, at_once=True)
    threads.append(LineThread(Line("field", "/dev/none", 19_200), port, state, clock, delivered.append))
    threads[0].start()
    assert threads[0].join(30)
    return port.asked, delivered


def test_what_was_reckoned_ahead_changes_nothing() -> None:
    """The same is asked at the same instants, and the same passes come out, with news in between or not."""
    asked, delivered = played(tells=False)
    asked_ahead, delivered_ahead = played(tells=True)
    assert asked_ahead == asked
    assert delivered_ahead == delivered
    assert len(delivered) > POLLS / 3
    assert {done.fault for done in delivered if isinstance(done, Pass)} >= {None, Fault.STRAY_BYTES}


def test_what_comes_beside_the_answers_is_told_once_and_before_the_pass_that_met_it() -> None:
    _, delivered = played(tells=True, port_of=EchoingPort)
    news = [(number, one) for number, one in enumerate(delivered) if isinstance(one, LineNews)]
    assert [one.event[0] for _, one in news if one.event] == ["echo", "unasked_bytes"]
    assert news[0][0] == 0


def test_a_step_reckoned_ahead_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise it would be reckoned twice for nothing: next_ask is called once for each request, not more."""
    calls: list[int] = []

    def counted(state: LineState, now_ns: int) -> Ask | Sleep:
        calls.append(now_ns)
        return next_ask(state, now_ns)

    monkeypatch.setattr("tallywell.service.lines.next_ask", counted)
    asked, _ = played(tells=True)
    ahead = len(calls)
    calls.clear()
    played(tells=False)
    assert ahead < 1.3 * len(calls), "one more for each answer that did not come, or after news"
    assert len(asked) >= POLLS

"""Kept bytes through the exchange of today, at their own times: what the rules make of them now. Pure.

Each row of a line is given to the machine at the row's time; what it would have done by itself in between (a silence
that has passed, a wait that is over) happens at its deadlines. One thing decides between two truths: bytes that came at
most LATE_NS after a deadline may have met a program that looked a moment late, and were heard before it noticed. The
rows tell, as the end of the exchange stands before or behind these bytes.
"""

from collections.abc import Callable, Iterator
from copy import deepcopy

from tallywell.line import mbap
from tallywell.line.exchange import Exchange
from tallywell.line.frame import parse_request
from tallywell.line.kept import Ended, Kept, Missing
from tallywell.line.tcp_exchange import FIRST_FROM_NS, TcpExchange
from tallywell.line.timing import AnySettings, LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.readings.traffic import Asked, Passed, Traffic, Way

LATE_NS = 5_000_000
LONG_SILENT_NS = 1_000_000_000  # before the first row: whatever was on the line is over
_OURS = (Fault.PORT_LOST, Fault.STOPPED)

AskOf = Callable[[int, Read], Ask]  # what a request alone does not say: longest delay and pause, by address and read


class NotAsked(ValueError):
    """The bytes sent are no request to read, or another than the row before says."""


class Replay:
    """One line. `feed` takes its rows in order and gives what passed, as the line's owner tells it.

    `otherwise`: exchanges that end otherwise than they did; `hasty`: requests for which today's rules would have waited
    longer.
    """

    def __init__(self, settings: AnySettings, ask_of: AskOf) -> None:
        self.settings = settings
        self.otherwise: list[tuple[Fault | None, Outcome]] = []
        self.hasty = 0
        self._ask_of = ask_of
        self._machine: Exchange | TcpExchange | None = None
        self._now_ns = 0
        self._asked: Asked | None = None  # the exchange that runs today
        self._then = False  # whether it ran then, as the rows tell it
        self._result: Outcome | None = None  # how the exchange ended today that ran then

    def feed(self, what: Kept) -> Iterator[Passed]:
        """NotAsked where a request cannot be followed."""
        if self._machine is None:
            self._machine = self._begun(what.at_ns)
        match what:
            case Missing():
                yield from self._up_to(what.at_ns)
                yield from self._cut_off(what.at_ns)
            case Ended():
                yield from self._ended(what)
            case Asked():
                yield from self._start(what)
                self._then = True
            case Traffic(way=Way.SENT):
                yield from self._send(what)
            case Traffic(content=b""):
                yield from self._up_to(what.at_ns)
                yield what
                self._machine.reopened(what.at_ns)
            case Traffic():
                yield from self._hear(what)
        self._now_ns = max(self._now_ns, what.at_ns)

    def end(self) -> Iterator[Passed]:
        """No more rows: what runs ends by itself."""
        for _ in range(100):  # each turn passes a deadline; a machine has but a few of them
            if self._asked is None:
                return
            yield from self._up_to(self._running.deadline())
            if self._running.request_due(self._now_ns):  # it was never sent
                yield from self._cut_off(self._now_ns)

    @property
    def _running(self) -> Exchange | TcpExchange:
        assert self._machine is not None
        return self._machine

    def _begun(self, at_ns: int, number: int | None = None) -> Exchange | TcpExchange:
        if isinstance(self.settings, LineSettings) or not self.settings.numbered:
            return Exchange(self.settings, at_ns - LONG_SILENT_NS)
        before = 0 if number is None else (number - 1) % mbap.TRANSACTIONS
        return TcpExchange(self.settings, before * FIRST_FROM_NS)

    def _start(self, asked: Asked) -> Iterator[Passed]:
        yield from self._up_to(asked.at_ns)
        yield from self._cut_off(asked.at_ns)
        yield asked
        if isinstance(self._running, Exchange) and self._running.owes(asked.ask.address, asked.at_ns):
            self.hasty += 1
            self._machine = self._begun(asked.at_ns)
        self._running.start(asked.ask, asked.at_ns)
        self._asked, self._result, self._then = asked, None, False

    def _cut_off(self, at_ns: int) -> Iterator[Passed]:
        """The next one begins while today's rules still wait."""
        if self._asked is not None:
            yield self._over(self._running.halt(Fault.STOPPED, at_ns))

    def _over(self, outcome: Outcome) -> Outcome:
        self._asked, self._result = None, outcome
        return outcome

    def _up_to(self, at_ns: int, *, then_ended: bool = False, heard: bool = False) -> Iterator[Passed]:
        """What the machine does by itself before `at_ns`, an end that was then at that very instant included."""
        while (
            self._asked is not None
            and (due_ns := self._running.deadline()) <= at_ns
            and not (heard and due_ns == at_ns)
        ):
            trial = deepcopy(self._running)
            outcome = trial.expire(max(due_ns, self._now_ns))
            if outcome is None:
                if trial.state is self._running.state:
                    return  # the request may leave
                self._machine = trial
            elif heard and self._then and at_ns - due_ns <= LATE_NS:
                return
            else:
                outcome = self._running.expire(at_ns) if then_ended else outcome
                self._machine = self._machine if then_ended else trial
                assert outcome is not None
                yield self._over(outcome)

    def _ended(self, what: Ended) -> Iterator[Passed]:
        yield from self._up_to(what.at_ns, then_ended=True)
        if self._asked is not None and what.fault in _OURS:
            yield self._over(self._running.halt(what.fault, what.at_ns))
        if self._asked is None and self._result is not None and self._result.fault is not what.fault:
            self.otherwise.append((what.fault, self._result))
        self._then, self._result = False, None

    def _hear(self, heard: Traffic) -> Iterator[Passed]:
        yield from self._up_to(heard.at_ns, heard=True)
        yield heard
        self._running.receive(heard.content, heard.at_ns)

    def _send(self, sent: Traffic) -> Iterator[Passed]:
        if self._asked is None and not self._then:
            yield from self._start(Asked(sent.at_ns, self._ask(sent.content)))
        yield from self._up_to(sent.at_ns)
        at_ns = sent.at_ns
        while self._asked is not None:
            if request := self._running.request_due(at_ns):
                self._same(request, sent)
                break
            self.hasty += at_ns == sent.at_ns
            at_ns = max(at_ns, self._running.deadline())
            yield from self._up_to(at_ns)
        yield sent

    def _ask(self, request: bytes) -> Ask:
        found = self._parsed(request)
        if found is None:
            raise NotAsked("the bytes sent are no request to read")
        return self._ask_of(*found)

    def _parsed(self, request: bytes) -> tuple[int, Read] | None:
        if isinstance(self._running, Exchange):
            return parse_request(request)
        try:
            found = mbap.first_frame(request)
        except mbap.Malformed:
            return None
        read = mbap.asked_read(found) if found is not None else None
        return None if found is None or read is None else (found.unit, read)

    def _same(self, request: bytes, sent: Traffic) -> None:
        """Over TCP the numbers are taken up from the bytes, also where some were not kept."""
        if request == sent.content:
            return
        assert self._asked is not None
        if isinstance(self._running, Exchange) or request[2:] != sent.content[2:]:
            raise NotAsked("the bytes sent do not ask what was to be asked")
        machine = self._machine = self._begun(sent.at_ns, int.from_bytes(sent.content[:2], "big"))
        machine.start(self._asked.ask, self._asked.at_ns)
        machine.expire(sent.at_ns)
        machine.request_due(sent.at_ns)

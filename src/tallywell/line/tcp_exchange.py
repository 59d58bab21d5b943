"""One request and its answer over Modbus TCP, without a clock and without a socket.

The same shape as the exchange on a serial line: bytes and times come in as arguments; TABLE is the whole machine; only
`expire` gives a good reply. The rules, and where they come from ("Guide" is the Modbus Messaging on TCP/IP
Implementation Guide V1.0b):
1. Each request has a number of its own, one more than the last; the answer carries it back (Guide, 3.1.3). The first is
   taken from the clock, so that two masters of one gateway, or we before and after a start, seldom use the same.
2. A frame with another number answers nothing and ends nothing: a late answer, a second one, another master's. It is
   thrown away and kept as refused; if it answers a waking it is no fault and only thrown away.
3. A frame with our number is the answer or ends the exchange: protocol 0, unit, function, byte count and exact length
   as asked. What comes behind it belongs to nobody.
4. A stream in which no frame can stand (another protocol number, an impossible length) or that stops within a frame
   cannot be followed any more: `broken` says so, and the connection must be made anew.
5. The wait is the meter's longest delay and the gateway's latency, from the writing of the request. An answer first
   seen long after it lay there for an unknown time (the machine slept): its value's time would be a guess.
6. The number guards the way from the gateway to us, not the serial line behind the gateway: a meter's late answer can
   be given there to our next request, under the new number. So a unit that did not answer in time *owes* a reply, as on
   a serial line, and is not asked before `owes_until_ns`; others are.
7. Nothing is asked twice in here.
"""

from collections import deque
from collections.abc import Callable
from enum import Enum, auto

from tallywell.line import mbap
from tallywell.line.exchange import KEPT_BYTES, KEPT_RUNS, NEED_MORE, NEVER, Happening, NeedMore
from tallywell.line.timing import SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Refused
from tallywell.readings.faults import Fault

KEPT_WAKINGS = 8  # whose late answers are no fault
AT_ONCE = 0  # the boot clock begins here. A peer may close right behind its answer: nothing is waited for
FIRST_FROM_NS = 1_000_000  # the clock's milliseconds give the first number


class TcpState(Enum):
    IDLE = auto()  # nobody was asked yet
    HELD = auto()  # the meter's own pause before a request
    READY = auto()  # the request may leave
    WAITING = auto()  # the request left, its answer has not come whole
    CAME = auto()  # a frame with our number came whole
    WAKING = auto()  # the request left, and nobody waits for its answer
    BROKEN = auto()  # while an exchange runs, the stream stopped making sense
    ANSWERED = auto()
    FAILED = auto()


class TcpExchange:
    """The machine. One exchange after another; the stream and the numbers outlive each of them."""

    def __init__(self, settings: SocketSettings, now_ns: int) -> None:
        self.settings = settings
        self.state = TcpState.IDLE
        self.broken: str | None = None  # why the connection must be made anew
        self._number = now_ns // FIRST_FROM_NS % mbap.TRANSACTIONS
        self._stream = b""  # what came and is no whole frame yet
        self._wakings: deque[int] = deque(maxlen=KEPT_WAKINGS)
        self._last_ns = now_ns - NEVER  # the last byte seen or sent
        self._ask: Ask | None = None
        self._chunk = b""
        self._halted_by = Fault.STOPPED
        self._outcome: Outcome | None = None
        self._refused: list[Refused] = []  # before an exchange: what the next outcome will tell
        self._begin()

    # --- what the driver calls -------------------------------------------------------------------------------------
    def start(self, ask: Ask, now_ns: int) -> None:
        """Take up an ask."""
        self._ask = ask
        self._fire(Happening.ASKED, now_ns)

    def receive(self, chunk: bytes, now_ns: int) -> Fault | NeedMore:
        """Bytes seen at `now_ns`. A fault: this exchange cannot be answered any more; the outcome has its last name."""
        if chunk:
            self._chunk = chunk
            self._fire(Happening.HEARD, now_ns)
        over = self.state in (TcpState.CAME, TcpState.BROKEN)
        return (self._fault or NEED_MORE) if over else NEED_MORE

    def request_due(self, now_ns: int) -> bytes:
        """The request, once, as soon as the meter's pause has passed; otherwise nothing. Write it at once."""
        if self.state is not TcpState.READY:
            return b""
        self._fire(Happening.SENT, now_ns)
        return mbap.request(self._number, self._asked.address, self._asked.read)

    def deadline(self) -> int:
        """When `expire` has something to say if nothing is heard before. NEVER while no exchange runs."""
        due = _DEADLINE.get(self.state)
        return due(self) if due else NEVER

    def expire(self, now_ns: int) -> Outcome | None:
        """All bytes that came before `now_ns` have been given to `receive`: what follows?"""
        if now_ns >= self.deadline() and self.state is not TcpState.READY:
            self._fire(Happening.DUE, now_ns)
        return self._take_outcome()

    def foreseen(self) -> Outcome | None:
        """None: an answer is given as soon as it is whole, and no silence is waited for."""
        return None

    def halt(self, fault: Fault, now_ns: int) -> Outcome:
        """End the running exchange from our side: PORT_LOST or STOPPED."""
        self._halted_by = fault
        self._fire(Happening.HALTED, now_ns)
        outcome = self._take_outcome()
        assert outcome is not None
        return outcome

    def reopened(self, _now_ns: int) -> None:
        """A new connection: what came on the old one is over. The numbers go on, as a gateway may mix up the two."""
        self._refuse_stream(Fault.STRAY_BYTES)
        self.broken = None

    # --- the machine -----------------------------------------------------------------------------------------------
    @property
    def _asked(self) -> Ask:
        assert self._ask is not None
        return self._ask

    def _fire(self, happening: Happening, now_ns: int) -> None:
        self.state = TABLE[self.state, happening](self, now_ns)

    def _begin(self) -> None:
        self._sent_ns: int | None = None
        self._first_ns: int | None = None
        self._ends_ns = 0
        self._fault: Fault | None = None
        self._answer: mbap.Frame | None = None

    def _take_up(self, now_ns: int) -> TcpState:
        self._begin()
        self._outcome = None
        self._ends_ns = max(now_ns, self._last_ns + self._asked.pause_ns)
        return self._unless_broken(TcpState.HELD)

    def _held(self, _now_ns: int) -> TcpState:
        return TcpState.READY

    def _sent(self, now_ns: int) -> TcpState:
        ask = self._asked
        self._number = (self._number + 1) % mbap.TRANSACTIONS
        self._sent_ns = self._last_ns = now_ns
        self._ends_ns = now_ns + ask.longest_delay_ns
        if not ask.expects_reply:
            self._wakings.append(self._number)
            return TcpState.WAKING
        self._ends_ns += self.settings.latency_ns
        return TcpState.WAITING

    def _unasked_bytes(self, now_ns: int) -> TcpState:
        """Nobody waits: late answers, or another master's. Kept for the next outcome."""
        self._last_ns = now_ns
        self._take(now_ns, None)
        return self._unless_broken(self.state)

    def _hear(self, now_ns: int) -> TcpState:
        self._last_ns = now_ns
        if self._take(now_ns, self._number):
            return TcpState.CAME
        return self._unless_broken(TcpState.WAITING)

    def _hear_behind(self, now_ns: int) -> TcpState:
        """The answer is there: what follows it is looked at when the exchange has ended, however it comes in pieces."""
        self._last_ns = now_ns
        self._append()
        return self.state

    def _unless_broken(self, state: TcpState) -> TcpState:
        running = state in (TcpState.HELD, TcpState.READY, TcpState.WAITING, TcpState.WAKING)
        return TcpState.BROKEN if running and self.broken else state

    def _take(self, now_ns: int, number: int | None) -> bool:
        """Take the chunk and then frame by frame off the stream, up to the one with our number."""
        if not self._stream and number is not None:
            self._first_ns = now_ns
        self._append()
        while not self.broken and (found := self._next_frame()) is not None:
            if found.transaction == number:
                self._came(found, now_ns)
                return True
            self._throw_away(found)
            self._first_ns = now_ns if self._stream and number is not None else None
        return False

    def _append(self) -> None:
        self._stream += self._chunk
        self._chunk = b""
        if self.broken:
            self._stream = self._stream[:KEPT_BYTES]

    def _next_frame(self) -> mbap.Frame | None:
        try:
            found = mbap.first_frame(self._stream)
        except mbap.Malformed as wrong:
            self.broken = f"what it sent is not Modbus TCP: {wrong}"
            self._fault = Fault.STRAY_BYTES
            self._stream = self._stream[:KEPT_BYTES]
            return None
        if found is not None:
            self._stream = self._stream[len(found.raw) :]
        return found

    def _came(self, found: mbap.Frame, now_ns: int) -> None:
        self._answer = found
        late = now_ns > self._ends_ns + self.settings.latency_ns  # rule 5
        self._fault = Fault.STRAY_BYTES if late else mbap.judge(self._asked, found)

    def _throw_away(self, found: mbap.Frame) -> None:
        if found.transaction in self._wakings:
            self._wakings.remove(found.transaction)
        else:
            self._refuse(Fault.STRAY_BYTES, found.raw)

    def _refuse(self, fault: Fault, heard: bytes) -> None:
        if len(self._refused) < KEPT_RUNS:
            self._refused.append(Refused(fault, heard[:KEPT_BYTES]))

    def _refuse_stream(self, fault: Fault) -> None:
        if self._stream:
            self._refuse(fault, self._stream)
        self._stream = b""

    def _ended(self, now_ns: int) -> TcpState:
        """The frame with our number stands there whole: the only way to an answer."""
        assert self._answer is not None
        if self._fault is not None:
            self._refuse(self._fault, self._answer.raw)
            return self._fail(self._fault, now_ns)
        self._finish(now_ns, data=self._answer.pdu[2:])
        return TcpState.ANSWERED

    def _no_answer(self, now_ns: int) -> TcpState:
        """Rule 4: of a frame that has begun, the rest may never come, and would swallow the next one's beginning."""
        if not self._stream:
            return self._fail(Fault.NO_ANSWER, now_ns)
        ours = self._stream[:2] == self._number.to_bytes(2, "big")[: len(self._stream)]
        self._refuse_stream(Fault.WRONG_LENGTH if ours else Fault.STRAY_BYTES)
        self.broken = "it stopped in the middle of a frame"
        return self._fail(Fault.WRONG_LENGTH if ours else Fault.NO_ANSWER, now_ns)

    def _woke(self, now_ns: int) -> TcpState:
        self._finish(now_ns, data=b"")
        return TcpState.ANSWERED

    def _gave_up(self, now_ns: int) -> TcpState:
        self._refuse_stream(Fault.STRAY_BYTES)
        return self._fail(Fault.STRAY_BYTES, now_ns)

    def _halt(self, now_ns: int) -> TcpState:
        if self._answer is not None:
            self._refuse(self._halted_by, self._answer.raw)
        self._refuse_stream(self._halted_by)
        return self._fail(self._halted_by, now_ns)

    def _fail(self, fault: Fault, now_ns: int) -> TcpState:
        self._finish(now_ns, fault=fault)
        return TcpState.FAILED

    def _finish(self, now_ns: int, data: bytes | None = None, fault: Fault | None = None) -> None:
        refused = bool(self._answer and len(self._answer.pdu) == 2 and fault in (Fault.EXCEPTION, Fault.NO_ANSWER))
        self._outcome = Outcome(
            self._asked, data, fault,
            sent_ns=now_ns if self._sent_ns is None else self._sent_ns,
            ended_ns=max(now_ns, self._last_ns),
            first_ns=self._first_ns,
            exception_code=self._answer.pdu[1] if self._answer and refused else None,
            refused=tuple(self._refused),
            owes_until_ns=self._owes_until(fault, now_ns),
        )  # fmt: skip
        self._refused.clear()
        self._take(now_ns, None)  # what came behind the answer

    def _owes_until(self, fault: Fault | None, now_ns: int) -> int | None:
        """Rule 6. Who did not answer within the longest delay gets as long again: it may be late in earnest."""
        if self._sent_ns is None or fault in (None, Fault.EXCEPTION):
            return None
        since_ns = now_ns if fault is Fault.NO_ANSWER else self._sent_ns
        return since_ns + self._asked.longest_delay_ns + self.settings.latency_ns

    def _take_outcome(self) -> Outcome | None:
        outcome, self._outcome = self._outcome, None
        return outcome


_DEADLINE: dict[TcpState, Callable[[TcpExchange], int]] = {
    TcpState.HELD: lambda line: line._ends_ns,
    TcpState.READY: lambda line: line._ends_ns,
    TcpState.WAITING: lambda line: line._ends_ns,
    TcpState.CAME: lambda _: AT_ONCE,
    TcpState.WAKING: lambda line: line._ends_ns,
    TcpState.BROKEN: lambda _: AT_ONCE,
}

TABLE: dict[tuple[TcpState, Happening], Callable[[TcpExchange, int], TcpState]] = {
    (TcpState.IDLE, Happening.ASKED): TcpExchange._take_up,
    (TcpState.IDLE, Happening.HEARD): TcpExchange._unasked_bytes,
    (TcpState.HELD, Happening.HEARD): TcpExchange._unasked_bytes,
    (TcpState.HELD, Happening.DUE): TcpExchange._held,
    (TcpState.HELD, Happening.HALTED): TcpExchange._halt,
    (TcpState.READY, Happening.HEARD): TcpExchange._unasked_bytes,
    (TcpState.READY, Happening.SENT): TcpExchange._sent,
    (TcpState.READY, Happening.HALTED): TcpExchange._halt,
    (TcpState.WAITING, Happening.HEARD): TcpExchange._hear,
    (TcpState.WAITING, Happening.DUE): TcpExchange._no_answer,
    (TcpState.WAITING, Happening.HALTED): TcpExchange._halt,
    (TcpState.CAME, Happening.HEARD): TcpExchange._hear_behind,
    (TcpState.CAME, Happening.DUE): TcpExchange._ended,
    (TcpState.CAME, Happening.HALTED): TcpExchange._halt,
    (TcpState.WAKING, Happening.HEARD): TcpExchange._unasked_bytes,
    (TcpState.WAKING, Happening.DUE): TcpExchange._woke,
    (TcpState.WAKING, Happening.HALTED): TcpExchange._halt,
    (TcpState.BROKEN, Happening.HEARD): TcpExchange._hear_behind,
    (TcpState.BROKEN, Happening.DUE): TcpExchange._gave_up,
    (TcpState.BROKEN, Happening.HALTED): TcpExchange._halt,
    (TcpState.ANSWERED, Happening.ASKED): TcpExchange._take_up,
    (TcpState.ANSWERED, Happening.HEARD): TcpExchange._unasked_bytes,
    (TcpState.FAILED, Happening.ASKED): TcpExchange._take_up,
    (TcpState.FAILED, Happening.HEARD): TcpExchange._unasked_bytes,
}

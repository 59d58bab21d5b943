"""One request and its answer on a Modbus serial line, without a clock and without a descriptor.

Bytes and times come in as arguments; what is to be sent and what was learned go out as values. TABLE is the whole
machine: what happens in which state, and a pair that is not in it is an error of ours. The law of this file: only
`expire` gives a good reply, from SETTLING, where the frame is whole and the silence behind it has passed.

The rules, and where they come from ("V1.02" is Modbus over Serial Line V1.02):
1. A request leaves after 3.5 characters without a byte, or the meter's own longer pause (V1.02, 2.5.1.1). Any byte
   starts the silence again; a line that does not fall silent within `babble_ns` is given up as STRAY_BYTES.
2. No byte of a reply can be on the line before our last bit has left it: earlier bytes are not the answer.
3. A reply is taken by address, function, byte count, exact length and CRC, then silence with nothing behind it
   (V1.02, 2.5.1 and 2.4.1). An exception is the meter's refusal and is held to the same.
4. The wait counts from the end of the request on the wire: the meter's longest delay, the reply's own time on the
   wire, and what the adapter may take to hand bytes over. A frame that has begun may end later than that. Bytes first
   seen long after it (the machine slept, or this program stood still) lay there for an unknown time: the value's
   time would be a guess, so they are not the answer.
5. An RTU reply carries no transaction number, so a late one looks like the answer to the next request. After a
   timeout, a damaged or foreign frame or a stray byte the unit *owes* a reply: it is not asked again before
   `owes_until_ns`, and a whole frame from it neither answers nor ends an exchange with another unit. Draining the
   input before a request does not replace this (the late reply comes after the drain), and asking again at once
   makes it worse (each answer then belongs to the request before).
6. Nothing is asked twice in here: every attempt is the schedule's decision and is on record.
What cannot be had: a reply of the same block that comes later than all of this is taken for fresh.
"""

from collections.abc import Callable
from enum import Enum, auto

from tallywell.line import frame
from tallywell.line.judge import judge, stated_length, wanted_length
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Refused
from tallywell.readings.faults import Fault

KEPT_BYTES = 512  # of one run of refused bytes: twice the longest frame
KEPT_RUNS = 16
NEVER = 2**63 - 1


class State(Enum):
    IDLE = auto()  # nobody was asked yet
    QUIET = auto()  # an ask waits for silence
    READY = auto()  # silence has passed: the request may leave
    WAITING = auto()  # the request left, nothing came
    RECEIVING = auto()  # something came that is not yet as long as the answer
    SETTLING = auto()  # as long as the answer: now there must be silence
    SPOILED = auto()  # something that cannot be the answer any more: wait for its end
    ANSWERED = auto()
    FAILED = auto()


class Happening(Enum):
    ASKED = auto()
    HEARD = auto()
    DUE = auto()  # the state's deadline has passed
    SENT = auto()
    HALTED = auto()  # the port was lost, or we are stopped


class NeedMore(Enum):
    NEED_MORE = auto()


NEED_MORE = NeedMore.NEED_MORE


class Exchange:
    """The machine. One exchange after another: what the line owes and when it last spoke outlive each of them."""

    def __init__(self, settings: LineSettings, now_ns: int) -> None:
        self.settings = settings
        self.state = State.IDLE
        self._gap_ns = settings.silence_ns + settings.latency_ns  # a pause inside a frame that an adapter may cause
        self._babble_ns = 2 * settings.longest_frame_ns  # one foreign frame under way, and another
        self._last_ns = now_ns  # the last byte seen or sent; a port just opened may have been talking
        self._owing: dict[int, int] = {}
        self._ask: Ask | None = None
        self._chunk = b""
        self._halted_by = Fault.STOPPED
        self._outcome: Outcome | None = None
        self._unasked = bytearray()
        self._begin(now_ns)

    # --- what the driver calls -------------------------------------------------------------------------------------
    def start(self, ask: Ask, now_ns: int) -> None:
        """Take up an ask. Asking a unit that still owes a reply is our own bug."""
        assert not self.owes(ask.address, now_ns), f"unit {ask.address} owes a reply and was asked"
        self._ask = ask
        self._fire(Happening.ASKED, now_ns)

    def receive(self, chunk: bytes, now_ns: int) -> Fault | NeedMore:
        """Bytes seen at `now_ns`. A fault: this exchange cannot be answered any more; the outcome has its last name."""
        if chunk:
            self._chunk = chunk
            self._fire(Happening.HEARD, now_ns)
        return self._fault_so_far() or NEED_MORE

    def request_due(self, now_ns: int) -> bytes:
        """The request, once, as soon as the silence before it has passed; otherwise nothing. Write it at once."""
        if self.state is not State.READY:
            return b""
        self._fire(Happening.SENT, now_ns)
        return frame.request(self._asked.address, self._asked.read)

    def deadline(self) -> int:
        """When `expire` has something to say if nothing is heard before. NEVER while no exchange runs."""
        due = _DEADLINE.get(self.state)
        return due(self) if due else NEVER

    def expire(self, now_ns: int) -> Outcome | None:
        """All bytes that came before `now_ns` have been given to `receive`: what follows from the silence since?"""
        if now_ns >= self.deadline() and self.state is not State.READY:
            self._fire(Happening.DUE, now_ns)
        return self._take_outcome()

    def halt(self, fault: Fault, now_ns: int) -> Outcome:
        """End the running exchange from our side: PORT_LOST or STOPPED."""
        self._halted_by = fault
        self._fire(Happening.HALTED, now_ns)
        outcome = self._take_outcome()
        assert outcome is not None
        return outcome

    def reopened(self, now_ns: int) -> None:
        """The port was opened anew and may be in the middle of anything: a whole silence before the next request."""
        self._last_ns = max(self._last_ns, now_ns)

    def owes(self, address: int, now_ns: int) -> bool:
        return self._owing.get(address, now_ns) > now_ns

    # --- the machine -----------------------------------------------------------------------------------------------
    @property
    def _asked(self) -> Ask:
        assert self._ask is not None
        return self._ask

    def _fire(self, happening: Happening, now_ns: int) -> None:
        self.state = TABLE[self.state, happening](self, now_ns)

    def _begin(self, now_ns: int) -> None:
        self._heard = bytearray()
        self._early = 0  # how many of them are not the answer for their time alone (rules 2 and 4)
        self._refused: list[Refused] = []
        self._sent_ns: int | None = None
        self._first_ns: int | None = None
        self._give_up_ns = now_ns

    def _take_up(self, now_ns: int) -> State:
        self._begin(now_ns)
        self._outcome = None
        self._owing = {unit: until for unit, until in self._owing.items() if until > now_ns}
        self._give_up_ns = max(now_ns, self._silent_ns()) + self._babble_ns
        return State.QUIET

    def _silent_ns(self) -> int:
        """Rule 1: when the silence before the request has lasted long enough."""
        return self._last_ns + max(self.settings.silence_ns, self._asked.pause_ns)

    def _not_quiet(self, now_ns: int) -> State:
        self._unasked_bytes(now_ns)
        return State.QUIET

    def _quiet_over(self, now_ns: int) -> State:
        return State.READY if now_ns >= self._silent_ns() else self._fail(Fault.STRAY_BYTES, now_ns)

    def _unasked_bytes(self, now_ns: int) -> State:
        """Nobody was asked: late replies, noise, another master. Kept for the next outcome."""
        self._unasked += self._chunk
        del self._unasked[KEPT_BYTES:]
        self._last_ns = now_ns
        return self.state

    def _sent(self, now_ns: int) -> State:
        ask, line = self._asked, self.settings
        self._sent_ns = self._last_ns = now_ns + line.wire_ns(frame.REQUEST_LENGTH)
        self._answer_by_ns = self._sent_ns + ask.longest_delay_ns + self._reply_ns() + line.latency_ns  # rule 4
        self._give_up_ns = self._answer_by_ns + self._babble_ns
        return State.WAITING

    def _reply_ns(self) -> int:
        return self.settings.wire_ns(frame.reply_length(self._asked.read))

    def _hear(self, now_ns: int) -> State:
        if not self._heard:
            self._first_ns = now_ns
        self._heard += self._chunk
        self._last_ns = now_ns
        if self._sent_ns is not None and now_ns < self._sent_ns:
            self._early = len(self._heard)  # rule 2
        while self._throw_away_owed():
            self._first_ns = now_ns if self._heard else None
        if self._first_ns is not None and self._first_ns > self._give_up_ns:
            self._early = len(self._heard)  # rule 4
        del self._heard[KEPT_BYTES:]
        return self._by_length()

    def _throw_away_owed(self) -> bool:
        """Rule 5: whether a whole frame of an owing unit stood in front, and is now gone."""
        length = stated_length(bytes(self._heard[:3]))
        if length is None or len(self._heard) < length or self._heard[0] not in self._owing:
            return False
        owed = bytes(self._heard[:length])
        if not frame.crc_holds(owed):
            return False
        self._refuse(Fault.WRONG_ADDRESS, owed)
        del self._heard[:length]
        self._early = max(0, self._early - length)
        return True

    def _by_length(self) -> State:
        if not self._heard:
            return State.WAITING
        head = bytes(self._heard[:3])
        length = wanted_length(self._asked, head)
        if head[0] in self._owing:
            length = stated_length(head) or length
        if len(self._heard) < length:
            return State.RECEIVING
        return State.SETTLING if len(self._heard) == length else State.SPOILED

    def _fault_so_far(self) -> Fault | None:
        if self._early and self._heard[0] not in self._owing:
            return Fault.STRAY_BYTES
        return judge(self._asked, bytes(self._heard)) if self.state is State.SPOILED else None

    def _no_answer(self, now_ns: int) -> State:
        return self._fail(Fault.NO_ANSWER, now_ns)

    def _settled(self, now_ns: int) -> State:
        """The frame is whole and silence stands behind it: the only way to an answer."""
        heard = bytes(self._heard)
        fault = Fault.STRAY_BYTES if self._early else judge(self._asked, heard)
        if fault is not None:
            return self._fail(fault, now_ns)
        self._finish(now_ns, data=heard[3:-2])
        return State.ANSWERED

    def _broken_off(self, now_ns: int) -> State:
        """Too short or too long, and over."""
        fault = Fault.STRAY_BYTES if self._early else judge(self._asked, bytes(self._heard))
        return self._fail(fault or Fault.WRONG_LENGTH, now_ns)

    def _halt(self, now_ns: int) -> State:
        return self._fail(self._halted_by, now_ns)

    def _fail(self, fault: Fault, now_ns: int) -> State:
        if self._heard:
            self._refuse(fault, bytes(self._heard))
        self._finish(now_ns, fault=fault)
        return State.FAILED

    def _refuse(self, fault: Fault, heard: bytes) -> None:
        if len(self._refused) < KEPT_RUNS:
            self._refused.append(Refused(fault, heard))

    def _finish(self, now_ns: int, data: bytes | None = None, fault: Fault | None = None) -> None:
        owes_until_ns = self._owes_until(fault, now_ns)
        if owes_until_ns is not None:
            self._owing[self._asked.address] = owes_until_ns
        unasked = (Refused(Fault.STRAY_BYTES, bytes(self._unasked)),) if self._unasked else ()
        self._unasked.clear()
        self._outcome = Outcome(
            self._asked, data, fault,
            sent_ns=now_ns if self._sent_ns is None else self._sent_ns,
            ended_ns=now_ns,
            first_ns=self._first_ns,
            exception_code=self._heard[2] if fault is Fault.EXCEPTION else None,
            refused=unasked + tuple(self._refused),
            owes_until_ns=owes_until_ns,
        )  # fmt: skip

    def _owes_until(self, fault: Fault | None, now_ns: int) -> int | None:
        """Rule 5. Who did not answer within the longest delay gets as long again: it may be late in earnest."""
        if self._sent_ns is None or fault in (None, Fault.EXCEPTION):
            return None
        since_ns = now_ns if fault is Fault.NO_ANSWER else self._sent_ns + self.settings.latency_ns
        return since_ns + self._asked.longest_delay_ns + self._reply_ns() + self.settings.silence_ns

    def _take_outcome(self) -> Outcome | None:
        outcome, self._outcome = self._outcome, None
        return outcome


_DEADLINE: dict[State, Callable[[Exchange], int]] = {
    State.QUIET: lambda line: min(line._silent_ns(), line._give_up_ns),
    State.READY: lambda line: line._last_ns,
    State.WAITING: lambda line: line._answer_by_ns,
    State.RECEIVING: lambda line: min(line._last_ns + line._gap_ns, line._give_up_ns),
    State.SETTLING: lambda line: line._last_ns + line.settings.silence_ns,
    State.SPOILED: lambda line: min(line._last_ns + line._gap_ns, line._give_up_ns),
}

TABLE: dict[tuple[State, Happening], Callable[[Exchange, int], State]] = {
    (State.IDLE, Happening.ASKED): Exchange._take_up,
    (State.IDLE, Happening.HEARD): Exchange._unasked_bytes,
    (State.QUIET, Happening.HEARD): Exchange._not_quiet,
    (State.QUIET, Happening.DUE): Exchange._quiet_over,
    (State.QUIET, Happening.HALTED): Exchange._halt,
    (State.READY, Happening.HEARD): Exchange._not_quiet,
    (State.READY, Happening.SENT): Exchange._sent,
    (State.READY, Happening.HALTED): Exchange._halt,
    (State.WAITING, Happening.HEARD): Exchange._hear,
    (State.WAITING, Happening.DUE): Exchange._no_answer,
    (State.WAITING, Happening.HALTED): Exchange._halt,
    (State.RECEIVING, Happening.HEARD): Exchange._hear,
    (State.RECEIVING, Happening.DUE): Exchange._broken_off,
    (State.RECEIVING, Happening.HALTED): Exchange._halt,
    (State.SETTLING, Happening.HEARD): Exchange._hear,
    (State.SETTLING, Happening.DUE): Exchange._settled,
    (State.SETTLING, Happening.HALTED): Exchange._halt,
    (State.SPOILED, Happening.HEARD): Exchange._hear,
    (State.SPOILED, Happening.DUE): Exchange._broken_off,
    (State.SPOILED, Happening.HALTED): Exchange._halt,
    (State.ANSWERED, Happening.ASKED): Exchange._take_up,
    (State.ANSWERED, Happening.HEARD): Exchange._unasked_bytes,
    (State.FAILED, Happening.ASKED): Exchange._take_up,
    (State.FAILED, Happening.HEARD): Exchange._unasked_bytes,
}

"""One request and its answer on a Modbus serial line, without a clock and without a descriptor.

Bytes and times come in as arguments; what is to be sent and what was learned go out as values. TABLE is the whole
machine: what happens in which state, and a pair that is not in it is an error of ours. The law of this file: only
`expire` gives a good reply, from SETTLING, where the frame is whole and the silence behind it has passed.

The rules, and where they come from ("V1.02" is Modbus over Serial Line V1.02):
1. A request leaves after 3.5 characters without a byte, or the meter's own longer pause (V1.02, 2.5.1.1). Any byte
   starts the silence again; a line that does not fall silent within `babble_ns` is given up as STRAY_BYTES.
2. No byte of a reply can be on the line before our last bit has left it: earlier bytes are not the answer. Only where
   they are our own request, whole and byte by byte, with the first of them seen before the adapter can be late with
   it, they are its *echo* (a two-wire adapter whose receiver stays on): thrown away, said in the outcome.
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
   What cannot be the reply *taints* the exchange: it has failed, but its wait goes on, so that the reply still comes
   within it, refused, and meets nobody else's. A run as long as the reply, or a sound frame of the unit, ends it.
6. Nothing is asked twice in here: every attempt is the schedule's decision and is on record.
7. A request that only wakes (`expects_reply` False) is answered by nobody, or by a meter that was awake. What comes
   within its wait is thrown away and is no fault. An answer may still come after that, in any exchange: it is told by
   unit, function and byte count, and thrown away. Where the unit's next answer has just these, nothing could tell the
   two apart: that request waits as long after the waking as a unit is left alone that owes a reply. A refusal may be
   the waking's or the next request's, of one function: it ends the exchange, and the unit owes a reply as after a
   foreign frame.
8. Bytes that come while nobody is asked and no unit owes a reply are another master's, or noise: told as `unasked`.
What cannot be had: a reply of the same block that comes later than all of this is taken for fresh.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum, auto

from tallywell.line import frame
from tallywell.line.judge import holds_answer, judge, stated_length, wanted_length
from tallywell.line.timing import Timing
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault

KEPT_BYTES = 512  # of one run of refused bytes: twice the longest frame
KEPT_RUNS = 16
_OURS = frozenset({Fault.PORT_LOST, Fault.STOPPED})
NEVER = 2**63 - 1


class State(Enum):
    IDLE = auto()  # nobody was asked yet
    QUIET = auto()  # an ask waits for silence
    READY = auto()  # silence has passed: the request may leave
    WAITING = auto()  # the request left, nothing came
    RECEIVING = auto()  # something came that is not yet as long as the answer
    SETTLING = auto()  # as long as the answer: now there must be silence
    SPOILED = auto()  # something that cannot be the answer any more: wait for its end
    TAINTED = auto()  # that has ended, and the answer may still come; it will not be taken
    WAKING = auto()  # the request left, and nobody waits for its answer
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


@dataclass(frozen=True, slots=True)
class _Woken:
    """Wakings of one unit to which answers may still come, so many. `sent_ns`: the last one's last bit."""

    read: Read
    sent_ns: int
    answers: int

    def is_like(self, read: Read) -> bool:
        """Whether an answer to `read` looks as one to the waking would."""
        return self.read.function == read.function and self.read.content_bytes == read.content_bytes

    def may_be(self, head: bytes, asked: Read | None) -> bool:
        """Whether a frame that begins so answers the waking, where its unit was asked for `asked` since.

        A refusal says of what function it is and no more: of the function just asked it is taken for the answer.
        """
        if head[1:2] == bytes((self.read.function | frame.EXCEPTION_BIT,)):
            return asked is None or asked.function != self.read.function
        alike = len(head) > 2 and (head[1], head[2]) == (self.read.function, self.read.content_bytes)
        return alike and not (asked is not None and self.is_like(asked))


class Exchange:
    """The machine. One exchange after another: what the line owes and when it last spoke outlive each of them."""

    def __init__(self, settings: Timing, now_ns: int) -> None:
        self.settings = settings
        self.state = State.IDLE
        self._gap_ns = settings.silence_ns + settings.latency_ns  # a pause inside a frame that an adapter may cause
        self._babble_ns = 2 * settings.longest_frame_ns  # one foreign frame under way, and another
        self._last_ns = now_ns  # the last byte seen or sent; a port just opened may have been talking
        self._owing: dict[int, int] = {}
        self._woken: dict[int, _Woken] = {}  # by unit; a meter answers in order, so its next good answer ends them
        self._ask: Ask | None = None
        self._request = b""  # its bytes, as looked for in an echo
        self._chunk = b""
        self._halted_by = Fault.STOPPED
        self._outcome: Outcome | None = None
        self._soon: Outcome | None = None  # what silence alone will make of what was heard
        self._unasked = bytearray()
        self._unowed = False  # whether any of them came when no unit owed a reply (rule 8)
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
        return self._request

    def deadline(self) -> int:
        """When `expire` has something to say if nothing is heard before. NEVER while no exchange runs."""
        due = _DEADLINE.get(self.state)
        return due(self) if due else NEVER

    def expire(self, now_ns: int) -> Outcome | None:
        """All bytes that came before `now_ns` have been given to `receive`: what follows from the silence since?"""
        if now_ns >= self.deadline() and self.state is not State.READY:
            self._fire(Happening.DUE, now_ns)
        return self._take_outcome()

    def foreseen(self) -> Outcome | None:
        """The answer where it is whole and only the silence behind it has still to pass; None otherwise.

        Unless something is heard before, what `expire` gives is equal to it. It is no answer yet.
        """
        if self.state is not State.SETTLING:
            return None
        if self._soon is None and self._is_sound():
            self._soon = self._ending(self.deadline(), data=bytes(self._heard[3:-2]))
        return self._soon

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

    @property
    def broken(self) -> str | None:
        """Why the port must be opened anew: never, as silence shows where the next frame begins."""
        return None

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
        self._soon = None
        self._early = 0  # how many of them are not the answer for their time alone (rules 2 and 4)
        self._echoed = False
        self._taint: Fault | None = None  # what the first run that was not the answer was
        self._refused: list[Refused] = []
        self._sent_ns: int | None = None
        self._first_ns: int | None = None
        self._give_up_ns = now_ns
        self._held_until_ns = now_ns

    def _take_up(self, now_ns: int) -> State:
        self._begin(now_ns)
        self._outcome = None
        self._request = frame.request(self._asked.address, self._asked.read)
        self._owing = {unit: until for unit, until in self._owing.items() if until > now_ns}
        self._held_until_ns = max(now_ns, self._alike_until())
        self._give_up_ns = max(now_ns, self._silent_ns()) + self._babble_ns
        return State.QUIET

    def _silent_ns(self) -> int:
        """Rule 1: when the silence before the request has lasted long enough, and what rule 7 waits for is over."""
        return max(self._held_until_ns, self._last_ns + max(self.settings.silence_ns, self._asked.pause_ns))

    def _alike_until(self) -> int:
        """Rule 7: until when the answer to a waking may come that would be taken for the one now asked for."""
        woken, ask = self._woken.get(self._asked.address), self._asked
        if woken is None or not ask.expects_reply or not woken.is_like(ask.read):
            return 0
        return self._late_until(woken.sent_ns + ask.longest_delay_ns + self._reply_ns() + self.settings.latency_ns)

    def _not_quiet(self, now_ns: int) -> State:
        self._unasked_bytes(now_ns)
        return State.QUIET

    def _quiet_over(self, now_ns: int) -> State:
        return State.READY if now_ns >= self._silent_ns() else self._fail(Fault.STRAY_BYTES, now_ns)

    def _unasked_bytes(self, now_ns: int) -> State:
        """Nobody was asked: late replies, noise, another master. Kept for the next outcome."""
        self._unasked += self._chunk
        self._unowed |= all(until_ns <= now_ns for until_ns in self._owing.values())
        late = _whole_frame(self._unasked) if self._woken else b""
        if late and self._answers_waking(late, None):
            self._one_less(late[0])
            del self._unasked[: len(late)]
            self._held_until_ns = max(now_ns, self._alike_until())
        del self._unasked[KEPT_BYTES:]
        self._last_ns = max(self._last_ns, now_ns)
        return self.state

    def _sent(self, now_ns: int) -> State:
        ask, line = self._asked, self.settings
        self._sent_ns = self._last_ns = now_ns + line.wire_ns(frame.REQUEST_LENGTH)
        if not ask.expects_reply:
            self._answer_by_ns = self._sent_ns + ask.longest_delay_ns
            return State.WAKING
        self._answer_by_ns = self._sent_ns + ask.longest_delay_ns + self._reply_ns() + line.latency_ns  # rule 4
        self._give_up_ns = self._answer_by_ns + self._babble_ns
        return State.WAITING

    def _reply_ns(self) -> int:
        return self.settings.wire_ns(frame.reply_length(self._asked.read))

    def _hear(self, now_ns: int) -> State:
        if not self._heard:
            self._first_ns = now_ns
        self._heard += self._chunk
        self._soon = None
        self._last_ns = max(self._last_ns, now_ns)  # our own request may still be leaving
        if self._sent_ns is not None and now_ns < self._sent_ns:
            self._early = len(self._heard)  # rule 2
        while self._throw_away_echo() or self._throw_away_late():
            self._first_ns = now_ns if self._heard else None
        if self._first_ns is not None and self._first_ns > self._give_up_ns:
            self._early = len(self._heard)  # rule 4
        del self._heard[KEPT_BYTES:]
        return self._by_length()

    def _throw_away_echo(self) -> bool:
        """Rule 2: whether our own request stood in front, and is now gone."""
        request = self._request
        if not self._in_time_for_echo() or not self._heard.startswith(request):
            return False
        del self._heard[: len(request)]
        self._early = max(0, self._early - len(request))
        self._echoed = True
        return True

    def _may_be_echo(self) -> bool:
        """Whether what was heard is the beginning of an echo, and no answer."""
        begins = self._in_time_for_echo() and self._request.startswith(self._heard)
        return begins and not frame.crc_holds(bytes(self._heard))

    def _in_time_for_echo(self) -> bool:
        if self._echoed or self._first_ns is None or self._sent_ns is None:
            return False
        return self._first_ns <= self._sent_ns + self.settings.latency_ns

    def _throw_away_late(self) -> bool:
        """Rules 5 and 7: whether a whole frame that is late stood in front, and is now gone."""
        late = _whole_frame(self._heard) if self._owing or self._woken else b""
        if not late or not self._is_late(late):
            return False
        if self._answers_waking(late, self._asked):
            self._one_less(late[0])
        else:
            self._refuse(Fault.WRONG_ADDRESS, late)
        del self._heard[: len(late)]
        self._early = max(0, self._early - len(late))
        return True

    def _is_late(self, heard: bytes) -> bool:
        return heard[0] in self._owing or self._answers_waking(heard, self._asked)

    def _answers_waking(self, heard: bytes, since: Ask | None) -> bool:
        """Rule 7: whether a frame that begins so answers the waking of a unit, and not what was asked since."""
        woken = self._woken.get(heard[0])
        asked = since.read if since is not None and since.address == heard[0] else None
        return woken is not None and woken.may_be(heard, asked)

    def _one_less(self, unit: int) -> None:
        """One of the answers to a unit's wakings was heard."""
        woken = self._woken.pop(unit)
        if woken.answers > 1:
            self._woken[unit] = replace(woken, answers=woken.answers - 1)

    def _by_length(self) -> State:
        if not self._heard:
            return State.TAINTED if self._taint else State.WAITING
        if self._may_be_echo():
            return State.RECEIVING
        head = bytes(self._heard[:3])
        length = wanted_length(self._asked, head)
        if self._is_late(head):
            length = stated_length(head) or length
        if len(self._heard) < length:
            return State.RECEIVING
        return State.SETTLING if len(self._heard) == length else State.SPOILED

    def _fault_so_far(self) -> Fault | None:
        if self._early and not self._may_be_echo() and not self._is_late(bytes(self._heard[:3])):
            return Fault.STRAY_BYTES
        return judge(self._asked, bytes(self._heard)) if self.state is State.SPOILED else self._taint

    def _hear_while_waking(self, now_ns: int) -> State:
        self._heard += self._chunk
        del self._heard[KEPT_BYTES:]
        self._last_ns = max(self._last_ns, now_ns)
        return State.WAKING

    def _woke(self, now_ns: int) -> State:
        """The wait is over: the meter may be asked. Whether it has answered matters for what may still come: what was
        heard may answer the waking before.
        """
        ask, before = self._asked, self._woken.get(self._asked.address)
        assert self._sent_ns is not None
        self._woken[ask.address] = _Woken(ask.read, self._sent_ns, 1 + (before.answers if before else 0))
        if judge(ask, bytes(self._heard).removeprefix(self._request)) in (None, Fault.EXCEPTION):
            self._one_less(ask.address)
        self._finish(now_ns, data=b"")
        return State.ANSWERED

    def _no_answer(self, now_ns: int) -> State:
        return self._fail(Fault.NO_ANSWER, now_ns)

    def _settled(self, now_ns: int) -> State:
        """The frame is whole and silence stands behind it: the only way to an answer."""
        soon = self.foreseen()
        if soon is None:
            return self._run_over(now_ns)
        self._woken.pop(self._asked.address, None)
        self._end(soon)
        return State.ANSWERED

    def _is_sound(self) -> bool:
        return not self._taint and not self._early and judge(self._asked, bytes(self._heard)) is None

    def _run_over(self, now_ns: int) -> State:
        """What was heard is not the answer, and over: that, or only the beginning of what will be heard (rule 5)."""
        judged = judge(self._asked, bytes(self._heard))
        fault = Fault.STRAY_BYTES if self._early else judged or self._taint or Fault.WRONG_LENGTH
        if now_ns >= self._answer_by_ns or self._replied(judged):
            return self._fail(fault, now_ns)
        self._refuse(fault, bytes(self._heard))
        self._taint = self._taint or fault
        self._heard, self._early = bytearray(), 0
        return State.TAINTED

    def _replied(self, judged: Fault | None) -> bool:
        """Whether what was heard is the meter's reply, in whatever state."""
        heard = bytes(self._heard)
        if judged is Fault.STRAY_BYTES:
            return holds_answer(self._asked, heard)
        sound = frame.crc_holds(heard) and len(heard) >= (stated_length(heard) or 0)  # a part's CRC may hold by chance
        its_own = sound and heard[0] == self._asked.address
        return not self._early and (judged in (None, Fault.BAD_CRC) or its_own)

    def _halt(self, now_ns: int) -> State:
        return self._fail(self._halted_by, now_ns)

    def _fail(self, fault: Fault, now_ns: int) -> State:
        if self._heard:
            self._refuse(fault, bytes(self._heard))
        self._finish(now_ns, fault=fault if fault in _OURS else self._taint or fault)
        return State.FAILED

    def _refuse(self, fault: Fault, heard: bytes) -> None:
        if len(self._refused) < KEPT_RUNS:
            self._refused.append(Refused(fault, heard))

    def _finish(self, ended_ns: int, data: bytes | None = None, fault: Fault | None = None) -> None:
        self._end(self._ending(ended_ns, data, fault))

    def _end(self, outcome: Outcome) -> None:
        self._outcome = outcome
        if outcome.owes_until_ns is not None:
            self._owing[self._asked.address] = outcome.owes_until_ns
        self._unasked.clear()
        self._unowed = False

    def _ending(self, ended_ns: int, data: bytes | None = None, fault: Fault | None = None) -> Outcome:
        unasked = (Refused(Fault.STRAY_BYTES, bytes(self._unasked), self._unowed),) if self._unasked else ()
        return Outcome(
            self._asked, data, fault,
            sent_ns=ended_ns if self._sent_ns is None else self._sent_ns,
            ended_ns=ended_ns,
            first_ns=self._first_ns,
            exception_code=self._heard[2] if fault is Fault.EXCEPTION else None,
            refused=unasked + tuple(self._refused),
            owes_until_ns=self._owes_until(fault, ended_ns),
            echoed=self._echoed,
        )  # fmt: skip

    def _owes_until(self, fault: Fault | None, now_ns: int) -> int | None:
        """Rule 5. Who did not answer within the longest delay gets as long again: it may be late in earnest.

        What ended the exchange before may have been another's: an echo, noise, a foreign frame. So it is the same then.
        """
        if self._sent_ns is None or fault is None or (fault is Fault.EXCEPTION and not self._may_be_wakings()):
            return None
        return self._late_until(now_ns if fault is Fault.NO_ANSWER else self._answer_by_ns)

    def _late_until(self, answer_by_ns: int) -> int:
        """Until when an answer that did not come in time may still come."""
        return answer_by_ns + self._asked.longest_delay_ns + self._reply_ns() + self.settings.silence_ns

    def _may_be_wakings(self) -> bool:
        """Rule 7: whether the refusal just heard may be the answer to a waking."""
        woken = self._woken.get(self._asked.address)
        return woken is not None and woken.read.function == self._asked.read.function

    def _take_outcome(self) -> Outcome | None:
        outcome, self._outcome = self._outcome, None
        return outcome


def _whole_frame(heard: bytearray) -> bytes:
    """The undamaged frame of a reply that stands in front; nothing where none does."""
    length = stated_length(bytes(heard[:3]))
    whole = b"" if length is None or len(heard) < length else bytes(heard[:length])
    return whole if frame.crc_holds(whole) else b""


_DEADLINE: dict[State, Callable[[Exchange], int]] = {
    State.QUIET: lambda line: min(line._silent_ns(), line._give_up_ns),
    State.READY: lambda line: line._last_ns,
    State.WAITING: lambda line: line._answer_by_ns,
    State.RECEIVING: lambda line: min(line._last_ns + line._gap_ns, line._give_up_ns),
    State.SETTLING: lambda line: line._last_ns + line.settings.silence_ns,
    State.SPOILED: lambda line: min(line._last_ns + line._gap_ns, line._give_up_ns),
    State.TAINTED: lambda line: line._answer_by_ns,
    State.WAKING: lambda line: line._answer_by_ns,
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
    (State.RECEIVING, Happening.DUE): Exchange._run_over,
    (State.RECEIVING, Happening.HALTED): Exchange._halt,
    (State.SETTLING, Happening.HEARD): Exchange._hear,
    (State.SETTLING, Happening.DUE): Exchange._settled,
    (State.SETTLING, Happening.HALTED): Exchange._halt,
    (State.SPOILED, Happening.HEARD): Exchange._hear,
    (State.SPOILED, Happening.DUE): Exchange._run_over,
    (State.SPOILED, Happening.HALTED): Exchange._halt,
    (State.TAINTED, Happening.HEARD): Exchange._hear,
    (State.TAINTED, Happening.DUE): Exchange._no_answer,
    (State.TAINTED, Happening.HALTED): Exchange._halt,
    (State.WAKING, Happening.HEARD): Exchange._hear_while_waking,
    (State.WAKING, Happening.DUE): Exchange._woke,
    (State.WAKING, Happening.HALTED): Exchange._halt,
    (State.ANSWERED, Happening.ASKED): Exchange._take_up,
    (State.ANSWERED, Happening.HEARD): Exchange._unasked_bytes,
    (State.FAILED, Happening.ASKED): Exchange._take_up,
    (State.FAILED, Happening.HEARD): Exchange._unasked_bytes,
}

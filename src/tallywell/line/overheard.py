"""What another master asks on a serial line, and what its meters answer, told from the bytes that pass. Pure.

Nothing is sent. Bytes come in with the time they were seen; out come Outcomes, one for each request to read: with the
answer's content, or with a fault. The law of this file: content comes out only of an answer that can belong to no other
request than the one it is given for.

The rules, and where they come from ("V1.02" is Modbus over Serial Line V1.02):
1. A frame is told by its length and its CRC, not by silence: an adapter hands bytes over in lumps, in which the 3.5
   characters between two frames (V1.02, 2.5.1.1) do not show. Silence ends a frame only where it lasts longer than an
   adapter can hide it. So what comes out does not depend on how the bytes were lumped.
2. A request to read has 8 bytes, its answer 5 and the content (Modbus Application Protocol V1.1b3, 6.1 to 6.4). What
   can be both is a request where nobody owes such an answer; else it is no answer, and as a request in doubt.
3. An answer is taken by address, function, byte count, exact length and CRC, with no byte between it and its request,
   and behind it silence or a sound frame that is no answer. A refusal (exception) is held to the same.
4. Its first byte comes within the meter's longest delay, and what the adapter may add. A later one is late.
5. An answer carries no number, and this master may ask again too soon. After a request that was not answered soundly
   the unit owes an answer for as long as the exchange (exchange.py, rule 5) would leave it alone. Until then an answer
   of that function and byte count may be the owed one. It is taken only if all such requests were for the same
   registers: then its words are the right ones, and its time is the middle from the first of those requests on. A
   refused answer may have been the owed one, and its own request's is owed then, for as long again. A meter answers in
   order: with an answer taken, those to requests before it can no longer come.
6. Bytes that are no frame may hide a request: each unit may owe any answer then, for as long. Fewer than the shortest
   frame hide none, nor does what is an answer but for its CRC. The same holds when listening begins, and after bytes
   whose time is not known.
7. Frames of other functions are followed and thrown away. One whose length nothing tells is the shortest that is sound.
What cannot be had, besides what the exchange cannot have: of a master that is one answer behind already when listening
begins, and never pauses, answers of one length are taken for those to the request before them.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from tallywell.line import frame
from tallywell.line.judge import judge
from tallywell.line.timing import SECOND_NS, Timing
from tallywell.readings.exchange import READ_FUNCTIONS, Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault

NEVER = 2**63 - 1
USUAL_DELAY_NS = SECOND_NS  # of a unit of which nothing is known (common practice, no source)
KEPT_BYTES = 2 * frame.LONGEST_FRAME  # of one run that is no frame
MOST_OWED = 64  # requests of one kind without an answer; a master that asks on and on says no more than that
UNITS = range(1, 248)  # V1.02, 2.2
_SAME_EITHER_WAY = frozenset({5, 6})  # V1.1b3, 6.5 and 6.6: the answer repeats the request
_WRITES_MANY = frozenset({15, 16})  # 6.11 and 6.12: 9 bytes and the content, answered by 8
_COUNTED_AT, _HEAD = 6, 8


class Unused(StrEnum):
    """Why something that passed is no reading. The counts of these are what a person is told of the line."""

    UNANSWERED = "requests without an answer"
    LATE = "answers that came too late"
    OWED = "answers that may belong to an earlier request"
    AMBIGUOUS = "frames that can be a request as well as an answer"
    FOREIGN = "answers that are not to the request before them"
    UNASKED = "answers whose request was not heard"
    STRAY = "answers with other bytes right behind them"
    DAMAGED = "runs of bytes that are no frame"
    OTHER = "frames of other functions"
    LOST = "interruptions of the listening"


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request that waits for its answer. `doubtful`: it may have been none (rule 2)."""

    ask: Ask
    sent_ns: int
    doubtful: bool = False

    @property
    def key(self) -> "_Key":
        return self.ask.address, self.ask.read.function, self.ask.read.content_bytes


@dataclass(frozen=True, slots=True)
class _Heard:
    """A whole frame with the times of its first and last byte."""

    content: bytes
    first_ns: int
    end_ns: int


_Key = tuple[int, int, int]  # unit, function, the content's bytes: all that an answer says of its request


@dataclass(frozen=True, slots=True)
class _Owed:
    """A request whose answer may yet begin, until when."""

    read: Read
    sent_ns: int
    until_ns: int


class Overhearing:
    """The machine. `delays_ns`: the longest delay of each unit of which it is known.

    `receive` takes bytes, `expire` says that no more had come by then; `take` gives what has come out since.
    """

    def __init__(self, settings: Timing, now_ns: int, delays_ns: Mapping[int, int] | None = None) -> None:
        self.settings = settings
        self.tally: Counter[Unused] = Counter()
        self._delays_ns = dict(delays_ns or {})
        self._gap_ns = settings.silence_ns + settings.latency_ns  # rule 1: no adapter makes such a pause in a frame
        self._last_ns = now_ns
        self._heard = bytearray()
        self._times: list[int] = []  # when each of them was there at the latest
        self._run = bytearray()  # what is no frame, as far as it goes
        self._run_bytes = 0
        self._run_end_ns = now_ns
        self._asked: _Asked | None = None
        self._answered: tuple[_Asked, Outcome] | None = None  # rule 3: good if what follows is silence or a frame
        self._owed: dict[_Key, list[_Owed]] = {}
        self._doubt_ns = now_ns  # rule 6: since when each unit may owe anything, and below one of them
        self._doubts_ns: dict[int, int] = {}
        self._out: list[Outcome] = []

    # --- what the driver calls -------------------------------------------------------------------------------------
    def receive(self, chunk: bytes, now_ns: int) -> None:
        """Bytes that were seen at `now_ns`. The last of a lump came then at the latest, and each before it sooner."""
        behind = len(chunk)
        for _ in chunk:
            behind -= 1
            self._last_ns = max(self._last_ns, now_ns - self.settings.wire_ns(behind))
            self._times.append(self._last_ns)
        self._heard += chunk
        self._follow(closed=False)

    def deadline(self) -> int:
        """When `expire` has something to say if nothing is heard before."""
        return self._last_ns + self._gap_ns if self._heard or self._run or self._answered else NEVER

    def expire(self, now_ns: int) -> None:
        """All bytes that came before `now_ns` have been given to `receive`."""
        if now_ns >= self.deadline():
            self._follow(closed=True)
            self._confirm()

    def lost(self, now_ns: int) -> None:
        """Bytes may have passed unheard, or lain unread for an unknown time: what follows stands by itself."""
        self.tally[Unused.LOST] += 1
        self._spoil_answer()
        self._give_up(Unused.LOST, Fault.STRAY_BYTES, b"")
        self._heard.clear()
        self._times.clear()
        self._run.clear()
        self._run_bytes = 0
        self._last_ns = self._doubt_ns = max(self._last_ns, now_ns)

    def take(self) -> tuple[Outcome, ...]:
        """The exchanges that have ended since this was asked last, in their order."""
        out = tuple(self._out)
        self._out.clear()
        return out

    # --- frames ----------------------------------------------------------------------------------------------------
    def _follow(self, *, closed: bool) -> None:
        """Take frames off the front, as far as they are decided. `closed`: silence stands behind the last byte."""
        while self._heard:
            if self._run:
                if not self._drift(closed):
                    break
                continue
            lengths = self._lengths(closed)
            if lengths is None:
                return
            if len(lengths) == 1:
                self._understand(self._cut(lengths[0]))
            elif lengths:
                self._confuse(self._cut(lengths[-1]), None)
            else:
                self._into_run(1)
        if closed and self._run:
            self._end_run()

    def _lengths(self, closed: bool) -> list[int] | None:
        """How long the sound frame in front can be; None while too little has come to tell."""
        heard = bytes(self._heard[: frame.LONGEST_FRAME])
        if len(heard) < _HEAD and not closed:
            return None
        possible = _possible_lengths(heard)
        if len(heard) < (max(possible) if possible else frame.LONGEST_FRAME) and not closed:
            return None
        if not possible:
            shortest = frame.shortest_sound(heard)
            return [] if shortest is None else [shortest]
        return [n for n in sorted(possible) if n <= len(heard) and frame.crc_holds(heard[:n])]

    def _cut(self, length: int) -> _Heard:
        found = _Heard(bytes(self._heard[:length]), self._times[0], self._times[length - 1])
        del self._heard[:length], self._times[:length]
        return found

    def _into_run(self, count: int) -> None:
        """So many bytes in front begin no frame."""
        self._run_bytes += count
        self._run += self._heard[: min(count, KEPT_BYTES - len(self._run))]
        self._run_end_ns = self._times[count - 1]
        del self._heard[:count], self._times[:count]

    def _drift(self, closed: bool) -> bool:
        """Rule 6: go on to the next request to read, or to the silence. False where more must come first."""
        heard, last = self._heard, len(self._heard) - frame.REQUEST_LENGTH
        at = next((at for at in range(last + 1) if _is_request(heard, at)), None)
        if at is not None:
            if at:
                self._into_run(at)
            self._end_run()
            return True
        passed = len(heard) if closed else max(0, last + 1)
        if passed:
            self._into_run(passed)
        return closed

    def _end_run(self) -> None:
        run, count = bytes(self._run), self._run_bytes
        self._run.clear()
        self._run_bytes = 0
        self.tally[Unused.DAMAGED] += 1
        self._spoil_answer()
        asked = self._asked
        if asked is not None:
            self._give_up(Unused.DAMAGED, judge(asked.ask, run) or Fault.STRAY_BYTES, run)
        if count >= frame.SHORTEST_FRAME and not (asked and _is_all_but(asked.ask, run)):
            self._doubt_ns = self._run_end_ns

    # --- what a frame is -------------------------------------------------------------------------------------------
    def _understand(self, heard: _Heard) -> None:
        request = frame.parse_request(heard.content)
        if request is not None and request[0] not in UNITS:
            request = None
        if request is not None and _is_reply(heard.content) and self._may_answer(heard):
            self._confuse(heard, request)
        elif request is not None:
            self._hear_request(*request, heard)
        elif _is_reply(heard.content) or _is_refusal(heard.content):
            self._hear_answer(heard)
        else:
            self._confirm()
            self._give_up(Unused.UNANSWERED, Fault.NO_ANSWER, b"")
            self.tally[Unused.OTHER] += 1

    def _may_answer(self, heard: _Heard) -> bool:
        """Rule 2: whether a frame that looks like a reply can be one that is waited for or owed."""
        if self._asked is not None and judge(self._asked.ask, heard.content) is None:
            return True
        unit, key = heard.content[0], (heard.content[0], heard.content[1], heard.content[2])
        return self._in_doubt(unit, heard.first_ns) or bool(self._owed_of(key, heard.first_ns))

    def _confuse(self, heard: _Heard, request: tuple[int, Read] | None) -> None:
        """Rule 2: what may be an answer, and a request, is neither. Where one holds the other, no more is known."""
        self._confirm()
        self.tally[Unused.AMBIGUOUS] += 1
        self._give_up(Unused.AMBIGUOUS, Fault.STRAY_BYTES, heard.content)
        if request is None:
            self._doubt_ns = heard.end_ns
        else:
            ask = Ask(*request, self._delay_ns(request[0]))
            self._asked = _Asked(ask, heard.end_ns, doubtful=True)

    def _hear_request(self, unit: int, read: Read, heard: _Heard) -> None:
        self._confirm()
        self._give_up(Unused.UNANSWERED, Fault.NO_ANSWER, b"")
        self._asked = _Asked(Ask(unit, read, self._delay_ns(unit)), heard.end_ns)

    def _hear_answer(self, heard: _Heard) -> None:
        self._spoil_answer()
        asked, unit = self._asked, heard.content[0]
        if asked is None:
            self.tally[Unused.UNASKED] += 1
            return
        fault = judge(asked.ask, heard.content)
        if fault is Fault.WRONG_ADDRESS and self._owes_any(unit, heard.first_ns):
            self.tally[Unused.LATE] += 1  # rule 5 of the exchange: it neither answers nor ends another's
        elif fault not in (None, Fault.EXCEPTION):
            self._give_up(Unused.FOREIGN, fault or Fault.STRAY_BYTES, heard.content)
        elif heard.first_ns > asked.sent_ns + asked.ask.longest_delay_ns + self._gap_ns:
            self._give_up(Unused.LATE, Fault.STRAY_BYTES, heard.content)
        elif self._is_doubtful(asked, heard.first_ns):
            self._refuse_doubtful(asked, heard)
        else:
            self._answer(asked, heard, fault)

    def _answer(self, asked: _Asked, heard: _Heard, fault: Fault | None) -> None:
        self._asked = None
        if fault is None:
            since_ns = min((one.sent_ns for one in self._owed_of(asked.key, heard.first_ns)), default=asked.sent_ns)
            found = Outcome(asked.ask, heard.content[3:-2], None, since_ns, heard.end_ns, first_ns=heard.first_ns)
            self._answered = asked, found
            return
        if self._owes_function(asked.ask, heard.first_ns):  # it may refuse that one, and this one be answered yet
            self._owe(asked)
        refused = Refused(fault, heard.content)
        self._out.append(
            Outcome(
                asked.ask, None, fault, exception_code=heard.content[2], refused=(refused,),
                sent_ns=asked.sent_ns, ended_ns=heard.end_ns, first_ns=heard.first_ns,
            )
        )  # fmt: skip

    # --- how an exchange ends --------------------------------------------------------------------------------------
    def _confirm(self) -> None:
        """Rule 3: silence, or a sound frame that is no answer, stands behind the answer."""
        found, self._answered = self._answered, None
        if found is not None:
            self._settle(found[0], found[1])
            self._out.append(found[1])

    def _spoil_answer(self) -> None:
        """Rule 3: something else does."""
        found, self._answered = self._answered, None
        if found is not None:
            self._asked = found[0]
            ask, content = found[1].ask, found[1].data or b""
            self._give_up(Unused.STRAY, Fault.STRAY_BYTES, frame.reply(ask.address, ask.read.function, content))

    def _give_up(self, why: Unused, fault: Fault, heard: bytes) -> None:
        """The exchange under way, if there is one, ends without a sound answer, which is owed from now on."""
        asked, self._asked = self._asked, None
        if asked is None:
            return
        self._owe(asked)
        self._end(asked, why, fault, heard)

    def _is_doubtful(self, asked: _Asked, at_ns: int) -> bool:
        """Rules 2, 5 and 6: whether an answer that begins now may be to a request for something else."""
        other = any(one.read != asked.ask.read for one in self._owed_of(asked.key, at_ns))
        return other or asked.doubtful or self._in_doubt(asked.ask.address, at_ns)

    def _refuse_doubtful(self, asked: _Asked, heard: _Heard) -> None:
        """Where a request is known that it may answer, its own request's answer may come yet."""
        self._asked = None
        if self._owed_of(asked.key, heard.first_ns):
            self._owe(asked)
        self._end(asked, Unused.OWED, Fault.STRAY_BYTES, heard.content)

    def _end(self, asked: _Asked, why: Unused, fault: Fault, heard: bytes) -> None:
        if why not in (Unused.DAMAGED, Unused.LOST, Unused.AMBIGUOUS):  # those are counted once each, as they come
            self.tally[why] += 1
        refused = (Refused(fault, heard[:KEPT_BYTES]),) if heard else ()
        ended_ns = max(asked.sent_ns, self._last_ns)
        self._out.append(Outcome(asked.ask, None, fault, sent_ns=asked.sent_ns, ended_ns=ended_ns, refused=refused))

    # --- who owes --------------------------------------------------------------------------------------------------
    def _delay_ns(self, unit: int) -> int:
        return self._delays_ns.get(unit, USUAL_DELAY_NS)

    def _window_ns(self, key: _Key) -> int:
        """As long as the exchange leaves a unit alone: its longest delay and, since it may be late in earnest, as long
        again.
        """
        return 2 * (self._delay_ns(key[0]) + self.settings.wire_ns(5 + key[2])) + self._gap_ns

    def _owe(self, asked: _Asked) -> None:
        now_ns, window_ns = asked.sent_ns, self._window_ns(asked.key)
        owed = {key: self._owed_of(key, now_ns) for key in self._owed}
        self._owed = {key: found for key, found in owed.items() if found}
        found = self._owed.setdefault(asked.key, [])
        found.append(_Owed(asked.ask.read, now_ns, now_ns + window_ns))
        if len(found) > MOST_OWED:
            self._doubts_ns[asked.ask.address] = found.pop(0).sent_ns

    def _owed_of(self, key: _Key, at_ns: int) -> list[_Owed]:
        """The requests that an answer of this unit, function and size may yet be to."""
        return [one for one in self._owed.get(key, ()) if one.until_ns > at_ns]

    def _owes_any(self, unit: int, at_ns: int) -> bool:
        return self._in_doubt(unit, at_ns) or any(self._owed_of(key, at_ns) for key in self._owed if key[0] == unit)

    def _owes_function(self, ask: Ask, at_ns: int) -> bool:
        """Whether a refusal may be an earlier request's."""
        of = ask.address, ask.read.function
        return any(self._owed_of(key, at_ns) for key in self._owed if key[:2] == of)

    def _settle(self, asked: _Asked, taken: Outcome) -> None:
        """Rule 5: an answer was taken, to this request or to one of those for the same since its `sent_ns`."""
        since_ns = taken.sent_ns
        unit, same = asked.ask.address, [one for one in self._owed.pop(asked.key, []) if one.sent_ns > since_ns]
        for key in [key for key in self._owed if key[0] == unit]:
            self._owed[key] = [one for one in self._owed[key] if one.sent_ns > since_ns]
        if same or since_ns < asked.sent_ns:
            self._owed[asked.key] = same
            self._owe(asked)

    def _in_doubt(self, unit: int, at_ns: int) -> bool:
        """Rule 6."""
        since_ns = max(self._doubt_ns, self._doubts_ns.get(unit, 0))
        return at_ns < since_ns + 2 * (self._delay_ns(unit) + self.settings.longest_frame_ns) + self._gap_ns


def _possible_lengths(heard: bytes) -> set[int]:
    """How long the frame that begins so can be, request or answer; nothing where its function does not tell."""
    if len(heard) < 3:
        return set()
    function = heard[1]
    if function & frame.EXCEPTION_BIT:
        return {frame.EXCEPTION_LENGTH}
    if function in READ_FUNCTIONS:
        return {frame.REQUEST_LENGTH, 5 + heard[2]} if 0 < heard[2] <= 250 else {frame.REQUEST_LENGTH}
    if function in _SAME_EITHER_WAY:
        return {8}
    if function in _WRITES_MANY and len(heard) > _COUNTED_AT:
        return {8, 9 + heard[_COUNTED_AT]} if 9 + heard[_COUNTED_AT] <= frame.LONGEST_FRAME else {8}
    return set()


def _is_all_but(ask: Ask, run: bytes) -> bool:
    """Whether these bytes are the answer, but for the CRC that does not hold."""
    head = bytes((ask.address, ask.read.function, ask.read.content_bytes))
    return len(run) == frame.reply_length(ask.read) and run.startswith(head)


def _is_request(heard: bytearray, at: int) -> bool:
    if heard[at + 1] not in READ_FUNCTIONS or heard[at] not in UNITS:
        return False
    return frame.parse_request(bytes(heard[at : at + frame.REQUEST_LENGTH])) is not None


def _is_reply(whole: bytes) -> bool:
    return whole[1] in READ_FUNCTIONS and whole[2] > 0 and len(whole) == 5 + whole[2]


def _is_refusal(whole: bytes) -> bool:
    return bool(whole[1] & frame.EXCEPTION_BIT) and len(whole) == frame.EXCEPTION_LENGTH

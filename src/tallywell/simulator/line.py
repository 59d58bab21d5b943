"""A line as the wire is: bytes with instants, meters that listen, and troubles at work. Pure: time is an argument.

Whoever plays the reader puts requests on it and takes what has come by now; `next_ns` says when there is more. A test
does so with a clock of its own, `wire.py` with a pseudo-terminal. Nanoseconds are of any clock that does not go back.

What is kept (Modbus over Serial Line V1.02, 2.5.1 and 2.5.1.1): a byte takes 10 or 11 bits at the baud; 3.5 characters
of silence (1.750 ms above 19,200 baud) end a frame; a meter hears a request only if as much stands before and behind
it; what two send at once is garbled for all.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tallywell.line.frame import LONGEST_FRAME
from tallywell.line.timing import LineSettings
from tallywell.simulator.at_work import AtWork
from tallywell.simulator.station import Answer, Answers, Served, Station
from tallywell.simulator.trouble import Dice, Recipe, Trouble

KEPT_BYTES = 2 * LONGEST_FRAME  # of what a reader sends without a pause: no meter hears it any more
MOST_BYTES = 4096  # kept for a reader that does not read, as a kernel does


@dataclass(slots=True)
class Burst:
    """Bytes that one sender puts on the wire. `ends_ns`: when each one's last bit has passed. `seen` were taken.

    `on_the_wire` False: an echo, which only the reader's own adapter hears.
    """

    start_ns: int
    ends_ns: Sequence[int]
    content: bytearray
    served: Served | None = None
    seen: int = 0
    on_the_wire: bool = True

    @property
    def end_ns(self) -> int:
        return self.ends_ns[-1]

    def meets(self, start_ns: int, end_ns: int) -> bool:
        """Whether any of it is on the wire between these instants."""
        return self.on_the_wire and self.start_ns < end_ns and start_ns < self.end_ns


@dataclass(slots=True)
class Request:
    """What became of the latest request. `quiet_ns`: the silence before it.

    `heard`: whether the meters heard it as one frame. `served`: what its meter answered, arrived or not. `struck`: the
    recipes that changed the answer or the request.
    """

    at_ns: int
    quiet_ns: int
    heard: bool = False
    served: Served | None = None
    struck: tuple[Recipe, ...] = ()


class SimulatedLine:
    """The meters of one station, the reader, and whatever else is on the pair.

    `paced` False: a request and an answer take no time themselves; only silences and turnarounds do.
    `insists` False: the meters hear a sound request also where less than the silence stands around it, as many do.
    """

    def __init__(
        self,
        station: Station,
        settings: LineSettings,
        troubles: Iterable[Trouble] = (),
        *,
        seed: str = "1",
        now_ns: int = 0,
        paced: bool = True,
        insists: bool = True,
    ) -> None:
        self.settings = settings
        self.request: Request | None = None
        self._station, self._paced = station, paced
        self._insists = paced and insists
        self._character_ns = settings.wire_ns(1)
        self._wire: list[int] = []  # how long one, two, three bytes take; as long as the longest that was sent
        self._troubles = AtWork(troubles, settings, station.meters, seed, now_ns)
        self._dice = Dice(f"{seed} collisions")
        self._bursts: list[Burst] = []
        self._asking: Burst | None = None
        self._asked_ms = 0
        self._last_ns = now_ns - settings.silence_ns  # when the last byte of anybody had passed
        self.back_ns = now_ns  # until then the adapter is away
        self._heard = bytearray()
        self._left: list[Served] = []
        self._next_ns = self._soonest()

    # --- the reader's side -----------------------------------------------------------------------------------------
    def put(self, chunk: bytes, now_ns: int, utc_ms: int) -> None:
        """The reader sends. What comes before the silence behind the bytes before has passed is of the same request.

        Its meter answers with what it shows at `utc_ms`.
        """
        assert chunk, "nothing was sent"
        self._pass_to(now_ns)
        self._asked_ms = utc_ms
        asking = self._asking
        if asking is None:
            self.request = Request(now_ns, now_ns - self._last_ns)
            asking = self._asking = Burst(now_ns, self._times(now_ns, len(chunk)), bytearray(chunk))
            self._echo(asking, self.request)
        else:
            asking.ends_ns = [*asking.ends_ns, *self._times(max(now_ns, asking.end_ns), len(chunk))][:KEPT_BYTES]
            asking.content = (asking.content + chunk)[:KEPT_BYTES]
        self._collide(asking)
        self._next_ns = self._soonest()

    def next_ns(self) -> int:
        """When `take` may have something new to say: bytes, or that the adapter goes."""
        return self._next_ns

    def take(self, now_ns: int) -> bytes:
        """What the reader has heard since; what passes while the adapter is away is lost."""
        if now_ns >= self._next_ns:
            self._pass_to(now_ns)
        if not self._heard:
            return b""
        heard = bytes(self._heard)
        self._heard.clear()
        return heard

    def pull(self, now_ns: int, away_ns: int) -> None:
        """The adapter is pulled out now, by hand, and put back so much later."""
        self.back_ns = now_ns + away_ns

    def away(self, now_ns: int) -> bool:
        """Whether the adapter is pulled out, as far as `take` has come."""
        return now_ns < self.back_ns

    def left(self) -> tuple[Served, ...]:
        """What the answers held that have passed whole since this was asked last."""
        left = tuple(self._left)
        self._left.clear()
        return left

    # --- time passes -----------------------------------------------------------------------------------------------
    def _soonest(self) -> int:
        soonest = self._troubles.next_ns()
        for burst in self._bursts:
            soonest = min(soonest, burst.ends_ns[burst.seen])
        return soonest if self._asking is None else min(soonest, self._over_ns(self._asking))

    def _pass_to(self, now_ns: int) -> None:
        while self._next_ns <= now_ns:
            self._happen(self._next_ns)
            self._next_ns = self._soonest()
        del self._heard[:-MOST_BYTES]

    def _happen(self, at_ns: int) -> None:
        """Everything of this instant."""
        for burst in self._bursts:
            self._pass(burst, at_ns)
        self._bursts = [burst for burst in self._bursts if burst.seen < len(burst.content)]
        if self._asking is not None and self._over_ns(self._asking) <= at_ns:
            self._hear(self._asking)
        if self._troubles.next_ns() <= at_ns:
            for event in self._troubles.events(at_ns):
                if event.away_ns:
                    self.back_ns = at_ns + event.away_ns
                for answer in event.answers:
                    self._say(answer, at_ns)

    def _pass(self, burst: Burst, at_ns: int) -> None:
        first = burst.seen
        while burst.seen < len(burst.content) and burst.ends_ns[burst.seen] <= at_ns:
            burst.seen += 1
        if burst.seen == first:
            return
        if not self.away(at_ns):
            self._heard += burst.content[first : burst.seen]
        if burst.on_the_wire:
            self._last_ns = max(self._last_ns, burst.ends_ns[burst.seen - 1])
        if burst.seen == len(burst.content) and burst.served is not None:
            self._left.append(burst.served)

    def _over_ns(self, asking: Burst) -> int:
        """When the silence that ends a request has passed.

        Unpaced, its own time is counted from the write; above 19,200 baud the fixed 1.750 ms is far more than 3.5
        characters, and at 115,200 baud both fit into it.
        """
        if self._paced:
            return asking.end_ns + self.settings.silence_ns
        wire_ns = self.settings.wire_ns(len(asking.content))
        return asking.end_ns + wire_ns + max(self.settings.silence_ns - wire_ns, self.settings.wire_ns(7) // 2)

    def _times(self, start_ns: int, count: int, pauses: Iterable[tuple[int, int]] = ()) -> list[int]:
        if not self._paced:
            return [start_ns] * count
        ends_ns = [start_ns + wire_ns for wire_ns in self._wire_ns(count)]
        for place, pause_ns in pauses:
            ends_ns[place:] = [end_ns + pause_ns for end_ns in ends_ns[place:]]
        return ends_ns

    def _wire_ns(self, count: int) -> list[int]:
        while len(self._wire) < count:
            self._wire.append(self.settings.wire_ns(len(self._wire) + 1))
        return self._wire[:count]

    # --- who sends -------------------------------------------------------------------------------------------------
    def _hear(self, asking: Burst) -> None:
        """A request is over: its meter answers, unless something stood too close to it."""
        self._asking = None
        self._last_ns = max(self._last_ns, asking.end_ns)
        request = self.request
        assert request is not None
        request.heard = not self._insists or self._stands_alone(asking, request)
        if not request.heard or not self._troubles.hears(asking.content[0], self._asked_ms):
            return
        answers = self._station.hear(bytes(asking.content), self._asked_ms)
        for answer in self._troubled(answers, asking.content[0], request):
            self._say(answer, self._over_ns(asking))

    def _stands_alone(self, asking: Burst, request: Request) -> bool:
        silence_ns = self.settings.silence_ns
        around = asking.start_ns, asking.end_ns + silence_ns
        last_ns = self._last_ns if self._last_ns > asking.end_ns else 0
        return request.quiet_ns >= silence_ns and not last_ns and not any(b.meets(*around) for b in self._bursts)

    def _troubled(self, answers: Answers, address: int, request: Request) -> Answers:
        if not answers:
            return ()
        answers, struck = self._troubles.answers(answers, self._station.meters[address], self._asked_ms)
        request.struck += struck
        request.served = next((answer.served for answer in answers), None)
        return answers

    def _say(self, answer: Answer, from_ns: int) -> None:
        start_ns = from_ns + answer.delay_ns
        ends_ns = self._times(start_ns, len(answer.frame), answer.pauses)
        said = Burst(start_ns, ends_ns, bytearray(answer.frame), answer.served)
        self._collide(said)
        self._bursts.append(said)

    def _echo(self, asking: Burst, request: Request) -> None:
        echo, request.struck = self._troubles.echoes(bytes(asking.content))
        if echo:
            ends_ns = asking.ends_ns[-len(echo) :]
            self._bursts.append(Burst(asking.start_ns, ends_ns, bytearray(echo), on_the_wire=False))

    def _collide(self, new: Burst) -> None:
        """Who sends at one time with another is heard by nobody."""
        if not self._paced:
            return
        senders = self._bursts if self._asking is None or self._asking is new else [*self._bursts, self._asking]
        for other in senders:
            if other is not new and other.meets(new.start_ns, new.end_ns):
                self._garble(new, other)
                self._garble(other, new)

    def _garble(self, burst: Burst, by: Burst) -> None:
        for place, end_ns in enumerate(burst.ends_ns):
            if place >= burst.seen and by.meets(end_ns - self._character_ns, end_ns):
                burst.content[place] ^= self._dice.randint(1, 255)

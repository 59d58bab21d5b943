"""Several meters on one line: a frame comes, and the answers that leave with their delays. Pure.

Modbus over Serial Line V1.02, 2.2 and 2.5.1: a meter that finds a broken check sum or another's address stays silent.
Modbus Application Protocol V1.1b3, 6 and 7: what it answers otherwise.
Whatever has the same `hear` can stand in its place: it may delay, double, tear or garble the answers.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.line.frame import REQUEST_LENGTH, crc_holds, exception_reply, reply
from tallywell.line.timing import Timing
from tallywell.readings.exchange import READ_FUNCTIONS
from tallywell.simulator.allowed import ILLEGAL_FUNCTION, ILLEGAL_VALUE, Refusal
from tallywell.simulator.meter import MS_NS, Meter

# Of the wait that the map states: a manual states the longest, and the clock here has milliseconds.
WAKES_WITHIN = (3, 4)


@dataclass(frozen=True, slots=True)
class Served:
    """What a meter answered, for whoever keeps the truth: its words as of `utc_ms`."""

    utc_ms: int
    address: int
    function: int
    register: int
    words: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Woken:
    """A meter that sleeps when nobody asks: from when on it answers, and when it was asked last."""

    from_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Answer:
    """`frame` leaves `delay_ns` after the silence that ended the request.

    `pauses`: before which of its bytes (counted from 0) the sender pauses, and for how many nanoseconds.
    """

    delay_ns: int
    frame: bytes
    served: Served | None = None
    pauses: tuple[tuple[int, int], ...] = ()

    def over_ms(self, utc_ms: int, settings: Timing) -> int:
        """When it has been said, the silence behind it included, if the request came at `utc_ms` and took no time."""
        pauses_ns = sum(pause_ns for _, pause_ns in self.pauses)
        lasts_ns = self.delay_ns + settings.wire_ns(len(self.frame)) + pauses_ns + settings.silence_ns
        return utc_ms + -(-lasts_ns // MS_NS)


Answers = tuple[Answer, ...]


class Station:
    """The meters of one line. ValueError where two have the same address. `turnaround_ns`: how long a meter thinks."""

    def __init__(self, meters: Iterable[Meter], turnaround_ns: int = 0) -> None:
        self.meters: dict[int, Meter] = {}
        for meter in meters:
            if meter.address in self.meters:
                raise ValueError(f"two meters have the address {meter.address}; each address on a line is there once")
            self.meters[meter.address] = meter
        self.turnaround_ns = turnaround_ns
        self._woken: dict[int, Woken] = {}

    def hear(self, frame: bytes, utc_ms: int) -> Answers:
        """What follows from the bytes between two silences, heard at `utc_ms`."""
        if not crc_holds(frame) or frame[0] not in self.meters:
            return ()
        meter = self.meters[frame[0]]
        if self._sleeps(meter, utc_ms):
            return ()
        function, body = frame[1], frame[2:-2]
        if function not in READ_FUNCTIONS:
            return self._refused(meter, function, ILLEGAL_FUNCTION)
        if len(frame) != REQUEST_LENGTH:
            return self._refused(meter, function, ILLEGAL_VALUE)
        return self._read(meter, function, int.from_bytes(body[:2]), int.from_bytes(body[2:]), utc_ms)

    def _sleeps(self, meter: Meter, utc_ms: int) -> bool:
        """Whether what is heard now finds the meter asleep; it wakes it, and keeps it awake for another window."""
        wake = meter.map.wake
        if wake is None:
            return False
        woken = self._woken.get(meter.address)
        if woken is None or not woken.last_ms <= utc_ms <= woken.last_ms + wake.window_ns // MS_NS:
            part, whole = WAKES_WITHIN
            woken = Woken(utc_ms + wake.wait_ns * part // whole // MS_NS, utc_ms)
        self._woken[meter.address] = Woken(woken.from_ms, utc_ms)
        return utc_ms < woken.from_ms

    def _read(self, meter: Meter, function: int, register: int, words: int, utc_ms: int) -> Answers:
        data = meter.answer(function, register, words, utc_ms)
        if data is None:
            return ()
        if isinstance(data, Refusal):
            return self._refused(meter, function, data.code)
        served = Served(utc_ms, meter.address, function, register, words, data)
        return (Answer(self.turnaround_ns, reply(meter.address, function, data), served),)

    def _refused(self, meter: Meter, function: int, code: int) -> Answers:
        return (Answer(self.turnaround_ns, exception_reply(meter.address, function, code)),)

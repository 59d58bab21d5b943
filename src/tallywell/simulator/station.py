"""Several meters on one line: a frame comes, and the answers that leave with their delays. Pure.

Modbus over Serial Line V1.02, 2.2 and 2.5.1: a meter that finds a broken check sum or another's address stays silent.
Modbus Application Protocol V1.1b3, 6 and 7: what it answers otherwise.
Whatever has the same `hear` can stand in its place: it may delay, double, tear or garble the answers.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from tallywell.line.frame import REQUEST_LENGTH, crc_holds, exception_reply, reply
from tallywell.simulator.meter import ILLEGAL_FUNCTION, ILLEGAL_VALUE, Meter, Refusal

READS_WORDS = (3, 4)  # the two tables of words (V1.1b3, 4.3)


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
class Answer:
    """`frame` leaves `delay_ns` after the silence that ended the request."""

    delay_ns: int
    frame: bytes
    served: Served | None = None


class Station:
    """The meters of one line. ValueError where two have the same address. `turnaround_ns`: how long a meter thinks."""

    def __init__(self, meters: Iterable[Meter], turnaround_ns: int = 0) -> None:
        self.meters: dict[int, Meter] = {}
        for meter in meters:
            if meter.address in self.meters:
                raise ValueError(f"two meters have the address {meter.address}; each address on a line is there once")
            self.meters[meter.address] = meter
        self.turnaround_ns = turnaround_ns

    def hear(self, frame: bytes, utc_ms: int) -> tuple[Answer, ...]:
        """What follows from the bytes between two silences, heard at `utc_ms`."""
        if not crc_holds(frame) or frame[0] not in self.meters:
            return ()
        meter = self.meters[frame[0]]
        function, body = frame[1], frame[2:-2]
        if function not in READS_WORDS:
            return self._refused(meter, function, ILLEGAL_FUNCTION)
        if len(frame) != REQUEST_LENGTH:
            return self._refused(meter, function, ILLEGAL_VALUE)
        return self._read(meter, function, int.from_bytes(body[:2]), int.from_bytes(body[2:]), utc_ms)

    def _read(self, meter: Meter, function: int, register: int, words: int, utc_ms: int) -> tuple[Answer, ...]:
        data = meter.answer(function, register, words, utc_ms)
        if data is None:
            return ()
        if isinstance(data, Refusal):
            return self._refused(meter, function, data.code)
        served = Served(utc_ms, meter.address, function, register, words, data)
        return (Answer(self.turnaround_ns, reply(meter.address, function, data), served),)

    def _refused(self, meter: Meter, function: int, code: int) -> tuple[Answer, ...]:
        return (Answer(self.turnaround_ns, exception_reply(meter.address, function, code)),)

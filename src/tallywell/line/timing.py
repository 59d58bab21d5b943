"""How long bytes and silences last on the wire. Integer nanoseconds, rounded up: a silence is never kept too short."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from tallywell.line.frame import LONGEST_FRAME, REQUEST_LENGTH, reply_length
from tallywell.readings.exchange import Read

Parity = Literal["none", "even", "odd"]
SECOND_NS = 1_000_000_000
FIXED_SILENCE_NS = 1_750_000  # above 19,200 baud (Modbus over Serial Line V1.02, 2.5.1.1)
FIXED_SILENCE_ABOVE = 19_200
ADAPTER_LATENCY_NS = 20_000_000  # common USB adapters hand bytes over in lumps, every 16 ms unless set otherwise


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the port is set. `latency_ns`: how late the adapter may hand over what it has heard."""

    port: str
    baud: int = 19_200
    parity: Parity = "even"
    stop_bits: int = 1
    latency_ns: int = ADAPTER_LATENCY_NS

    def __post_init__(self) -> None:
        if self.baud <= 0 or self.stop_bits not in (1, 2) or self.parity not in ("none", "even", "odd"):
            raise ValueError(f"no such line: {self.baud} baud, parity {self.parity}, {self.stop_bits} stop bits")

    @property
    def character_bits(self) -> int:
        """Start bit, 8 bits, parity, stop bits: 11 by the standard (V1.02, 2.5.1), 10 with the common 8N1."""
        return 1 + 8 + (self.parity != "none") + self.stop_bits

    @property
    def silence_ns(self) -> int:
        """The silence that parts two frames: 3.5 characters, 1.750 ms above 19,200 baud (V1.02, 2.5.1.1)."""
        if self.baud > FIXED_SILENCE_ABOVE:
            return FIXED_SILENCE_NS
        return _up(7 * self.character_bits * SECOND_NS, 2 * self.baud)

    @property
    def longest_frame_ns(self) -> int:
        return self.wire_ns(LONGEST_FRAME)

    def wire_ns(self, count: int) -> int:
        """How long `count` bytes take on the wire."""
        return _up(count * self.character_bits * SECOND_NS, self.baud)

    def exchange_ns(self, read: Read, turnaround_ns: int = 0) -> int:
        """Request, silence, turnaround, reply, silence: the least that one exchange can take."""
        return self.wire_ns(REQUEST_LENGTH + reply_length(read)) + 2 * self.silence_ns + turnaround_ns

    def cycle_ns(self, reads: Iterable[Read], turnaround_ns: int = 0) -> int:
        """The wire limit of a cycle: the least in which all `reads` can be asked and answered."""
        return sum(self.exchange_ns(read, turnaround_ns) for read in reads)


def _up(part: int, whole: int) -> int:
    return -(-part // whole)

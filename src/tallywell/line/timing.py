"""How long bytes and silences last on the wire. Integer nanoseconds, rounded up: a silence is never kept too short."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Protocol

from tallywell.line import mbap
from tallywell.line.frame import LONGEST_FRAME, REQUEST_LENGTH, reply_length
from tallywell.readings.exchange import Read

Parity = Literal["none", "even", "odd"]
Framing = Literal["tcp", "rtu"]
SECOND_NS = 1_000_000_000
FIXED_SILENCE_NS = 1_750_000  # above 19,200 baud (Modbus over Serial Line V1.02, 2.5.1.1)
FIXED_SILENCE_ABOVE = 19_200
ADAPTER_LATENCY_NS = 20_000_000  # common USB adapters hand bytes over in lumps, every 16 ms unless set otherwise
# Through a gateway nobody here knows its baud rate. At 9,600 baud a request and the longest answer take 0.30 s (263
# characters of 11 bits); the rest is for the gateway and the network (common practice, no source). Where the line
# behind it is slower, or other masters are served first, a longer `longest_delay` in the map makes room.
GATEWAY_LATENCY_NS = 500_000_000
# A gateway sends what it hears in lumps, and no socket shows a silence of 3.5 characters. Bytes that arrive within this
# are taken to be of one frame (common practice, no source).
LUMP_NS = 10_000_000


class Timing(Protocol):
    """What an exchange must know of a line's times."""

    @property
    def silence_ns(self) -> int:
        """What parts two frames."""

    @property
    def latency_ns(self) -> int:
        """How late bytes may be handed over that were heard."""

    @property
    def longest_frame_ns(self) -> int:
        """How long the longest frame may be under way."""

    def wire_ns(self, count: int) -> int:
        """How long `count` bytes take on the wire."""


@dataclass(frozen=True, slots=True)
class Rs485:
    """The driver switches the direction of the pair by RTS, which is high while it sends, or low.

    It waits `before_ms` from switching to the first bit and `after_ms` from the last bit to switching back.
    """

    rts_on_send: bool = True
    before_ms: int = 0
    after_ms: int = 0


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How the port is set. `latency_ns`: how late the adapter may hand over what it has heard.

    `rs485` None: the adapter switches the direction by itself, as most do. `listen_only`: no owner that could ask may
    have the port.
    """

    port: str
    baud: int = 19_200
    parity: Parity = "even"
    stop_bits: int = 1
    latency_ns: int = ADAPTER_LATENCY_NS
    rs485: Rs485 | None = None
    listen_only: bool = False

    def __post_init__(self) -> None:
        if self.baud <= 0 or self.stop_bits not in (1, 2) or self.parity not in ("none", "even", "odd"):
            raise ValueError(f"no such line: {self.baud} baud, parity {self.parity}, {self.stop_bits} stop bits")

    @property
    def called(self) -> str:
        return f"port {self.port}"

    @property
    def numbered(self) -> bool:
        """Whether an answer carries the number of its request."""
        return False

    @property
    def request_length(self) -> int:
        return REQUEST_LENGTH

    def reply_length(self, read: Read) -> int:
        return reply_length(read)

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


@dataclass(frozen=True, slots=True)
class SocketSettings:
    """A line that a gateway, or a meter on the network itself, holds open at `host` (an address, no name).

    `framing`: `tcp` (Modbus TCP, with transaction numbers) or `rtu` (serial frames through a raw socket). Bytes take no
    time that could be reckoned here; what a gateway and the line behind it need is in `latency_ns`.
    """

    host: str
    tcp_port: int = 502
    framing: Framing = "tcp"
    latency_ns: int = GATEWAY_LATENCY_NS

    def __post_init__(self) -> None:
        if not 1 <= self.tcp_port <= 0xFFFF or self.framing not in ("tcp", "rtu"):
            raise ValueError(f"no such line: TCP port {self.tcp_port}, framing {self.framing}")

    @property
    def called(self) -> str:
        return f"{self.host}, TCP port {self.tcp_port}"

    @property
    def numbered(self) -> bool:
        """Whether an answer carries the number of its request."""
        return self.framing == "tcp"

    @property
    def request_length(self) -> int:
        return mbap.REQUEST_LENGTH if self.numbered else REQUEST_LENGTH

    def reply_length(self, read: Read) -> int:
        return mbap.reply_length(read) if self.numbered else reply_length(read)

    @property
    def silence_ns(self) -> int:
        """Of serial frames in a socket: what arrives within it is one frame. A numbered frame says where it ends."""
        return 0 if self.numbered else LUMP_NS

    @property
    def longest_frame_ns(self) -> int:
        return self.latency_ns

    def wire_ns(self, count: int) -> int:
        return 0

    def exchange_ns(self, read: Read, turnaround_ns: int = 0) -> int:
        """The turnaround, and the pause that ends a serial frame; what is behind the socket is not known."""
        return self.silence_ns + turnaround_ns


AnySettings = LineSettings | SocketSettings


def _up(part: int, whole: int) -> int:
    return -(-part // whole)

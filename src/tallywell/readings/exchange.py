"""What the schedule asks of a line and what the line answers. Times are nanoseconds of CLOCK_BOOTTIME."""

from dataclasses import dataclass

from tallywell.readings.faults import Fault

READ_FUNCTIONS = frozenset({1, 2, 3, 4})  # Modbus Application Protocol V1.1b3, 6.1 to 6.4: the four that only read
BIT_FUNCTIONS = frozenset({1, 2})
MOST_BITS, MOST_WORDS = 2000, 125  # 6.1 and 6.3 there


@dataclass(frozen=True, slots=True)
class Read:
    """One request's worth of words: `function` 1 to 4, `register` as on the wire (0 to 65535), `words` 1 to 125.

    Of functions 1 and 2 (coils, discrete inputs) `register` is the first bit and `words` counts bits, 1 to 2000
    (Modbus Application Protocol V1.1b3, 6.1 to 6.4). Nothing but a read can be built: another function code raises
    ValueError.
    """

    function: int
    register: int
    words: int

    def __post_init__(self) -> None:
        if self.function not in READ_FUNCTIONS:
            raise ValueError(f"function {self.function} does not read; only 1 to 4 can be asked")
        most = MOST_BITS if self.function in BIT_FUNCTIONS else MOST_WORDS
        if not 1 <= self.words <= most:
            raise ValueError(f"function {self.function} reads 1 to {most} at a time, not {self.words}")
        if not 0 <= self.register <= 0xFFFF or self.register + self.words > 0x10000:
            raise ValueError(f"register {self.register} and {self.words} words leave the range 0 to 65535")

    @property
    def content_bytes(self) -> int:
        """How many bytes of content its answer carries: words, or bits packed 8 to a byte, the lowest first."""
        return (self.words + 7) // 8 if self.function in BIT_FUNCTIONS else 2 * self.words


@dataclass(frozen=True, slots=True)
class Ask:
    """One request to one meter. `longest_delay_ns` is from the request's last bit to the reply's first, at most.

    `address` 0 and 255 are for a device that is itself on the network (Modbus Messaging on TCP/IP Implementation Guide
    V1.0b, 4.4.2); no frame of a serial line can be made of them.
    `pause_ns`: the device's own silence before a request where it needs more than 3.5 characters.
    `expects_reply` False: a read that only wakes the meter. Whatever comes within the longest delay is thrown away.
    """

    address: int
    read: Read
    longest_delay_ns: int
    pause_ns: int = 0
    expects_reply: bool = True

    def __post_init__(self) -> None:
        if not 1 <= self.address <= 247 and self.address not in (0, 255):
            raise ValueError(f"address {self.address} is outside 1 to 247, and neither 0 nor 255")


@dataclass(frozen=True, slots=True)
class Refused:
    """Bytes that were heard and not taken, and why. `unasked`: while nobody was asked and no meter owed an answer."""

    fault: Fault
    heard: bytes
    unasked: bool = False


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one exchange ended. Either `data` (the answer's content, `content_bytes` of it) or `fault`, never both.

    `data` is big-endian words, 2 bytes each, or packed bits; empty where no reply was expected.

    `sent_ns`: the request's last bit; `first_ns`: the reply's first byte; `ended_ns`: the end of the exchange.
    `owes_until_ns`: until then the meter may still send the reply we no longer wait for (quiet-line rule).
    `echoed`: our own request was heard, whole, before the answer.
    """

    ask: Ask
    data: bytes | None
    fault: Fault | None
    sent_ns: int
    ended_ns: int
    first_ns: int | None = None
    exception_code: int | None = None
    refused: tuple[Refused, ...] = ()
    owes_until_ns: int | None = None
    echoed: bool = False

    def __post_init__(self) -> None:
        if (self.data is None) == (self.fault is None):
            raise ValueError("an outcome has either words or a fault")

    @property
    def at_ns(self) -> int:
        """The value's time: the middle between the end of the request and the first byte of the reply."""
        return self.sent_ns if self.first_ns is None else (self.sent_ns + self.first_ns) // 2


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass over one plan of one point, as far as it came: it stops at the first fault.

    `due_ns` is when it was due, `asked` whether a person asked for it (uuid of the inbox file) rather than the clock.
    """

    point: str
    reads: tuple[Read, ...]
    outcomes: tuple[Outcome, ...]
    due_ns: int
    asked: str | None = None

    @property
    def fault(self) -> Fault | None:
        return self.outcomes[-1].fault if self.outcomes else Fault.STOPPED

    @property
    def complete(self) -> bool:
        return len(self.outcomes) == len(self.reads) and self.fault is None

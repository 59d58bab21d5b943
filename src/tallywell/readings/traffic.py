"""What passes over a line, as bytes with times. Times are nanoseconds of CLOCK_BOOTTIME."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from tallywell.readings.exchange import Ask, Outcome


class Way(StrEnum):
    """Whether this program wrote the bytes or the port gave them."""

    SENT = "sent"
    HEARD = "heard"


@dataclass(frozen=True, slots=True)
class Traffic:
    """One run of bytes as the port took or gave it: a lump of the adapter's, not a frame.

    `at_ns`: when writing began, or when the bytes were seen. No bytes: the port was opened anew at this instant.
    """

    at_ns: int
    way: Way
    content: bytes


@dataclass(frozen=True, slots=True)
class Asked:
    """`ask` was taken up: from here on the line waits for silence, then the request is sent."""

    at_ns: int
    ask: Ask


# An exchange in order: Asked, what is sent and heard, its Outcome. Between two, what is heard while nobody is asked.
Passed = Asked | Traffic | Outcome
Tap = Callable[[Passed], None]  # called in the line's own thread: it neither raises nor blocks

"""What passes over a line, as bytes with times. Times are nanoseconds of CLOCK_BOOTTIME."""

from dataclasses import dataclass
from enum import StrEnum


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

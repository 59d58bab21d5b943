"""Why a line's port or connection is away, and when it went and came back. Times are nanoseconds of CLOCK_BOOTTIME."""

from dataclasses import dataclass
from enum import StrEnum

from tallywell.readings.problems import EdgeFailure


class Reason(StrEnum):
    """Why there is no way to the line; the value is the stored text."""

    GONE = "gone"  # no such device, or it works no more
    HELD = "held"  # another program has it
    DENIED = "denied"  # this user may not open it
    UNUSABLE = "unusable"  # it is there and cannot be set as the line needs
    UNREACHABLE = "unreachable"  # the host does not answer, or answers no more


class PortAway(EdgeFailure):
    """Why a port is not open. `there`: what is there in its place, as far as that may be it; for the ear, not to go by.

    Trying again is always worth while: adapters come back, programs end, groups are granted.
    """

    def __init__(self, what: str, reason: Reason, hint: str = "", there: str = "") -> None:
        super().__init__(what, hint=hint, again=True)
        self.reason = reason
        self.there = there

    def like(self, other: "PortAway") -> bool:
        """Whether a person who has heard the one need not hear the other."""
        return (self.reason, self.there) == (other.reason, other.there)


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went at `at_ns`, or was not there when it was first wanted. `device`: which it was; "" where none was.

    `first`: why it went; `why` may be another reason that was found since, and `again` says that it is.
    """

    at_ns: int
    why: PortAway
    first: Reason
    device: str = ""
    again: bool = False


@dataclass(frozen=True, slots=True)
class Back:
    """The port was opened again at `at_ns` as `device`; it was away since `lost`."""

    at_ns: int
    device: str
    lost: Lost

    @property
    def away_ns(self) -> int:
        return self.at_ns - self.lost.at_ns


Change = Lost | Back

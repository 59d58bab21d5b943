"""Why a line's port or connection is away, and when it went and came back. Pure. Times are nanoseconds of
CLOCK_BOOTTIME.
"""

from dataclasses import dataclass, replace
from enum import StrEnum

from tallywell.readings.problems import EdgeFailure

FIRST_RETRY_NS = 50_000_000
LONGEST_RETRY_NS = 500_000_000


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


class Presence:
    """Whether one line's port is there, when it is tried again, and what is told of its goings and returns.

    It is tried after 50 ms, doubling to `longest_retry_ns` while it fails. `trouble` says why it is away, None while it
    is open or was not tried yet.
    """

    def __init__(self, now_ns: int, longest_retry_ns: int = LONGEST_RETRY_NS) -> None:
        self.trouble: PortAway | None = None
        self.retry_at_ns = now_ns
        self._longest_retry_ns = longest_retry_ns
        self._pause_ns = FIRST_RETRY_NS
        self._device = ""
        self._lost: Lost | None = None  # what was told of it; None once its return was told
        self._heard_of: PortAway | None = None  # why it is away now, as the last try found it
        self._changes: list[Change] = []

    def away(self, why: PortAway, now_ns: int) -> None:
        """It went, or could not be opened. Of goings the first is told, and what is the reason since.

        A new reason is told when it was found twice in a row: udev grants a new device's rights a moment late.
        """
        self.trouble = why
        self.retry_at_ns = now_ns + self._pause_ns
        self._pause_ns = min(2 * self._pause_ns, self._longest_retry_ns)
        again = self._heard_of is not None and why.like(self._heard_of)
        self._heard_of = why
        if self._lost is None:
            self._lost = Lost(now_ns, why, why.reason, self._device)
        elif again and not why.like(self._lost.why):
            self._lost = replace(self._lost, why=why, again=True)
        else:
            return
        self._changes.append(self._lost)

    def works(self) -> None:
        """Something passed: where it goes again, it is tried again soon."""
        self._pause_ns = FIRST_RETRY_NS

    def back(self, device: str, opened_ns: int) -> None:
        """It is there as `device`, and holds."""
        if self._lost is not None:
            self._changes.append(Back(opened_ns, device, self._lost))
        self._lost = self._heard_of = None
        self._device = device
        self.works()

    def changes(self) -> tuple[Change, ...]:
        """What happened since this was asked last, in order."""
        found, self._changes = tuple(self._changes), []
        return found

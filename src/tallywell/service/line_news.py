"""What a line's thread has to say beside passes (pure)."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LineNews:
    """Something about a line for the log and, with an `event` (name and content), for the record too.

    `at_ns`: of the boot clock.
    """

    at_ns: int
    said: str
    event: tuple[str, dict[str, object]] | None = None

"""One owner per port: it asks, listens, and says how each exchange ended. Edge."""

from tallywell.line.timing import LineSettings
from tallywell.readings.clocks import Clock
from tallywell.readings.exchange import Ask, Outcome
from tallywell.readings.problems import EdgeFailure


class Bus:
    """The line's owner. One thread exchanges; `stop` may come from any other."""

    trouble: EdgeFailure | None  # why the port is away at present; None while it is open or was not tried yet

    def __init__(self, settings: LineSettings, clock: Clock) -> None: ...

    def open(self) -> None:
        """Open the port now; EdgeFailure (one clear line) if it cannot be. `exchange` opens by itself too."""
        raise NotImplementedError

    def exchange(self, ask: Ask) -> Outcome:
        """Ask and wait for the end of it. A line fault, a lost port and a stop are Outcomes, never raised."""
        raise NotImplementedError

    def stop(self) -> None:
        """End the running exchange at once, and any later one, with fault STOPPED. From any thread."""

    def close(self) -> None: ...

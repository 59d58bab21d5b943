"""A master other than this program: it asks the meters of a simulated line in rounds, for a listener to overhear. Pure.

It is as most are: after an answer as long as it should be, or when its patience is over, it keeps the silence and asks
the next. It does not wait for answers that are owed, and asks nothing twice.
"""

from collections.abc import Sequence

from tallywell.line import frame
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read

NOTHING = b""


class OtherMaster:
    """`asks`: what it asks in each round, unit and read; it begins one every `every_ns`, or at once where it is late.

    `patience_ns`: how long it waits for an answer, from the request's end on. `rest_ns`: how long it rests before each
    request, the silence included.
    """

    def __init__(
        self,
        asks: Sequence[tuple[int, Read]],
        settings: LineSettings,
        *,
        every_ns: int,
        patience_ns: int,
        now_ns: int = 0,
        rest_ns: int = 0,
    ) -> None:
        self._asks, self._settings = tuple(asks), settings
        self._every_ns, self._patience_ns = every_ns, patience_ns
        self._rest_ns = max(rest_ns, settings.silence_ns)
        self._round_ns = now_ns
        self._number = 0
        self._due_ns = now_ns + self._rest_ns
        self._missing = 0  # bytes of the request and its answer that are still to pass

    def next_ns(self) -> int:
        """When it may have something to ask."""
        return self._due_ns

    def ask(self, now_ns: int) -> bytes:
        """The request that is due, to be sent now; or nothing."""
        if now_ns < self._due_ns or not self._asks:
            return NOTHING
        unit, read = self._asks[self._number]
        self._missing = frame.REQUEST_LENGTH + frame.reply_length(read)
        self._due_ns = now_ns + self._settings.wire_ns(frame.REQUEST_LENGTH) + self._patience_ns
        self._number += 1
        if self._number == len(self._asks):
            self._number, self._round_ns = 0, max(self._round_ns + self._every_ns, now_ns)
        return frame.request(unit, read)

    def hear(self, heard: int, now_ns: int) -> None:
        """So many bytes have passed, its own request among them."""
        if not heard:
            return
        waits, self._missing = self._missing > 0, max(0, self._missing - heard)
        silent_ns = now_ns + self._rest_ns
        if waits and not self._missing:
            self._due_ns = silent_ns if self._number else max(silent_ns, self._round_ns)
        else:
            self._due_ns = max(self._due_ns, silent_ns)

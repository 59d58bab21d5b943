"""Edge: a simulated line on a pseudo-terminal, one thread each. The silence that ends a request is really waited for.

The kernel hands a pseudo-terminal's bytes over at once, whatever the baud; silence and turnaround are kept here. Linux
refuses parity bits on a pseudo-terminal (EINVAL for PARENB), so a port that opens one asks for none.
"""

import errno
import os
import select
import threading
import time
import tty
from collections.abc import Callable

from tallywell.line.frame import LONGEST_FRAME
from tallywell.line.timing import LineSettings
from tallywell.simulator.station import Answer, Served, Station

AGAIN_NS = 50_000_000  # how long to leave a pseudo-terminal alone that its reader has hung up


class Wire:
    """A station on a pseudo-terminal. Open `path` as a serial port; `stop` takes it away.

    `utc_ms` gives the true time, at which a meter latches its values: the moment a request's last byte came.
    `settings` say how long the request's bytes would take on a wire and which silence ends it. `told` hears of each
    answer that left, on the wire's own thread, so that a truth can be kept beside the record.
    The reader may close its side and come back: the simulator keeps the other end open meanwhile.
    """

    def __init__(
        self,
        station: Station,
        settings: LineSettings,
        utc_ms: Callable[[], int],
        told: Callable[[Served], None] | None = None,
    ) -> None:
        self._station, self._settings, self._utc_ms, self._told = station, settings, utc_ms, told
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._far)
        self._stopping, self._wake = os.pipe()
        self._heard, self._last_ns, self._latched_ms = b"", 0, 0
        self._agenda: list[tuple[int, Answer]] = []
        self._thread = threading.Thread(target=self._serve, name=f"simulated {self.path}", daemon=True)

    def start(self) -> "Wire":
        self._thread.start()
        return self

    def stop(self) -> None:
        """End the thread and take the pseudo-terminal away. Calling it again does nothing."""
        if self._wake < 0:
            return
        os.write(self._wake, b"x")
        if self._thread.ident is not None:
            self._thread.join()
        for descriptor in (self._near, self._far, self._stopping, self._wake):
            os.close(descriptor)
        self._wake = -1

    def __enter__(self) -> "Wire":
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _serve(self) -> None:
        while True:
            ready, _, _ = select.select([self._near, self._stopping], [], [], self._wait_s())
            if self._stopping in ready:
                return
            if self._near in ready:
                self._take()
            now_ns = time.monotonic_ns()
            self._end_request(now_ns)
            self._send_due(now_ns)

    def _wait_s(self) -> float | None:
        due = [at_ns for at_ns, _ in self._agenda[:1]]
        if self._heard:
            due.append(self._ended_ns())
        return max(0, min(due) - time.monotonic_ns()) / 1e9 if due else None

    def _take(self) -> None:
        try:
            chunk = os.read(self._near, LONGEST_FRAME)
        except OSError as failure:
            if failure.errno not in (errno.EIO, errno.EAGAIN):
                raise
            select.select([self._stopping], [], [], AGAIN_NS / 1e9)
            return
        self._last_ns, self._latched_ms = time.monotonic_ns(), self._utc_ms()
        self._heard = (self._heard + chunk)[: LONGEST_FRAME + 1]

    def _end_request(self, now_ns: int) -> None:
        if not self._heard or now_ns < self._ended_ns():
            return
        ended_ns = self._ended_ns()
        frame, self._heard = self._heard, b""
        self._agenda += [(ended_ns + a.delay_ns, a) for a in self._station.hear(frame, self._latched_ms)]
        self._agenda.sort(key=lambda due: due[0])

    def _ended_ns(self) -> int:
        """When the silence behind what was heard has passed; the kernel hands over at once what takes a wire some time.

        Above 19,200 baud the standard's fixed 1.750 ms is far more than 3.5 characters (V1.02, 2.5.1.1) and counts from
        the write: at 115,200 baud the request's own time on the wire and 3.5 characters fit into it.
        """
        wire_ns = self._settings.wire_ns(len(self._heard))
        return self._last_ns + wire_ns + max(self._settings.silence_ns - wire_ns, self._settings.wire_ns(7) // 2)

    def _send_due(self, now_ns: int) -> None:
        while self._agenda and self._agenda[0][0] <= now_ns:
            _, answer = self._agenda.pop(0)
            if self._write(answer.frame) and answer.served and self._told:
                self._told(answer.served)

    def _write(self, frame: bytes) -> bool:
        try:
            return os.write(self._near, frame) == len(frame)
        except OSError as failure:  # nobody reads there: the bytes are lost, as on a wire
            if failure.errno not in (errno.EIO, errno.EAGAIN):
                raise
            return False

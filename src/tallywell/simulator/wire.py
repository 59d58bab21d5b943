"""Edge: a simulated line on a pseudo-terminal, one thread each. The silence that ends a request is really waited for.

The kernel hands a pseudo-terminal's bytes over at once, whatever the baud; what takes time on a wire is reckoned in
`line.py` and waited for here. Linux refuses parity bits on a pseudo-terminal (EINVAL for PARENB), so a port that opens
one asks for none.
"""

import errno
import os
import select
import time
import tty
from collections import deque
from collections.abc import Callable, Iterable

from tallywell.line.frame import LONGEST_FRAME
from tallywell.line.timing import LineSettings
from tallywell.simulator.line import SimulatedLine
from tallywell.simulator.other_master import OtherMaster
from tallywell.simulator.own_thread import OwnThread
from tallywell.simulator.station import Served, Station
from tallywell.simulator.trouble import RECIPES, Trouble

AGAIN_NS = 50_000_000  # how long to leave a pseudo-terminal alone that its reader has hung up
LONGEST_WAIT_NS = 60_000_000_000
GONE = -1


class Wire(OwnThread):
    """A station on a pseudo-terminal. Open `path` as a serial port; `pull` takes it away for a while, `stop` for good.

    `utc_ms` gives the true time, at which a meter latches its values: the moment a request's last byte came.
    `settings` say how long bytes would take on a wire and which silence ends a request; `paced`: answers come byte by
    byte as there, else each at once. `insists`: the meters then hear only a request that silence surrounds. `told`
    hears of each answer that left, on the wire's own thread, so that a truth can be kept beside the record.
    `troubles` strike by `seed`. An adapter that is pulled out and put back has another `path`: `moved` hears "" before
    it goes and the path when it is back, on the wire's own thread.
    `master`: another one asks on this line, and the reader hears what it asks and what it is answered.
    The reader may close its side and come back: the simulator keeps the other end open meanwhile.
    """

    def __init__(
        self,
        station: Station,
        settings: LineSettings,
        utc_ms: Callable[[], int],
        told: Callable[[Served], None] | None = None,
        *,
        troubles: Iterable[Trouble] = (),
        seed: str = "1",
        paced: bool = False,
        insists: bool = True,
        moved: Callable[[str], None] | None = None,
        master: OtherMaster | None = None,
    ) -> None:
        self._master = master
        heard = [Trouble(RECIPES["echo"])] if master else []
        self._line = SimulatedLine(
            station, settings, (*troubles, *heard), seed=seed, now_ns=time.monotonic_ns(), paced=paced, insists=insists
        )
        self._utc_ms, self._told, self._moved = utc_ms, told, moved
        self._near = self._far = GONE
        self.path = ""
        self._pulls: deque[int] = deque()
        self._plug()
        super().__init__(self.path)

    def pull(self, away_ns: int) -> None:
        """Pull the adapter out now and put it back so much later. From any thread."""
        self._pulls.append(away_ns)
        self._nudge()

    def _let_go(self) -> None:
        self._unplug()

    def _plug(self) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._far)

    def _unplug(self) -> None:
        if self._near != GONE:
            os.close(self._near)
            os.close(self._far)
        self._near = self._far = GONE

    def _serve(self) -> None:
        while True:
            watched = [self._woken] if self._near == GONE else [self._near, self._woken]
            ready, _, _ = select.select(watched, [], [], self._wait_s())
            if self._woken in ready and self._is_over():
                return
            while self._pulls:
                self._line.pull(time.monotonic_ns(), self._pulls.popleft())
            if self._near in ready:
                self._take()
            self._play(time.monotonic_ns())

    def _wait_s(self) -> float:
        now_ns = time.monotonic_ns()
        due_ns = self._line.next_ns() if self._near != GONE else min(self._line.next_ns(), self._line.back_ns)
        if self._master is not None:
            due_ns = min(due_ns, self._master.next_ns())
        return max(0, min(due_ns - now_ns, LONGEST_WAIT_NS)) / 1e9

    def _take(self) -> None:
        try:
            chunk = os.read(self._near, LONGEST_FRAME)
        except OSError as failure:
            if failure.errno not in (errno.EIO, errno.EAGAIN):
                raise
            select.select([self._woken], [], [], AGAIN_NS / 1e9)
            return
        self._line.put(chunk, time.monotonic_ns(), self._utc_ms())

    def _play(self, now_ns: int) -> None:
        heard = self._line.take(now_ns)
        left = self._line.left()
        if self._master is not None:
            self._master.hear(len(heard), now_ns)
            if request := self._master.ask(now_ns):
                self._line.put(request, now_ns, self._utc_ms())
        if heard and self._near != GONE and self._write(heard) and self._told:
            for served in left:
                self._told(served)
        away = self._line.away(now_ns)
        if away and self._near != GONE:
            self._tell("")
            self._unplug()
        elif not away and self._near == GONE:
            self._plug()
            self._tell(self.path)

    def _tell(self, path: str) -> None:
        if self._moved is not None:
            self._moved(path)

    def _write(self, heard: bytes) -> bool:
        try:
            return os.write(self._near, heard) == len(heard)
        except OSError as failure:  # nobody reads there: the bytes are lost, as on a wire
            if failure.errno not in (errno.EIO, errno.EAGAIN):
                raise
            return False

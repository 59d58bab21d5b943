"""A line's thread whose port is away: told of, nudged and stopped at any instant, it goes on and ends."""

import random
import time
from pathlib import Path

from tallywell.line.bus import Bus
from tallywell.readings.exchange import Pass, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.due import ClockStepped, LookAgain, Plan, begin
from tallywell.schedule.system_clock import SystemClock
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered, LineThread
from tallywell.service.site import Line

MS = 1_000_000
SEED = 7


def test_it_is_nudged_and_stopped_while_it_looks_for_its_port(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    dice, clock = random.Random(SEED), SystemClock()
    plan = Plan("north", 17, (Read(3, 0, 2),), 1_000 * MS, 100 * MS)
    for _ in range(10):
        delivered: list[Delivered] = []
        line = Line("field", str(tmp_path / "none"), 19_200)
        port = Bus(line.settings, clock)
        state = begin([plan], clock.boot_ns(), 0, at_once=True)
        thread = LineThread(line, port, state, clock, delivered.append, look_ns=20 * MS)
        thread.start()
        for number in range(dice.randint(0, 20)):
            thread.tell(dice.choice((LookAgain("north", str(number)), LookAgain("north"), ClockStepped(number * MS))))
            time.sleep(dice.uniform(0, 0.02))
        assert thread.alive()
        thread.stop()
        assert thread.join(30)
        news = [done for done in delivered if isinstance(done, LineNews)]
        passes = [done for done in delivered if isinstance(done, Pass)]
        events = [one.event[0] for one in news if one.event]
        assert events == ["port_lost"] or not passes, "told once, however often it was tried"
        assert {done.fault for done in passes} <= {Fault.PORT_LOST, Fault.STOPPED}
        assert port.trouble is not None or not passes

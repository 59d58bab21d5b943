"""How near to the wire limit the bus comes. Prints figures; only values are asserted, since time is the machine's."""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from tallywell.line import frame
from tallywell.line.bus import Bus
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.schedule.system_clock import SystemClock

if TYPE_CHECKING:
    from tests.line.conftest import Paced, Pair

pytestmark = pytest.mark.alone

TURNAROUND_NS = 2_000_000  # beyond the silence that the meter keeps before it answers
READS = (Read(4, 0, 10), Read(4, 10, 10), Read(3, 0, 2))
CYCLES = 60


def reply_to(request: bytes) -> bytes:
    found = frame.parse_request(request)
    assert found, request.hex()
    return frame.reply(found[0], found[1].function, bytes(range(2 * found[1].words)))


@pytest.mark.campaign
@pytest.mark.parametrize("baud", [9_600, 19_200, 115_200])
def test_cycle_over_the_wire_limit(baud: int, pair: Pair, paced_of: Callable[[LineSettings], Paced]) -> None:
    line = LineSettings(pair.path, baud)
    paced_of(line).answer(pair.master, reply_to, TURNAROUND_NS)
    bus = Bus(line, SystemClock())
    ratios = []
    cpu = resource.getrusage(resource.RUSAGE_THREAD)
    for _ in range(CYCLES):
        began_ns = time.perf_counter_ns()
        for read in READS:
            outcome = bus.exchange(Ask(17, read, 100_000_000))
            assert outcome.data == bytes(range(2 * read.words)), outcome
        ratios.append((time.perf_counter_ns() - began_ns) / line.cycle_ns(READS, TURNAROUND_NS))
    used = resource.getrusage(resource.RUSAGE_THREAD)
    cpu_s = used.ru_utime + used.ru_stime - cpu.ru_utime - cpu.ru_stime
    bus.close()
    print(
        f"{baud} baud: cycle / wire limit median {statistics.median(ratios[1:]):.3f}, mean "
        f"{statistics.mean(ratios[1:]):.3f}, CPU {1000 * cpu_s / CYCLES / len(READS):.2f} s per 1,000 exchanges"
    )

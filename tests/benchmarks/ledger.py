"""What the ledger costs per reading: the fold alone, then with each stage behind it; a day, a month, a year of polls.

.venv/bin/python -m tests.benchmarks.ledger

One point, polled each minute: a pump that starts and stops, one poll in a hundred missed, an outage each fortnight. The
facts are made before the clock runs. Beside the stages stands a bare loop over the same facts that only subtracts one
total from the next, so that machines can be compared.
"""

import platform
import random
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction

from tallywell.ledger.agreement import agreement
from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import add_up
from tallywell.readings.clocks import When
from tallywell.readings.quantities import LedgerFact, Missed, Reading, Scale
from tallywell.readings.total import Total

SEED = 20261125
BEGIN_MS = 1_767_225_600_000  # 2026-01-01
MINUTE_MS, DAY_MINUTES = 60_000, 1440
SPANS = {"a day": 1, "a month": 31, "a year": 365}
GALLON = Fraction("0.003785411784")
SCALE = Scale(100 * GALLON, 10**8)
RULES = Rules(MINUTE_MS, 3000 * GALLON / 60)


def facts(days: int) -> list[LedgerFact]:
    chance, gallons, rate = random.Random(SEED), 0.0, 0.0
    made: list[LedgerFact] = []
    for minute in range(days * DAY_MINUTES):
        rate = chance.choice([0.0, 0.0, 412.5, 871.25]) if minute % 240 == 0 else rate
        gallons += rate
        when = When(1, minute * MINUTE_MS, BEGIN_MS + minute * MINUTE_MS + 300, 50)
        if chance.random() < 0.01 or minute % (14 * DAY_MINUTES) in range(9000, 9180):
            made.append(Missed(minute, when, "no_answer"))
            continue
        total, flow = Total.exact(int(gallons) // 100), Fraction(rate) * GALLON / 60
        made.append(Reading(minute, when, total, SCALE, flow, rate > 0, b"%d %d" % (rate, total.count)))
    return made


def bare(told: list[LedgerFact]) -> None:
    """The least that any ledger would do: one total less the one before."""
    last = 0
    for fact in told:
        if isinstance(fact, Reading):
            counts, last = fact.total.count - last, fact.total.count
            if counts < 0:
                raise AssertionError("these totals never fall")


def folded(told: list[LedgerFact]) -> Iterable[Interval]:
    return fold(told, begin(RULES))


def drained(intervals: Iterable[Interval]) -> None:
    deque(intervals, maxlen=0)


def summed(intervals: Iterable[Interval], days: int) -> None:
    add_up(intervals, [BEGIN_MS + day * DAY_MINUTES * MINUTE_MS for day in range(days + 1)])


@dataclass(frozen=True)
class Stage:
    name: str
    run: Callable[[list[LedgerFact], int], None]


BARE = Stage("bare subtraction", lambda told, _: bare(told))
FOLD = Stage("fold", lambda told, _: drained(folded(told)))
STAGES = [
    BARE,
    FOLD,
    Stage("fold, flow against total", lambda told, _: drained(agreement(RULES, folded(told)))),
    Stage("the same, summed by days", lambda told, days: summed(agreement(RULES, folded(told)), days)),
]


def per_reading_us(stage: Stage, told: list[LedgerFact], days: int, times: int = 3) -> float:
    """The best of some runs, in processor time: other work on the machine disturbs that less."""
    best = min(_seconds(stage, told, days) for _ in range(times))
    return best / len(told) * 1_000_000


def _seconds(stage: Stage, told: list[LedgerFact], days: int) -> float:
    began = time.process_time()
    stage.run(told, days)
    return time.process_time() - began


def main() -> None:
    print(f"Python {platform.python_version()}, {platform.system()} {platform.machine()}; us a poll (x bare)\n")
    print(f"| {'':26} |" + "|".join(f" {name:>14} " for name in SPANS) + "|")
    print(f"| {'-' * 26} |" + "|".join(f" {'-' * 13}: " for _ in SPANS) + "|")
    told = {days: facts(days) for days in SPANS.values()}
    bares = {days: per_reading_us(BARE, told[days], days) for days in told}
    for stage in STAGES:
        costs = {days: per_reading_us(stage, told[days], days, 1 if days > 31 else 3) for days in told}
        cells = (f" {costs[days]:6.2f} ({costs[days] / bares[days]:4.0f}) " for days in costs)
        print(f"| {stage.name:26} |" + "|".join(f"{cell:>16}" for cell in cells) + "|", flush=True)


if __name__ == "__main__":
    main()

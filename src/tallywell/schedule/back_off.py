"""How long a unit that does not answer is left alone, and which units are known to keep a line waiting. Pure.

After two requests in a row without an answer the unit rests, longer each time up to RESTS times what such a request
costs: waiting for units that do not answer then takes some 5 % of a line's time. That holds for all of them together,
as far as a rest is not longer than LONGEST_REST_NS: a meter whose supply is back must be read soon. Where waiting once
takes so long that this would not be a tenth of the time (2.5 s), the rest is LEAST_RESTS times the wait.

So a unit is asked again at the latest max(every, 30 s, 12 waits) after the last attempt, and a point that is polled
each minute by a meter that waits 2.5 s or less misses no mark by it.

A rest is shortened by up to a quarter, by a hash of unit and count: meters of one supply, which fall silent together,
do not come back to the line together each time.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from zlib import crc32

from tallywell.readings.exchange import Outcome
from tallywell.readings.faults import Fault
from tallywell.schedule.plan import Plan

IN_A_ROW = 2
RESTS = 20
LEAST_RESTS = 12
LONGEST_REST_NS = 30_000_000_000
MOST_DOUBLINGS = 10
# A unit that fails now and then keeps the line waiting as well: so many good and quick answers make it trusted again.
DOUBTED = 8
# Each of these is a frame, or a refusal, that the unit itself has sent; what is damaged may be anybody's.
THERE = frozenset({None, Fault.EXCEPTION, Fault.WRONG_FUNCTION, Fault.WRONG_BYTE_COUNT})
QUICK = frozenset({None, Fault.EXCEPTION, Fault.PORT_LOST, Fault.STOPPED})
OURS = frozenset({Fault.PORT_LOST, Fault.STOPPED})


@dataclass(frozen=True, slots=True)
class Unit:
    """What is known of one unit. `missed`: requests in a row without an answer; it rests until `until_ns`.

    `doubt`: above 0, it kept the line waiting lately.
    """

    missed: int = 0
    until_ns: int = 0
    doubt: int = 0

    @property
    def backed_off(self) -> bool:
        return self.missed >= IN_A_ROW


TRUSTED = Unit()


def kept_waiting(outcome: Outcome) -> bool:
    """Whether this exchange cost the line a wait: it failed, or the answer took more than half of what it may take."""
    if outcome.fault not in QUICK:
        return True
    return outcome.first_ns is not None and 2 * (outcome.first_ns - outcome.sent_ns) > outcome.ask.longest_delay_ns


def unit_after(unit: Unit, plan: Plan, outcome: Outcome, others: Iterable[Unit], now_ns: int) -> Unit:
    """The same unit after a request that expected an answer; `others`: the line's other units."""
    if outcome.fault in OURS:
        return unit
    waited = kept_waiting(outcome)
    if unit == TRUSTED and not waited:  # nearly always
        return unit
    unit = replace(unit, doubt=DOUBTED if waited else max(0, unit.doubt - 1))
    if outcome.fault in THERE:
        return replace(unit, missed=0, until_ns=0)
    if outcome.fault is not Fault.NO_ANSWER:
        return unit
    unit = replace(unit, missed=unit.missed + 1)
    if not unit.backed_off:
        return unit
    silent = 1 + sum(other.backed_off for other in others)
    return replace(unit, until_ns=now_ns + rest_ns(plan.address, unit.missed, _cost_ns(plan, outcome), silent))


def _cost_ns(plan: Plan, outcome: Outcome) -> int:
    """What one request without an answer costs the line, waking the unit included."""
    waking_ns = plan.wake.wait_ns if plan.wake else 0
    return max(outcome.ended_ns - outcome.sent_ns, plan.longest_delay_ns) + waking_ns


def rest_ns(address: int, missed: int, cost_ns: int, silent: int = 1) -> int:
    """How long this unit is left alone after so many requests without an answer; `silent`: so many units rest."""
    longest_ns = max(LEAST_RESTS * cost_ns, min(RESTS * cost_ns * silent, LONGEST_REST_NS))
    whole_ns = min(cost_ns << min(missed - 1, MOST_DOUBLINGS), longest_ns)
    return whole_ns - whole_ns * (crc32(b"%d %d" % (address, missed)) % 1024) // 4096

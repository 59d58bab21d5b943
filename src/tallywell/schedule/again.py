"""Passes beside a plan's marks, and marks that are passed over. Pure.

Another pass soon is wanted where a meter said "later" (exceptions 5, acknowledge, and 6, busy: Modbus Application
Protocol V1.1b3, section 7), and where the ledger cannot tell yet what to make of a reading. Between two marks there are
MOST_EXTRAS of them at most, whoever wants them, and none where the mark itself comes first.

Exceptions 1, 2 and 3 (illegal function, data address, data value) say that the map is wrong for this meter, and they
say it again as often as one asks. From the second in a row on the time to the next attempt doubles, up to REFUSED_NS:
a meter that refused because it was starting, or in its menu, is found within that time. A plan that brought the
books' total before a read of it was refused keeps its rate: the total is worth more.
"""

from dataclasses import replace

from tallywell.readings.exchange import Outcome
from tallywell.schedule.plan import Plan, mark_from
from tallywell.schedule.turn import Look, Turn

LATER = frozenset({5, 6})
WRONG_MAP = frozenset({1, 2, 3})
MOST_EXTRAS = 3
LATER_NS = 1_000_000_000  # at least; or what the meter may take to answer, where that is longer. Doubles.
LOOK_NS = 10_000_000_000  # meters renew their registers every second or few: sooner the words might be the same ones
REFUSED_NS = 600_000_000_000
MOST_DOUBLINGS = 20


def with_another_look(turn: Turn, now_ns: int) -> Turn:
    """For the ledger: no pass sooner than LOOK_NS after the last began."""
    last_ns = turn.begun.outcomes[0].sent_ns if turn.begun else turn.last_ns
    return _with_extra(turn, now_ns if last_ns is None else max(now_ns, last_ns + LOOK_NS))


def with_later(turn: Turn, outcome: Outcome, now_ns: int) -> Turn:
    """A turn whose pass has ended and whose next mark is known: again before it, if the meter said so."""
    if outcome.exception_code not in LATER:
        return turn
    return _with_extra(turn, now_ns + (max(LATER_NS, turn.plan.longest_delay_ns) << turn.extras))


def _with_extra(turn: Turn, at_ns: int) -> Turn:
    waiting = any(look.asked is None for look in turn.looks)
    if waiting or turn.extras >= MOST_EXTRAS or at_ns >= turn.mark_ns:
        return turn
    return replace(turn, looks=(*turn.looks, Look(None, at_ns)), extras=turn.extras + 1)


def with_refusal(turn: Turn, outcomes: tuple[Outcome, ...], wall_minus_boot_ns: int) -> Turn:
    """A turn whose pass has ended so: held back if it was refused again."""
    last = outcomes[-1]
    if last.fault is None:
        return replace(turn, refused=0, held_ns=0)
    if last.exception_code not in WRONG_MAP or _has_total(turn.plan, outcomes):
        return turn
    held_ns = _held_ns(turn.plan, turn.refused, outcomes[0].sent_ns, wall_minus_boot_ns)
    return replace(turn, refused=turn.refused + 1, held_ns=held_ns)


def _has_total(plan: Plan, outcomes: tuple[Outcome, ...]) -> bool:
    return plan.books is not None and plan.books < len(outcomes) - 1


def _held_ns(plan: Plan, before: int, began_ns: int, wall_minus_boot_ns: int) -> int:
    """On a mark, so that the poll stands on one. 0: at its next mark, as ever."""
    if not before or plan.every_ns is None:
        return 0
    pause_ns = min(plan.every_ns << min(before, MOST_DOUBLINGS), REFUSED_NS)
    return mark_from(began_ns + pause_ns, plan.every_ns, wall_minus_boot_ns) if pause_ns > plan.every_ns else 0

"""Where a fold may begin before a period, and when it has read far enough behind it.

From three neighbouring readings on that follow one another plainly, a fold equals the fold from the record's beginning:
the last of the three is its last good reading, whatever went before. Only what is held back for longer must not be cut:
readings that stand (the rest of a frozen stretch would be missing), a run of readings whose flow rate and total speak
against one another (see `agreement`), and the quarter of an hour around a change-out, in which the readings say where
it lies.
"""

from tallywell.ledger.agreement import decided
from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import utc_ms
from tallywell.ledger.judge import fit_together
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import stands
from tallywell.readings.quantities import Installed, Reading

FITTING = 3  # so many consecutive readings that fit one another tell where the totalizer stands


def may_begin(rules: Rules, readings: tuple[Reading, ...], installed: tuple[Installed, ...] = ()) -> bool:
    """Whether a fold may begin at these FITTING good readings in a row, no good one between them left out."""
    if len(readings) < FITTING or not fit_together(rules, readings):
        return False
    if stands(rules, *readings[:2]) or not decided(rules, *readings[-2:]):
        return False
    first, last = utc_ms(readings[0]) - BY_HAND_MS, utc_ms(readings[-1]) + BY_HAND_MS
    return not any(first <= entry.about_ms <= last for entry in installed)


def settled_by(rules: Rules, settled: tuple[Reading, ...], new: Reading) -> tuple[Reading, ...]:
    """The good readings behind a period that settle it, with one more: FITTING of them are enough.

    Readings that contradict one another settle nothing: the one after them decides what the first were. Where the meter
    may be frozen, or its flow rate and total may not agree, one that moves must tell.
    """
    last = settled[-1:]
    found = (*settled, new) if fit_together(rules, (*last, new)) else (new,)
    open_ended = last and (stands(rules, last[0], new) or not decided(rules, last[0], new))
    return found[-FITTING + 1 :] if open_ended else found

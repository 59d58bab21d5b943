"""Readings that came in a sound frame and are no evidence all the same: torn and frozen ones. Two readings a time.

*Torn*: a total whose words are of two instants, since the meter renewed them one after another. It is wrong by a whole
multiple of what its lower words count (`Reading.tears`), so that it fits once that is taken off. A reading is called
torn only where others have already contradicted it, and only if chance would seldom do: what may have flowed is at most
a quarter of that span, or the total fell by less than one span, which is a small part of its capacity.

*Frozen*: all words of the poll came as before, to the last bit, FROZEN_POLLS times, though they hold a flow rate above
zero and the total must have moved by SURELY counts and its own step by then. A pump at rest sends the same words for
hours, and a coarse flow rate may stand while the total counts: neither is frozen. Five polls and four counts are a
choice (common practice, no source): a total renewed less often than it is polled, or rounded, is behind by less; where
the map states how often registers are renewed, five times that must have passed, too. Nothing is said of a total so
coarse for its flow that MOST_POLLS would not move it, nor of a poll without a flow rate, nor of one without a total.
"""

from fractions import Fraction

from tallywell.ledger.judge import CHANCE, elapsed_ms
from tallywell.ledger.rules import Rules
from tallywell.readings.quantities import Reading
from tallywell.readings.total import Total

FROZEN = "frozen"  # as a reason of a missed poll: what a frozen meter sends is none
FROZEN_POLLS = 5
SURELY = 4
MOST_POLLS = 256  # so that few readings are held back
EVIDENCE = 4


def is_torn(book: Total, odd: Reading, room: int) -> bool:
    """Whether `odd`, which does not fit behind `book`, does with a multiple of one of its spans; `room`: the most
    counts that may have passed since.
    """
    width = (odd.total.high - odd.total.low) + (book.high - book.low)
    ahead = odd.total.high - book.low
    if 0 <= ahead <= room + width:
        return False
    return any(
        ahead % span <= room + width
        and (EVIDENCE * (room + width) <= span or (-span <= ahead < 0 and CHANCE * span <= odd.scale.capacity))
        for span in odd.tears
    )


def stands(rules: Rules, old: Reading, new: Reading) -> bool:
    """Whether `new` brings the same words, which say that water flows forward, and would soon show in the total.

    By the two readings and the rules, not by the time between them: so it is one answer for all of a frozen stretch.
    """
    if new.flow_m3s is None or new.flow_m3s <= 0 or new.running is False or not _same(old, new):
        return False
    return _surely_moved(new, MOST_POLLS * rules.every_ms)


def _same(old: Reading, new: Reading) -> bool:
    """What brings other registers beside these has words of another length: then the values must do."""
    if len(old.words) == len(new.words):
        return bool(new.words) and new.words == old.words
    return (new.total, new.flow_m3s, new.scale) == (old.total, old.flow_m3s, old.scale)


def is_frozen(rules: Rules, first: Reading, new: Reading, polls: int) -> bool:
    """Whether the meter has frozen since `first`; `new` is the last of `polls` readings that stand."""
    ms = elapsed_ms(first, new)
    return polls >= FROZEN_POLLS and ms >= FROZEN_POLLS * rules.refresh_ms and _surely_moved(new, ms)


def _surely_moved(new: Reading, ms: int) -> bool:
    """Whether the total cannot be the same at this flow for so long."""
    assert new.flow_m3s is not None
    counts = SURELY + new.total.high - new.total.low
    return new.flow_m3s * Fraction(ms, 1000) >= counts * new.scale.one_count_m3


def may_have_missed(first: Reading, new: Reading, counted: int) -> bool:
    """Whether a meter that was frozen since `first`, and moves at `new`, rose by less than half of what its flow rate
    said: then it may not have counted, or less flowed, and nobody can tell.
    """
    flow = first.flow_m3s or Fraction(0)
    return 2 * counted * first.scale.one_count_m3 < flow * Fraction(elapsed_ms(first, new), 1000)

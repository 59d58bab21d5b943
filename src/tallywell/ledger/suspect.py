"""Readings that came in a sound frame and are no evidence all the same: torn and frozen ones. Two readings a time.

*Torn*: a total whose words are of two instants, since the meter renewed them one after another. It is wrong by a whole
multiple of what its lower words count (`Reading.tears`), so that it fits once that is taken off. A reading is called
torn only where others have already contradicted it, and only if chance would seldom do: what may have flowed is at most
a quarter of that span.

*Frozen*: all words of the poll came as before, to the last bit, FROZEN_POLLS times, though they hold a flow rate above
zero and the total must have moved by SURELY counts and its own step by then. A pump at rest sends the same words for
hours, and a coarse flow rate may stand while the total counts: neither is frozen. Five polls and four counts are a
choice (common practice, no source): a total renewed less often than it is polled, or rounded, is behind by less.
"""

from fractions import Fraction

from tallywell.ledger.judge import elapsed_ms
from tallywell.readings.quantities import Reading
from tallywell.readings.total import Total

FROZEN = "frozen"  # as a reason of a missed poll: what a frozen meter sends is none
FROZEN_POLLS = 5
SURELY = 4
EVIDENCE = 4


def is_torn(book: Total, odd: Reading, room: int) -> bool:
    """Whether `odd`, which does not fit behind `book`, does with a multiple of one of its spans; `room`: the most
    counts that may have passed since.
    """
    width = (odd.total.high - odd.total.low) + (book.high - book.low)
    ahead = odd.total.high - book.low
    if 0 <= ahead <= room + width:
        return False
    return any(EVIDENCE * (room + width) <= span and ahead % span <= room + width for span in odd.tears)


def stands(old: Reading, new: Reading) -> bool:
    """Whether `new` brings the same words, which say that water flows forward."""
    flows = new.flow_m3s is not None and new.flow_m3s > 0 and new.running is not False
    return flows and bool(new.words) and new.words == old.words


def is_frozen(first: Reading, new: Reading, polls: int) -> bool:
    """Whether the meter has frozen since `first`; `new` is the last of `polls` readings that stand."""
    if polls < FROZEN_POLLS or new.flow_m3s is None:
        return False
    counts = SURELY + new.total.high - new.total.low
    return new.flow_m3s * Fraction(elapsed_ms(first, new), 1000) >= counts * new.scale.one_count_m3

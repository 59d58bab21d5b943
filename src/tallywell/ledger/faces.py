"""What a face showed, as the register stood then. A face that goes round earlier than the register shows only the
register's last digits; the rest is taken from a reading near it, where only one way of taking it fits.
"""

from fractions import Fraction

from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total


def behind(total: Total, goes_round: Fraction | None, scale: Scale, earlier: Total, room: int) -> Total | None:
    """A count that was read after `earlier`, with at most `room` counts in between. None: it may be several."""
    if goes_round is None or goes_round >= scale.capacity:
        return total
    rounds = max(0, -((total.high - earlier.low) // goes_round))
    return None if room >= goes_round else _past(total, rounds * goes_round)


def ahead(total: Total, goes_round: Fraction | None, scale: Scale, later: Total, room: int) -> Total | None:
    """A count that was read before `later`, likewise."""
    if goes_round is None or goes_round >= scale.capacity:
        return total
    rounds = max(0, (later.high - total.low) // goes_round)
    return None if room >= goes_round else _past(total, rounds * goes_round)


def _past(total: Total, counts: Fraction) -> Total:
    shift = round(counts)
    return Total(total.count + shift, total.low + shift, total.high + shift)

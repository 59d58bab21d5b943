"""Values that no single read of a meter brings: the two requests they come in, and what these make of them.

The high part is asked for, then the low part, then the high part again. A total that only rises and has equal high
parts on both sides had that high part all the while, so the meter held just this value when it gave the low part.
Unequal ones tell of a carry in between: the value is torn. Of a number that may fall as well, equal high parts do not
prove this: it may have gone there and back.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tallywell.readings.exchange import MOST_WORDS, Read
from tallywell.registers.quantity import Kind, Limits, Quantity, Span, ValueType, WordOrder

Place = tuple[int, int]  # the first register and the one behind the last
_NUMBERS = (Kind.TOTAL, Kind.FLOW, Kind.OTHER)


@dataclass(frozen=True, slots=True)
class InTwo:
    """The registers of the high part and those of the low part."""

    high: Place
    low: Place

    @property
    def places(self) -> tuple[Place, Place]:
        return self.high, self.low


def can_be_in_two(quantity: Quantity) -> bool:
    """A net total may go up and down again between the reads, and a value of no number has no high part."""
    is_number = quantity.kind in _NUMBERS and quantity.type is not ValueType.TEXT and not quantity.table.is_bits
    return is_number and not quantity.is_net


def in_two(quantity: Quantity, limits: Limits, do_not_read: Iterable[Span]) -> InTwo | None:
    """Where the meter forces two requests for the value; None where one brings it, or where no two can."""
    if not can_be_in_two(quantity) or quantity.end - quantity.first == 1:
        return None
    barred = [(span.first, span.end) for span in do_not_read if span.table is quantity.table]
    if _comes(quantity, (quantity.first, quantity.end), limits, barred) and not _is_apart(quantity, limits):
        return None
    divided = _only_so(quantity) or _anyhow(quantity)
    return next((two for two in divided if all(_comes(quantity, p, limits, barred) for p in two.places)), None)


def _comes(quantity: Quantity, place: Place, limits: Limits, barred: Sequence[Place]) -> bool:
    """Whether one read can bring these registers."""
    first, end = place
    if end - first > min(limits.words_per_read, MOST_WORDS) or any(f < end and first < e for f, e in barred):
        return False
    exact = [read for read in limits.exact_reads if read.function == quantity.table.function]
    return not limits.exact_reads or any(covers(read, place) for read in exact)


def _is_apart(quantity: Quantity, limits: Limits) -> bool:
    """Whether other registers lie between the two parts of a total, where the meter gives one quantity a read."""
    low = quantity.low_part
    if low is None or not limits.one_by_one:
        return False
    return low.register != quantity.register + quantity.words and low.end != quantity.register


def _only_so(quantity: Quantity) -> tuple[InTwo, ...]:
    """A total of two registers is divided where it is."""
    low = quantity.low_part
    if low is None:
        return ()
    return (InTwo((quantity.register, quantity.register + quantity.words), (low.register, low.end)),)


def _anyhow(quantity: Quantity) -> Iterator[InTwo]:
    """Of a total the longest low part first, since its high part changes the less often; of another number the longest
    high part, since no number that it goes with is false by more than one step of it.
    """
    first, end = quantity.first, quantity.end
    high_words = range(1, end - first)
    for words in high_words if quantity.kind is Kind.TOTAL else reversed(high_words):
        if quantity.word_order is WordOrder.HIGH_WORD_FIRST:
            yield InTwo((first, first + words), (first + words, end))
        else:
            yield InTwo((end - words, end), (first, end - words))


def covers(read: Read, place: Place) -> bool:
    """Whether the registers of a read include these."""
    return read.register <= place[0] and place[1] <= read.register + read.words


# --- what was read


@dataclass(frozen=True, slots=True)
class Guarded:
    """Three reads of a plan by their numbers: the high part before, the low part, the high part again."""

    before: int
    low: int
    again: int
    places: InTwo


def guarded(quantity: Quantity, plan: Sequence[Read]) -> Guarded | None:
    """The reads of a plan that bring a value in two requests; None where there are none. The plan alone tells it, so a
    stored one does.
    """
    if not can_be_in_two(quantity):
        return None
    touching = [k for k, read in enumerate(plan) if _touches(read, quantity)]
    if len(touching) < 3:
        return None
    return next((found for k in touching if (found := _around(quantity, plan, touching, k)) is not None), None)


def _touches(read: Read, quantity: Quantity) -> bool:
    inside = read.register < quantity.end and quantity.first < read.register + read.words
    return inside and read.function == quantity.table.function


def _around(quantity: Quantity, plan: Sequence[Read], touching: Sequence[int], low: int) -> Guarded | None:
    """The reads of the high part that are nearest to this one of the low part."""
    places = _divided_by(quantity, plan[low])
    if places is None:
        return None
    highs = [k for k in touching if covers(plan[k], places.high)]
    before = max((k for k in highs if k < low), default=None)
    again = min((k for k in highs if k > low), default=None)
    return None if before is None or again is None else Guarded(before, low, again, places)


def _divided_by(quantity: Quantity, read: Read) -> InTwo | None:
    """What a read of the low part leaves to the high part; None where it is none."""
    fixed = _only_so(quantity)
    if fixed:
        return fixed[0] if covers(read, fixed[0].low) else None
    end = read.register + read.words
    if quantity.word_order is WordOrder.HIGH_WORD_FIRST:
        divided = InTwo((quantity.first, read.register), (read.register, quantity.end))
        return divided if quantity.first < read.register and quantity.end <= end else None
    divided = InTwo((end, quantity.end), (quantity.first, end))
    return divided if read.register <= quantity.first and end < quantity.end else None


def joined(quantity: Quantity, found: Guarded, plan: Sequence[Read], contents: Sequence[bytes]) -> tuple[bytes, bool]:
    """The value's words from its first register to its last, those between two parts zero; and whether it is torn."""
    block = bytearray(2 * (quantity.end - quantity.first))
    high, low = found.places.high, found.places.low
    for k, place in ((found.before, high), (found.low, low)):
        start = 2 * (place[0] - quantity.first)
        words = _cut(plan[k], contents[k], place)
        block[start : start + len(words)] = words
    again = _cut(plan[found.again], contents[found.again], high)
    return bytes(block), again != _cut(plan[found.before], contents[found.before], high)


def _cut(read: Read, content: bytes, place: Place) -> bytes:
    return content[2 * (place[0] - read.register) : 2 * (place[1] - read.register)]

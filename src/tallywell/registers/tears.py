"""Where a total can tear inside a meter that renews its words one after another (pure).

Words of two instants make a value that is wrong by one carry between them, or by some: whole multiples of what the
lower words count.
"""

from collections.abc import Iterator

from tallywell.registers.quantity import Quantity, ValueType

DECIMAL_WORD, BINARY_WORD = 10_000, 2**16


def tears(quantity: Quantity) -> tuple[int, ...]:
    """By multiples of which counts a torn reading of this total is wrong, each once; the least first.

    Nothing is said of a float of several words, whose words do not count anything by themselves, and of a total that
    another register scales: its count would need the factor of an instant that is not known.
    """
    if quantity.factor is not None:
        return ()
    return tuple(sorted(set(_spans(quantity))))


def _spans(quantity: Quantity) -> Iterator[int]:
    low = quantity.low_part
    yield from _within(quantity.type, quantity.words, 1 if low is None else low.capacity)
    if low is not None:
        yield low.capacity
        yield from _within(low.type, low.words, 1)


def _within(type_: ValueType, words: int, unit: int) -> Iterator[int]:
    """Between the lowest word and the next; what is torn higher up is wrong by multiples of that, too."""
    if words > 1 and not type_.is_float:
        yield unit * (DECIMAL_WORD if type_.is_decimal else BINARY_WORD)

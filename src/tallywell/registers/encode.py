"""Values -> words: the inverse of decode, for the simulator and for tests."""

import math
from fractions import Fraction

from tallywell.registers.numbers import infinity, no_number, pattern_of_number, words_of_pattern
from tallywell.registers.quantity import Kind, Quantity, RegisterMap


def encode(register_map: RegisterMap, quantity: str, value: int | float | Fraction) -> bytes:
    """The words of `value` as they go on the wire.

    `value` is a whole count for a total, the bit pattern for bits, and the number in the quantity's unit for the rest.
    It goes to the nearest that the type holds, half to even; NaN and infinity go to a float as such.
    ValueError where the type cannot hold it.
    """
    found = register_map.quantities[quantity]
    pattern = _pattern(found, value)
    return words_of_pattern(pattern, found.words, found.word_order, found.byte_order)


def _pattern(quantity: Quantity, value: int | float | Fraction) -> int:
    if isinstance(value, float) and math.isnan(value):
        return no_number(quantity.type)
    if isinstance(value, float) and math.isinf(value):
        return infinity(quantity.type, negative=value < 0)
    return pattern_of_number(_raw(quantity, Fraction(value)), quantity.type)


def _raw(quantity: Quantity, value: Fraction) -> Fraction:
    if quantity.kind is Kind.TOTAL and quantity.type.is_float:
        assert quantity.one_count is not None
        assert quantity.si_per_unit is not None
        return value * quantity.one_count.si / (quantity.step * quantity.si_per_unit)
    if quantity.kind in (Kind.TOTAL, Kind.BITS):
        return value
    return (value - quantity.offset) / quantity.step

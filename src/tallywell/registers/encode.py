"""Values -> words: the inverse of decode, for the simulator and for tests."""

import math
from fractions import Fraction

from tallywell.registers.numbers import infinity, limits, no_number, pattern_of_number, words_of_pattern
from tallywell.registers.quantity import Kind, LowPart, Quantity, RegisterMap
from tallywell.registers.texts import words_of_text

Encodable = int | float | Fraction | str


def encode(register_map: RegisterMap, quantity: str, value: Encodable, factor: Fraction | None = None) -> bytes:
    """The words of `value` as they go on the wire, from the first register that the quantity needs to its last; of a
    table of bits its bits packed, the lowest first. Registers between a total and its low part are zero here.

    `value` is a whole count for a total, the bit pattern for bits, text for a text, a number or its name for an
    enumeration, and the number in the quantity's unit for the rest. It goes to the nearest that the type holds, half to
    even; a total that another register scales is cut, as a totalizer is. NaN and infinity go to a float as such.
    `factor`: what the other register multiplies by (`factors.factor_of`). ValueError where the type cannot hold it.
    """
    found = register_map.quantities[quantity]
    parts = encoded_parts(found, value, factor)
    if found.table.is_bits:
        return parts[0][1]
    block = bytearray(2 * (found.end - found.first))
    for register, words in parts:
        start = 2 * (register - found.first)
        block[start : start + len(words)] = words
    return bytes(block)


def encoded_parts(
    quantity: Quantity, value: Encodable, factor: Fraction | None = None
) -> tuple[tuple[int, bytes], ...]:
    """The same as runs of words that stand together, each with its first register: a low part stands by itself."""
    if quantity.factor is not None and factor is None:
        raise ValueError(f"{quantity.name} is scaled by {quantity.factor.quantity}, which is not given")
    if quantity.kind is Kind.TEXT:
        words = words_of_text(str(value), quantity.words, quantity.word_order, quantity.byte_order)
        return ((quantity.register, words),)
    number = number_named(quantity, value) if isinstance(value, str) else value
    if quantity.table.is_bits:
        return ((quantity.register, _packed(quantity, int(number))),)
    if quantity.low_part is not None:
        return _both(quantity, quantity.low_part, _counted(quantity, Fraction(number), factor))
    return ((quantity.register, _on_the_wire(quantity, _pattern(quantity, number, factor))),)


def number_named(quantity: Quantity, name: str) -> int:
    """The number of an enumeration's name; ValueError where it has none of that name."""
    for named in quantity.enumeration:
        if named.name == name:
            return named.number
    raise ValueError(f"{quantity.name} has no value that is named {name!r}")


def _packed(quantity: Quantity, pattern: int) -> bytes:
    if not 0 <= pattern < 1 << quantity.width:
        raise ValueError(f"{pattern} does not fit into {quantity.width} bits")
    return pattern.to_bytes((quantity.width + 7) // 8, "little")


def _pattern(quantity: Quantity, value: int | float | Fraction, factor: Fraction | None) -> int:
    if isinstance(value, float) and math.isnan(value):
        return no_number(quantity.type)
    if isinstance(value, float) and math.isinf(value):
        return infinity(quantity.type, negative=value < 0)
    return pattern_of_number(_raw(quantity, Fraction(value), factor), quantity.type, quantity.length)


def _on_the_wire(quantity: Quantity, pattern: int) -> bytes:
    return words_of_pattern(pattern, quantity.words, quantity.word_order, quantity.byte_order)


def _raw(quantity: Quantity, value: Fraction, factor: Fraction | None) -> Fraction:
    if quantity.kind is Kind.TOTAL and not quantity.type.is_float:
        return _counted(quantity, value, factor)
    if quantity.kind in (Kind.BITS, Kind.ENUMERATION):
        return value
    if quantity.kind is Kind.TOTAL:
        assert quantity.one_count is not None
        assert quantity.si_per_unit is not None
        value = value * quantity.one_count.si / quantity.si_per_unit
    return (value - quantity.offset) / (quantity.step * (factor or 1))


def _counted(quantity: Quantity, count: Fraction, factor: Fraction | None) -> Fraction:
    """The raw count that shows so many of the least counts."""
    if quantity.factor is None or factor is None:
        return count
    return Fraction(count * quantity.factor.least // factor)


def _both(quantity: Quantity, low: LowPart, count: Fraction) -> tuple[tuple[int, bytes], ...]:
    whole, rest = divmod(count, low.capacity)
    if not low.type.is_float and low.capacity - 1 > limits(low.type, low.words)[1]:
        raise ValueError(f"{low.type} cannot count to {low.capacity}")
    rest = rest / low.capacity if low.type.is_float else rest
    high = pattern_of_number(Fraction(whole), quantity.type, quantity.length)
    pattern = pattern_of_number(rest, low.type, low.length)
    words = words_of_pattern(pattern, low.words, quantity.low_word_order, quantity.byte_order)
    return (quantity.register, _on_the_wire(quantity, high)), (low.register, words)

"""Which reads a meter answers: the registers that are there, its limits, and what its map forbids. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass

from tallywell.readings.exchange import BIT_FUNCTIONS, MOST_BITS, MOST_WORDS
from tallywell.registers.in_two import in_two
from tallywell.registers.permitted import merged
from tallywell.registers.quantity import TABLE_OF, RegisterMap, Table

# Modbus Application Protocol V1.1b3, section 7
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4


@dataclass(frozen=True, slots=True)
class Refusal:
    """The meter answers, but with an exception code and no words."""

    code: int


def refusal(register_map: RegisterMap, function: int, register: int, words: int) -> Refusal | None:
    """Why this meter refuses a read; None where it answers.

    A table that no quantity is in is no table of this meter. `words` counts bits with functions 1 and 2.
    """
    table = TABLE_OF.get(function)
    if table is None or not any(q.table is table for q in register_map.quantities.values()):
        return Refusal(ILLEGAL_FUNCTION)
    if not 1 <= words <= most_at_once(register_map, function):
        return Refusal(ILLEGAL_VALUE)
    return None if _is_whole(register_map, table, register, words) else Refusal(ILLEGAL_ADDRESS)


def most_at_once(register_map: RegisterMap, function: int) -> int:
    """How many words (or bits) the meter gives in one answer."""
    limits = register_map.limits
    if function in BIT_FUNCTIONS:
        return min(MOST_BITS, limits.bits_per_read)
    return min(MOST_WORDS, limits.words_per_read)


def readable(register_map: RegisterMap, table: Table) -> frozenset[int]:
    """The registers of one table that a read may touch: those of quantities and those that the map calls harmless."""
    forbidden = {r for span in register_map.do_not_read if span.table is table for r in range(span.first, span.end)}
    return frozenset(_there(register_map, table)) - forbidden


def _is_whole(register_map: RegisterMap, table: Table, register: int, words: int) -> bool:
    """Whether this meter takes a read with just this start and length."""
    limits = register_map.limits
    if limits.exact_reads:
        asked = (table.function, register, words)
        return any(asked == (read.function, read.register, read.words) for read in limits.exact_reads)
    if limits.one_by_one:
        return (register, register + words) in _whole(register_map, table)
    return readable(register_map, table).issuperset(range(register, register + words))


def _there(register_map: RegisterMap, table: Table) -> Iterator[int]:
    safe = {r for span in register_map.safe_to_read if span.table is table for r in range(span.first, span.end)}
    yield from safe
    last_end: int | None = None
    for first, end in sorted(_whole(register_map, table)):
        gap = set() if last_end is None else set(range(last_end, first)) - safe
        if len(gap) <= register_map.limits.padding:
            yield from gap
        yield from range(first, end)
        last_end = end if last_end is None else max(last_end, end)


def _whole(register_map: RegisterMap, table: Table) -> Iterator[tuple[int, int]]:
    """From the first register to before the end: each quantity, or both its parts where it takes two requests, and what
    must come in one answer and so can.
    """
    for quantity in register_map.quantities.values():
        if quantity.table is table:
            two = in_two(quantity, register_map.limits, register_map.do_not_read)
            yield from ((quantity.first, quantity.end),) if two is None else two.places
    for names in merged(register_map.together):
        group = [q for q in map(register_map.quantities.__getitem__, names) if q.table is table]
        if group:
            yield min(q.first for q in group), max(q.end for q in group)

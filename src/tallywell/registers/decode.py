"""Words -> values, by the map. Never an exception for what a meter sends: a value that cannot be kept has a fault."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.registers.numbers import bounds_of_pattern, number_of_pattern, pattern_of_words
from tallywell.registers.quantity import Kind, Meaning, Quantity, RegisterMap
from tallywell.registers.shown import bits_shown, number_shown


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity as it came. `raw`: its own words as on the wire. `number`: exact, in `unit`; `si`: m3, m3/s, m or s.

    With a `fault` (no_value, out_of_range, plan_mismatch) neither `total` nor `si` is given; `number` may be, to show.
    `total` is given for totals, `bits` (the names of the bits that are set) for status words.
    """

    about: Quantity = field(repr=False)
    raw: bytes
    number: Fraction | None = None
    si: Fraction | None = None
    total: Total | None = None
    bits: frozenset[str] = frozenset()
    fault: Fault | None = None

    @property
    def quantity(self) -> str:
        return self.about.name

    @property
    def unit(self) -> str:
        return self.about.unit

    @property
    def shown(self) -> str:
        """For people: "842.1 gpm", "external_power", "no value". Made when asked for, as books never ask."""
        if self.fault is Fault.PLAN_MISMATCH:
            return "does not fit the plan"
        if self.number is None:
            return "no value"
        if self.about.kind is Kind.BITS:
            return bits_shown(self.number.numerator, self.about)
        text = number_shown(self.number, self.about)
        return text if self.fault is None else f"{text} (out of range)"


@dataclass(frozen=True, slots=True)
class Decoded:
    """One pass decoded: `values` by quantity name, only of those reads that came (or all, each with plan_mismatch).

    `not_counting`: names of set bits by which the meter itself says that it is not counting.
    """

    values: Mapping[str, Value] = field(hash=False)
    books: Value | None = None
    not_counting: frozenset[str] = frozenset()


def decode(register_map: RegisterMap, reads: Sequence[Read], got: int, raw: bytes) -> Decoded:
    """Decode one stored pass. `got` bit k = read k came; `raw` = only the words of those reads, in the plan's order.

    A quantity that lies in none of the reads that came has no value here. Where `raw` has another length than those
    reads, or `got` names reads that are not in the plan, every planned quantity has the fault plan_mismatch.
    """
    came = _came(reads, got, raw)
    values = {quantity.name: value for quantity, value in _values(register_map, reads, came)}
    books = register_map.books
    return Decoded(
        values,
        books=values.get(books.name) if books else None,
        not_counting=_not_counting(register_map, values),
    )


def _came(reads: Sequence[Read], got: int, raw: bytes) -> tuple[tuple[Read, bytes], ...] | None:
    """The reads that came, each with its bytes; None where plan and bytes do not fit one another."""
    came, end = [], 0
    for k, read in enumerate(reads):
        if got >> k & 1:
            begin, end = end, end + 2 * read.words
            came.append((read, raw[begin:end]))
    return None if got < 0 or got >> len(reads) or len(raw) != end else tuple(came)


def _values(
    register_map: RegisterMap, reads: Sequence[Read], came: tuple[tuple[Read, bytes], ...] | None
) -> Iterator[tuple[Quantity, Value]]:
    for quantity in register_map.quantities.values():
        if came is None:
            if any(holds(read, quantity) for read in reads):
                yield quantity, Value(quantity, b"", fault=Fault.PLAN_MISMATCH)
            continue
        for read, words in came:
            if holds(read, quantity):
                start = 2 * (quantity.register - read.register)
                yield quantity, value_of(quantity, words[start : start + 2 * quantity.words])
                break


def holds(read: Read, quantity: Quantity) -> bool:
    """Whether a read brings all words of a quantity."""
    inside = read.register <= quantity.register and quantity.end <= read.register + read.words
    return inside and read.function == quantity.table.function


def value_of(quantity: Quantity, raw: bytes) -> Value:
    """One quantity from its own words, as they came on the wire."""
    pattern = pattern_of_words(raw, quantity.word_order, quantity.byte_order)
    number = number_of_pattern(pattern, quantity.type)
    if number is None or pattern in quantity.no_value:
        return Value(quantity, raw, fault=Fault.NO_VALUE)
    if quantity.kind is Kind.BITS:
        names = frozenset(bit.name for bit in quantity.bits if pattern >> bit.number & 1)
        return Value(quantity, raw, Fraction(pattern), bits=names)
    total = _total(quantity, pattern, number) if quantity.kind is Kind.TOTAL else None
    number = number if quantity.step == 1 else number * quantity.step
    number = number + quantity.offset if quantity.offset else number
    if not quantity.valid.holds(number) or (quantity.kind is Kind.TOTAL and total is None):
        return Value(quantity, raw, number, fault=Fault.OUT_OF_RANGE)
    si = None if quantity.si_per_unit is None else number * quantity.si_per_unit
    return Value(quantity, raw, number, si, total)


def _total(quantity: Quantity, pattern: int, number: Fraction) -> Total | None:
    """The whole count with its bounds; None where no count of this totalizer can stand behind the words.

    A float may round the last counts before the rollover up to the capacity itself (99,999,999 is sent as 100,000,000
    in binary32), so the range is judged by the bounds and the count is kept inside it.
    """
    assert quantity.capacity is not None
    count, low, high = _counts(quantity, pattern, number)
    greatest = quantity.capacity - 1
    least = -greatest if quantity.is_net else 0
    if quantity.is_net and quantity.capacity == 1 << quantity.type.bits:
        return Total(count, low, high)  # a net total that goes through all of a signed type
    if low > greatest or high < least:
        return None
    return Total(min(max(count, least), greatest), max(low, least), min(high, greatest))


def _counts(quantity: Quantity, pattern: int, number: Fraction) -> tuple[int, int, int]:
    """The nearest whole count, half to even, and the least and greatest that the wire rounds to this float.

    Where it rounds none to it (the meter's grain is finer than the books'), the nearest count stands alone.
    """
    if not quantity.type.is_float:
        return number.numerator, number.numerator, number.numerator
    assert quantity.one_count is not None
    assert quantity.si_per_unit is not None
    per_raw = quantity.step * quantity.si_per_unit / quantity.one_count.si
    below, above = bounds_of_pattern(pattern, quantity.type)
    count = round(number * per_raw)
    return count, min(count, math.ceil(below * per_raw)), max(count, math.floor(above * per_raw))


def _not_counting(register_map: RegisterMap, values: Mapping[str, Value]) -> frozenset[str]:
    return frozenset(
        bit.name
        for name, value in values.items()
        for bit in register_map.quantities[name].bits
        if bit.means is Meaning.NOT_COUNTING and bit.name in value.bits
    )

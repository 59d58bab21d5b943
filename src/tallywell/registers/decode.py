"""Words -> values, by the map. Never an exception for what a meter sends: a value that cannot be kept has a fault."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from tallywell.readings.exchange import BIT_FUNCTIONS, Read
from tallywell.readings.faults import Fault
from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total
from tallywell.registers.factors import factor_of
from tallywell.registers.in_two import guarded, joined
from tallywell.registers.numbers import bounds_of_pattern, number_of_pattern, pattern_of_words
from tallywell.registers.quantity import Factor, Kind, LowPart, Meaning, Quantity, RegisterMap
from tallywell.registers.shown import bits_shown, number_shown
from tallywell.registers.texts import text_of_words

_ONE = Fraction(1)


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity as it came. `raw`: its own words as on the wire, from the first that it needs to the last; bits of a
    table of bits packed from its own first bit on. `number`: exact, in `unit`; `si`: m3, m3/s, m or s.

    With a `fault` (no_value, out_of_range, torn, plan_mismatch) neither `total` nor `si` is given; `number` may be, to
    show. `total` is given for totals; `bits` of status words: the names of the conditions that hold; `text` of texts,
    and of an enumeration the name of its number (None: it has none). `factor`: what another register multiplied it by.
    """

    about: Quantity = field(repr=False)
    raw: bytes
    number: Fraction | None = None
    si: Fraction | None = None
    total: Total | None = None
    bits: frozenset[str] = frozenset()
    fault: Fault | None = None
    text: str | None = None
    factor: Fraction = _ONE

    @property
    def quantity(self) -> str:
        return self.about.name

    @property
    def unit(self) -> str:
        return self.about.unit

    @property
    def scale(self) -> Scale | None:
        """What the counts of `total` stand for; by a register that scales itself it goes round later the greater its
        factor is. None where there is no total.
        """
        if self.total is None:
            return None
        scale, times = self.about.scale, _times(self.about, self.factor)
        return scale if times in (None, 1) else Scale(scale.one_count_m3, scale.capacity * times)

    @property
    def as_expected(self) -> bool:
        """Whether a setting reads as the map is written for; True where the map does not say."""
        expected = self.about.expected
        return not expected or self.text in expected or self.number in expected

    @property
    def shown(self) -> str:
        """For people: "842.1 gpm", "external_power", "no value". Made when asked for, as books never ask."""
        if self.fault is Fault.PLAN_MISMATCH:
            return "does not fit the plan"
        if self.fault is Fault.TORN:
            return "torn"
        if self.text is not None:
            return self.text or "blank"
        if self.number is None:
            return "out of range" if self.fault is Fault.OUT_OF_RANGE else "no value"
        if self.about.kind is Kind.BITS:
            return bits_shown(self.number.numerator, self.about)
        text = number_shown(self.number, self.about, self.factor)
        return text if self.fault is None else f"{text} (out of range)"


@dataclass(frozen=True, slots=True)
class Decoded:
    """One pass decoded: `values` by quantity name, only of those reads that came (or all, each with plan_mismatch).

    `not_counting`: names of conditions that hold by which the meter itself says that it is not counting; `suspect`:
    those by which its numbers are not to be trusted.
    """

    values: Mapping[str, Value] = field(hash=False)
    books: Value | None = None
    not_counting: frozenset[str] = frozenset()
    suspect: frozenset[str] = frozenset()


def decode(register_map: RegisterMap, reads: Sequence[Read], got: int, raw: bytes) -> Decoded:
    """Decode one stored pass. `got` bit k = read k came; `raw` = only the content of those reads, in the plan's order.

    A quantity that lies in none of the reads that came has no value here, nor has one whose factor is still to come.
    Where `raw` has another length than those reads, or `got` names reads that are not in the plan, every planned
    quantity has the fault plan_mismatch; so has one whose factor is not in the plan at all.
    """
    came = _came(reads, got, raw)
    values = {value.quantity: value for value in _values(register_map, reads, came)}
    books = register_map.books
    return Decoded(
        values,
        books=values.get(books.name) if books else None,
        not_counting=conditions(values, Meaning.NOT_COUNTING),
        suspect=conditions(values, Meaning.SUSPECT),
    )


def _came(reads: Sequence[Read], got: int, raw: bytes) -> tuple[tuple[Read, bytes], ...] | None:
    """The reads that came, each with its bytes; None where plan and bytes do not fit one another."""
    came, end = [], 0
    for k, read in enumerate(reads):
        if got >> k & 1:
            begin, end = end, end + read.content_bytes
            came.append((read, raw[begin:end]))
    return None if got < 0 or got >> len(reads) or len(raw) != end else tuple(came)


def _values(
    register_map: RegisterMap, reads: Sequence[Read], came: tuple[tuple[Read, bytes], ...] | None
) -> Iterator[Value]:
    for quantity in register_map.quantities.values():
        if came is None:
            if bringing(register_map, reads, quantity):
                yield Value(quantity, b"", fault=Fault.PLAN_MISMATCH)
            continue
        words = _words(register_map, quantity, came)
        if words is None:
            continue
        if words.torn:
            yield Value(quantity, words.raw, fault=Fault.TORN)
        elif quantity.factor is None:
            yield value_of(quantity, words.raw)
        else:
            yield from _scaled(register_map, reads, came, quantity, words.raw)


def _scaled(
    register_map: RegisterMap,
    reads: Sequence[Read],
    came: tuple[tuple[Read, bytes], ...],
    quantity: Quantity,
    words: bytes,
) -> Iterator[Value]:
    """The value of a quantity that another register of the same pass multiplies; none where that one did not come."""
    assert quantity.factor is not None
    scaler = register_map.quantities.get(quantity.factor.quantity)
    if scaler is None or not bringing(register_map, reads, scaler):
        yield Value(quantity, words, fault=Fault.PLAN_MISMATCH)
        return
    its_words = _words(register_map, scaler, came)
    if its_words is None:
        return
    torn = Value(scaler, its_words.raw, fault=Fault.TORN)
    factor = _factor(quantity.factor, torn if its_words.torn else value_of(scaler, its_words.raw))
    yield Value(quantity, words, fault=factor) if isinstance(factor, Fault) else value_of(quantity, words, factor)


def _factor(factor: Factor, value: Value) -> Fraction | Fault:
    if value.fault is not None or value.number is None:
        return value.fault or Fault.NO_VALUE
    found = factor_of(factor, value.number)
    return Fault.OUT_OF_RANGE if found is None else found


@dataclass(frozen=True, slots=True)
class _Words:
    """A quantity's own words. `torn`: they came in two requests, and the high part changed in between."""

    raw: bytes
    torn: bool = False


def _words(register_map: RegisterMap, quantity: Quantity, came: tuple[tuple[Read, bytes], ...]) -> _Words | None:
    """A quantity's own words; its own bits packed anew from the first, as no bit of a neighbour is its own."""
    for read, content in came:
        if not brings(register_map, read, quantity):
            continue
        start = quantity.first - read.register
        if read.function not in BIT_FUNCTIONS:
            return _Words(content[2 * start : 2 * (quantity.end - read.register)])
        pattern = int.from_bytes(content, "little") >> start & ((1 << quantity.width) - 1)
        return _Words(pattern.to_bytes((quantity.width + 7) // 8, "little"))
    if len(came) < 3:
        return None
    plan = [read for read, _ in came]
    found = None if _is_grouped(register_map, quantity) else guarded(quantity, plan)
    return None if found is None else _Words(*joined(quantity, found, plan, [content for _, content in came]))


def bringing(register_map: RegisterMap, plan: Sequence[Read], quantity: Quantity) -> tuple[int, ...]:
    """The numbers of the reads of a plan that a value is taken from: one, or the three of its high part, its low part
    and its high part again; none where the plan does not bring it.
    """
    for number, read in enumerate(plan):
        if brings(register_map, read, quantity):
            return (number,)
    found = None if _is_grouped(register_map, quantity) else guarded(quantity, plan)
    return () if found is None else (found.before, found.low, found.again)


def _is_grouped(register_map: RegisterMap, quantity: Quantity) -> bool:
    return any(quantity.name in group for group in register_map.together)


def brings(register_map: RegisterMap, read: Read, quantity: Quantity) -> bool:
    """Whether a value is taken from this read: it holds the quantity and all that makes sense only together with it.

    Part of a group may lie in another read in passing, a moment apart.
    """
    for group in register_map.together:
        if quantity.name in group:
            there = (register_map.quantities[name] for name in group if name in register_map.quantities)
            return all(holds(read, member) for member in there)
    return holds(read, quantity)


def holds(read: Read, quantity: Quantity) -> bool:
    """Whether a read brings all that a quantity needs, a low part included."""
    inside = read.register <= quantity.first and quantity.end <= read.register + read.words
    return inside and read.function == quantity.table.function


def value_of(quantity: Quantity, raw: bytes, factor: Fraction | None = None) -> Value:
    """One quantity from its own words, as they came on the wire (in a table of bits: packed, the lowest first).

    `factor`: what another register multiplies it by; without it a quantity that needs one has no value.
    """
    if quantity.kind is Kind.TEXT:
        return Value(quantity, raw, text=text_of_words(raw, quantity.word_order, quantity.byte_order))
    pattern = _pattern(quantity, raw)
    if quantity.kind is Kind.BITS:
        return _status(quantity, raw, pattern)
    number = number_of_pattern(pattern, quantity.type)
    if number is None or pattern in quantity.no_value or (quantity.factor is not None and factor is None):
        return Value(quantity, raw, fault=Fault.NO_VALUE)
    if quantity.kind is Kind.ENUMERATION:
        name = next((named.name for named in quantity.enumeration if named.number == number), None)
        return Value(quantity, raw, number, text=name)
    if quantity.kind is Kind.TOTAL:
        return _total_value(quantity, raw, pattern, number, factor or _ONE)
    return _judged(quantity, raw, _in_unit(quantity, number, factor or _ONE), factor or _ONE)


def _pattern(quantity: Quantity, raw: bytes) -> int:
    """The pattern at `register`, where a low part may stand before or behind it."""
    if quantity.table.is_bits:
        return int.from_bytes(raw, "little") & ((1 << quantity.width) - 1)
    if quantity.low_part is not None:
        start = 2 * (quantity.register - quantity.first)
        raw = raw[start : start + 2 * quantity.words]
    return pattern_of_words(raw, quantity.word_order, quantity.byte_order)


def _status(quantity: Quantity, raw: bytes, pattern: int) -> Value:
    if pattern in quantity.no_value:
        return Value(quantity, raw, fault=Fault.NO_VALUE)
    names = frozenset(bit.name for bit in quantity.bits if pattern >> bit.number & 1 == bit.when)
    return Value(quantity, raw, Fraction(pattern), bits=names)


def _in_unit(quantity: Quantity, number: Fraction, factor: Fraction) -> Fraction:
    number = number if factor is _ONE else number * factor
    number = number if quantity.step == 1 else number * quantity.step
    return number + quantity.offset if quantity.offset else number


def _judged(quantity: Quantity, raw: bytes, number: Fraction, factor: Fraction, total: Total | None = None) -> Value:
    """With its number in SI units; or out of range."""
    if not quantity.valid.holds(number) or (quantity.kind is Kind.TOTAL and total is None):
        return Value(quantity, raw, number, fault=Fault.OUT_OF_RANGE, factor=factor)
    si = None if quantity.si_per_unit is None else number * quantity.si_per_unit
    return Value(quantity, raw, number, si, total, factor=factor)


def _total_value(quantity: Quantity, raw: bytes, pattern: int, number: Fraction, factor: Fraction) -> Value:
    counts = _low(quantity, raw, number) if quantity.low_part else _counts(quantity, pattern, number, factor)
    if isinstance(counts, Fault):
        return Value(quantity, raw, fault=counts)
    if quantity.low_part is not None:
        number = Fraction(counts[0])
    return _judged(quantity, raw, _in_unit(quantity, number, factor), factor, _total(quantity, counts, factor))


def _total(quantity: Quantity, counts: tuple[int, int, int], factor: Fraction) -> Total | None:
    """The whole count with its bounds; None where no count of this totalizer can stand behind the words.

    A float may round the last counts before the rollover up to the capacity itself (99,999,999 is sent as 100,000,000
    in binary32), so the range is judged by the bounds and the count is kept inside it.
    """
    assert quantity.capacity is not None
    times, (count, low, high) = _times(quantity, factor), counts
    if times is None:
        return None
    greatest = quantity.capacity - 1
    least = -greatest if quantity.is_net else 0
    if quantity.is_net and quantity.type.is_signed and quantity.capacity == 1 << quantity.width:
        least, greatest = low, high  # a net total that goes through all of a signed type
    if low > greatest or high < least:
        return None
    kept = Total(min(max(count, least), greatest), max(low, least), min(high, greatest))
    return kept if times == 1 else _widened(kept, times, is_net=quantity.is_net)


def _times(quantity: Quantity, factor: Fraction) -> int | None:
    """How many of the least counts one raw count is now; None where that is no whole number of them.

    A float total has its grain stated, so its counts stay as they are.
    """
    if quantity.factor is None or quantity.type.is_float:
        return 1
    times = factor / quantity.factor.least
    return times.numerator if times.denominator == 1 else None


def _widened(raw: Total, times: int, *, is_net: bool) -> Total:
    """A register of coarse counts may be cut or rounded; one that counts both ways may be cut in either direction."""
    cut = times - 1
    low = raw.low * times - (cut if is_net else times // 2)
    return Total(raw.count * times, low if is_net else max(0, low), raw.high * times + cut)


def _counts(quantity: Quantity, pattern: int, number: Fraction, factor: Fraction) -> tuple[int, int, int]:
    """The nearest whole count, half to even, and the least and greatest that the wire rounds to this float.

    Where it rounds none to it (the meter's grain is finer than the books'), the nearest count stands alone.
    """
    if not quantity.type.is_float:
        return number.numerator, number.numerator, number.numerator
    assert quantity.one_count is not None
    assert quantity.si_per_unit is not None
    per_raw = factor * quantity.step * quantity.si_per_unit / quantity.one_count.si
    below, above = bounds_of_pattern(pattern, quantity.type)
    count = round(number * per_raw)
    return count, min(count, math.ceil(below * per_raw)), max(count, math.floor(above * per_raw))


def _low(quantity: Quantity, raw: bytes, high: Fraction) -> tuple[int, int, int] | Fault:
    """The raw count of a total of two registers, with its bounds."""
    low = quantity.low_part
    assert low is not None
    start = 2 * (low.register - quantity.first)
    pattern = pattern_of_words(raw[start : start + 2 * low.words], quantity.low_word_order, quantity.byte_order)
    number = number_of_pattern(pattern, low.type)
    if number is None:
        return Fault.NO_VALUE
    base = high.numerator * low.capacity
    if low.type.is_float:
        return _fraction_of_count(low, pattern, number, base)
    if not 0 <= number < low.capacity:
        return Fault.OUT_OF_RANGE
    count = base + number.numerator
    return count, count, count


def _fraction_of_count(low: LowPart, pattern: int, number: Fraction, base: int) -> tuple[int, int, int] | Fault:
    """0.99999999 is sent as 1 in binary32, so the fraction's range is judged by its bounds."""
    below, above = bounds_of_pattern(pattern, low.type)
    if below >= 1 or above <= 0:
        return Fault.OUT_OF_RANGE
    count = base + round(number * low.capacity)
    bounds = base + math.ceil(below * low.capacity), base + math.floor(above * low.capacity)
    return count, min(count, max(base, bounds[0])), max(count, bounds[1])


def conditions(values: Mapping[str, Value], meaning: Meaning) -> frozenset[str]:
    """Names of all conditions of one meaning that hold, of status words and of enumerations."""
    return frozenset(name for value in values.values() for name in _held(value, meaning))


def _held(value: Value, meaning: Meaning) -> Iterator[str]:
    for bit in value.about.bits:
        if bit.means is meaning and bit.name in value.bits:
            yield bit.name
    for named in value.about.enumeration:
        if named.means is meaning and named.number == value.number:
            yield named.name

"""Words and what the meter's face shows -> in which arrangement, of which type and from which register they agree.

The person who writes a map has a few words, read off or printed in a manual, and the number that the display shows. All
types at all registers among the words, with both orders of words and of bytes, and totals of two registers, are few
enough to be tried one by one.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product

from tallywell.readings import units
from tallywell.readings.faults import Fault
from tallywell.registers.decode import Value
from tallywell.registers.numbers import limits, number_of_pattern, pattern_of_words
from tallywell.registers.quantity import ByteOrder, Kind, Quantity, ValueType, WordOrder

MOST_POWER = 6  # of ten, between a register and a display
LEAST_DIGITS = 3  # fewer, moved by a power of ten that the map does not have, are met by chance
LOW_CAPACITIES = (100, 1000, 10_000, 100_000, 1_000_000)
GRAINS_OF_FRACTION = 1000  # of a fraction in a register of its own; binary32 tells them apart, and faces show no more
MOST_FLOW = Fraction(30)  # m3/s: a river rather than a pipe
LEAST_FLOAT, MOST_FLOAT = Fraction(1, 10**9), Fraction(10**13)
_FIXED = (
    ValueType.UINT16, ValueType.INT16, ValueType.UINT32, ValueType.INT32, ValueType.FLOAT32, ValueType.UINT64,
    ValueType.INT64, ValueType.FLOAT64,
)  # fmt: skip
_DECIMAL = ((ValueType.BCD, (1, 2, 3, 4)), (ValueType.MODULO_10000, (2, 3, 4)))
_UNSIGNED = (ValueType.UINT16, ValueType.UINT32)


@dataclass(frozen=True, slots=True)
class Arrangement:
    """One way to read words: `register` as on the wire. `low_type`, `low_words`, `low_capacity`, `low_register`: of a
    total of two registers, the low part that lies behind the high one or before it; a float is a fraction of the high.
    """

    register: int
    type: ValueType
    words: int
    word_order: WordOrder
    byte_order: ByteOrder
    low_type: ValueType | None = None
    low_words: int = 0
    low_capacity: int = 0
    low_register: int = 0

    @property
    def first(self) -> int:
        return min(self.register, self.low_register) if self.low_type else self.register

    @property
    def end(self) -> int:
        end = self.register + self.words
        return max(end, self.low_register + self.low_words) if self.low_type else end

    @property
    def most(self) -> int | None:
        """How many counts it can tell apart from zero on; None of a float, which does not say."""
        if self.type.is_float:
            return None
        return (limits(self.type, self.words)[1] + 1) * (self.low_capacity if self.low_type else 1)

    @property
    def is_ordered(self) -> bool:
        """Whether a part of it has several words, so that they come in an order."""
        return max(self.words, self.low_words) > 1


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the display shows; `step`: one of its last digit. `kind` and `unit` where a unit was typed."""

    number: Fraction
    step: Fraction
    unit: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Match:
    """`raw`: the number that the words make; the display shows `raw x 10^power` (in `unit` where one was asked for).

    `exact`: to the last digit typed, not only within one step of it. `distance`: how far it is from what the map says.
    """

    arrangement: Arrangement
    raw: Fraction
    power: int
    unit: str
    exact: bool
    distance: int


def wanted(text: str) -> Wanted:
    """A display's value as typed: "1234567", "12,345.67" or "1234567 gal". ValueError says what is wrong."""
    bare, _, unit = text.strip().partition(" ")
    number = units.number(bare)
    decimals = len(bare.partition(".")[2])
    kind = next((kind for kind in ("volume", "flow rate") if unit in units.KINDS[kind]), "")
    if unit and not kind:
        raise ValueError(f"{unit!r} is no unit of volume or flow rate known here")
    if not number:
        raise ValueError("zero words are zero in every arrangement; take a moment when the display shows something")
    return Wanted(number, Fraction(1, 10**decimals), unit, kind)


def arrangements(words: int, register: int) -> Iterator[Arrangement]:
    """Every way to read a number in so many words from `register` on; one word has no order of words."""
    for first in range(words):
        for kind, length in _kinds(words - first):
            for byte_order in ByteOrder:
                for word_order in WordOrder if length > 1 else (WordOrder.HIGH_WORD_FIRST,):
                    yield Arrangement(register + first, kind, length, word_order, byte_order)


def _kinds(most: int) -> Iterator[tuple[ValueType, int]]:
    yield from ((kind, kind.words) for kind in _FIXED if kind.words <= most)
    yield from ((kind, length) for kind, lengths in _DECIMAL for length in lengths if length <= most)


def two_registers(words: int, register: int) -> Iterator[Arrangement]:
    """Totals of a high and a low part side by side, the high byte first; both parts have one order of words."""
    for first in range(register, register + words):
        for high, low in product(_UNSIGNED, (*_UNSIGNED, ValueType.FLOAT32)):
            if first + high.words + low.words > register + words:
                continue
            places = ((first, first + high.words), (first + low.words, first))
            orders = WordOrder if max(high.words, low.words) > 1 else (WordOrder.HIGH_WORD_FIRST,)
            capacities = (GRAINS_OF_FRACTION,) if low.is_float else LOW_CAPACITIES
            for (at, low_at), order, capacity in product(places, orders, capacities):
                if capacity <= 1 << low.bits:
                    byte_order = ByteOrder.HIGH_BYTE_FIRST
                    yield Arrangement(at, high, high.words, order, byte_order, low, low.words, capacity, low_at)


def as_mapped(words: int, register: int, mapped: Quantity | None) -> Iterator[Arrangement]:
    """A mapped total of two registers in every order, and as a whole at every register where it fits."""
    low = None if mapped is None else mapped.low_part
    if mapped is None or low is None:
        return
    for on in range(register - mapped.first, register + words - mapped.end + 1):
        for word_order, byte_order in product(WordOrder, ByteOrder):
            at, low_at = mapped.register + on, low.register + on
            high = Arrangement(at, mapped.type, mapped.words, word_order, byte_order)
            yield replace(high, low_type=low.type, low_words=low.words, low_capacity=low.capacity, low_register=low_at)


def number_in(words: bytes, register: int, how: Arrangement) -> Fraction | None:
    """The number that the words (from `register` on) make; None where it is none or a low part is out of its range."""
    high = _number(words, how.register - register, how.words, how, how.type)
    if how.low_type is None or high is None:
        return high
    low = _number(words, how.low_register - register, how.low_words, how, how.low_type)
    if low is not None and how.low_type.is_float:
        low = Fraction(round(low * how.low_capacity)) if 0 <= low < 1 else None
    return None if low is None or not 0 <= low < how.low_capacity else high * how.low_capacity + low


def _number(words: bytes, first: int, length: int, how: Arrangement, kind: ValueType) -> Fraction | None:
    part = words[2 * first : 2 * (first + length)]
    return number_of_pattern(pattern_of_words(part, how.word_order, how.byte_order), kind)


def matches(words: bytes, register: int, target: Wanted, mapped: Quantity | None) -> list[Match]:
    """All arrangements in which the words make what the display shows, the nearest to what the map says first."""
    count = len(words) // 2
    found = []
    every = (*arrangements(count, register), *as_mapped(count, register, mapped), *two_registers(count, register))
    for how in every:
        raw = number_in(words, register, how)
        if not raw or (how.low_type and not raw % how.low_capacity):
            continue  # zero is every arrangement's zero and proves nothing
        for scale in _scales(raw, target, mapped):
            proven = _is_usual(scale[0], scale[1], mapped) or (not scale[0] and _is_as_mapped(how, mapped))
            if proven or significant(raw) >= LEAST_DIGITS:
                found.append(Match(how, raw, *scale, _distance(how, scale, mapped)))
    found.sort(key=lambda match: (match.distance, match.arrangement.register, match.arrangement.words))
    return _told_apart(found)


def significant(number: Fraction) -> int:
    """How many digits of a whole number tell something: 1,200 has two. A number with a fraction has plenty."""
    return len(str(abs(number.numerator)).rstrip("0")) if number.denominator == 1 else LEAST_DIGITS


def _scales(raw: Fraction, target: Wanted, mapped: Quantity | None) -> Iterator[tuple[int, str, bool]]:
    """(power of ten, unit, exact) by which the raw number is what the display shows.

    Where a unit was typed the register may count in another of the same kind; that of the map is tried first.
    """
    if not target.kind:
        power = _power(raw, target.number, target.step)
        if power is not None:
            yield (*power[:1], "", power[1])
        return
    known = units.KINDS[target.kind]
    first = [mapped.unit] if mapped is not None and mapped.unit in known else []
    for unit in dict.fromkeys([*first, target.unit, *known]):
        times = known[unit] / known[target.unit]
        power = _power(raw * times, target.number, target.step)
        if power is not None:
            yield power[0], unit, power[1]


def _power(number: Fraction, shown: Fraction, step: Fraction) -> tuple[int, bool] | None:
    """The power of ten that makes a number what is shown; a display cuts off, so one step of its last digit is free."""
    about = _power_of_ten(shown) - _power_of_ten(number)
    for power in (about, about - 1, about + 1):
        scaled = number * Fraction(10) ** power if abs(power) <= MOST_POWER else None
        if scaled == shown:
            return power, True
        # Two digits can be met by chance; from three on, digits that are cut off still prove something.
        if scaled is not None and abs(scaled - shown) < step <= abs(shown) / 100 and _is_finer(scaled, step):
            return power, False
    return None


def _power_of_ten(number: Fraction) -> int:
    """Within one of the power of ten at the number's first digit: a bit is 0.30103 of a digit."""
    return round((number.numerator.bit_length() - number.denominator.bit_length()) * 0.30103)


def _is_finer(scaled: Fraction, step: Fraction) -> bool:
    """Whether the words tell more than the display's last digit, so that something was cut off."""
    return (scaled / step).denominator != 1


def _distance(how: Arrangement, scale: tuple[int, str, bool], mapped: Quantity | None) -> int:
    """How many slips, weighed by how rare each is, lie between the map and this reading."""
    power, unit, is_exact = scale
    cost = 0 if is_exact else 1
    cost += 0 if how.low_type is None or _has_low_part(how, mapped) else 3 if how.low_register > how.register else 4
    cost += 2 if how.byte_order is ByteOrder.LOW_BYTE_FIRST else 0
    if mapped is None:
        return cost + (1 if power else 0) + (0 if unit == "" else 1)
    cost += 0 if how.register == mapped.register else 2 + abs(how.register - mapped.register)
    cost += 3 if mapped.low_part is not None and how.low_type is None else 0
    cost += _other_type(how, mapped)
    cost += 1 if how.is_ordered and how.word_order is not mapped.word_order else 0
    cost += 0 if unit in ("", mapped.unit) else 2
    return cost + (0 if _is_usual(power, unit, mapped) else 1)


def _other_type(how: Arrangement, mapped: Quantity) -> int:
    if how.type is mapped.type:
        return 0 if how.words == mapped.words else 1
    return 2 if how.words == mapped.words else 3


def _has_low_part(how: Arrangement, mapped: Quantity | None) -> bool:
    """Whether its low part is that of the map, as far from the high one."""
    low = None if mapped is None else mapped.low_part
    if mapped is None or low is None:
        return False
    part = (low.type, low.words, low.capacity, low.register - mapped.register)
    return part == (how.low_type, how.low_words, how.low_capacity, how.low_register - how.register)


def _is_as_mapped(how: Arrangement, mapped: Quantity | None) -> bool:
    if mapped is None or how.low_type:
        return False
    orders = how.words == 1 or (how.word_order, how.byte_order) == (mapped.word_order, mapped.byte_order)
    return orders and (how.register, how.type, how.words) == (mapped.register, mapped.type, mapped.words)


def _is_usual(power: int, unit: str, mapped: Quantity | None) -> bool:
    """Whether the map multiplies so; without a unit the display may show raw counts as well. Where another register
    multiplies and is not known, any power may be its.
    """
    if not unit and not power:
        return True
    if mapped is not None and mapped.factor is not None and unit == mapped.unit:
        return True
    return mapped is not None and unit in ("", mapped.unit) and mapped.step == Fraction(10) ** power


def _told_apart(found: list[Match]) -> list[Match]:
    """The nearest of those that are one: in several units, or signed and unsigned where the number is both."""
    kept: dict[tuple[object, ...], Match] = {}
    for match in found:
        how = match.arrangement
        kind = how.type.removeprefix("u") if match.raw > 0 else str(how.type)
        parts = (how.low_type, how.low_capacity, how.low_register)
        kept.setdefault((kind, how.register, how.words, how.word_order, how.byte_order, *parts), match)
    return list(kept.values())


def agrees(value: Value, target: Wanted) -> bool:
    """Whether a decoded value is what the display shows: as a volume or rate where a unit was typed, else as a number
    in the map's unit, as a count, or as the face that the map describes. A display cuts off, so one step of its last
    digit is free.
    """
    if value.fault is not None or value.number is None:
        return False
    if target.kind:
        si = units.KINDS[target.kind][target.unit]
        right_kind = value.about.unit in units.KINDS[target.kind]
        return right_kind and value.si is not None and abs(value.si / si - target.number) < target.step
    return any(abs(number - target.number) < target.step for number in (value.number, *_counts(value)))


def _counts(value: Value) -> Iterator[Fraction]:
    """A total's count, and the digits that have fully turned on the face that the map describes."""
    if value.total is not None:
        count, display = value.total.count, value.about.display
        yield Fraction(count)
        if display is not None:
            yield Fraction(count * value.about.scale.one_count_m3 // display.one_count.si % 10**display.digits)


def odd(value: Value) -> str | None:
    """Why a number looks as if its words were read in another arrangement than they were sent; None where it does not.

    Words in a wrong order or of a wrong type make numbers far from any meter's; a small number in two words whose order
    is wrong has its low word zero.
    """
    about, number = value.about, value.number
    if about.kind not in (Kind.TOTAL, Kind.FLOW, Kind.OTHER) or about.table.is_bits:
        return None
    if value.fault is not None or number is None:
        return "no value" if value.fault is Fault.NO_VALUE else "out of range"
    if about.kind is Kind.FLOW and value.si is not None and abs(value.si) > MOST_FLOW:
        return "no well gives so much"
    raw = abs((number - about.offset) / (about.step * value.factor))
    if about.type.is_float:
        return "far from any meter's numbers" if raw and not LEAST_FLOAT <= raw <= MOST_FLOAT else None
    if about.words > 1 and not about.type.is_decimal and about.low_part is None and raw and raw % 65_536 == 0:
        return "its low word is zero"
    return None

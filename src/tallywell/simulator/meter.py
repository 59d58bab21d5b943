"""A meter as the wire sees it: its register map, the water that ran, and the words it would answer at an instant.

Pure: the instant is an argument, so the same meter can be asked about any moment, in any order, by a test as by a line.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType

from tallywell.registers.encode import encode
from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Table
from tallywell.simulator.profile import Profile
from tallywell.simulator.recipes import Silent, silent_at

# Modbus Application Protocol V1.1b3, section 7
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
MOST_WORDS = 125  # 6.3 and 6.4 there
ON_WHEN_WELL = frozenset({"external_power"})  # bits that a healthy meter has set


@dataclass(frozen=True, slots=True)
class Refusal:
    """The meter answers, but with an exception code and no words."""

    code: int


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter on a line. `profile` is in counts of the books' total (m3 where the map has no total).

    The books' total shows `first_count` at the profile's beginning and goes round by itself at the map's capacity.
    Other totals follow the same water in their own counts; a reverse total stands at zero. `constants` sets quantities
    that follow from nothing here (a status word, a temperature), by name, in their own unit.
    """

    address: int
    map: RegisterMap
    profile: Profile
    first_count: int = 0
    silences: tuple[Silent, ...] = ()
    constants: Mapping[str, int | Fraction] = field(default_factory=lambda: MappingProxyType({}), hash=False)

    def count(self, utc_ms: int) -> int:
        """What the books' total shows at `utc_ms`; without a total, whole m3 that ran."""
        shown = self.first_count + int(self.profile.volume(utc_ms))
        return shown if self.map.books is None else shown % self.map.books.scale.capacity

    def value(self, name: str, utc_ms: int) -> int | Fraction:
        """One quantity at `utc_ms`: a count, a bit pattern, or a number in its unit, as `encode` takes it."""
        quantity = self.map.quantities[name]
        if name in self.constants:
            return self.constants[name]
        if quantity.kind is Kind.TOTAL:
            return self._total(quantity, utc_ms)
        if quantity.kind is Kind.FLOW:
            return self._flow(quantity, utc_ms)
        return _still(quantity)

    def answer(self, function: int, register: int, words: int, utc_ms: int) -> bytes | Refusal | None:
        """Big-endian words for a read, a refusal, or None where the meter stays silent.

        Registers that no quantity uses are outside the meter, but for the few between two quantities that the map says
        may be read in passing: they hold zero.
        """
        if silent_at(self.silences, utc_ms):
            return None
        mine = [q for q in self.map.quantities.values() if q.table.function == function]
        if not mine:
            return Refusal(ILLEGAL_FUNCTION)
        if not 1 <= words <= min(MOST_WORDS, self.map.limits.words_per_read):
            return Refusal(ILLEGAL_VALUE)
        if not set(range(register, register + words)) <= readable(self.map, mine[0].table):
            return Refusal(ILLEGAL_ADDRESS)
        return self._words(mine, register, words, utc_ms)

    def _words(self, mine: list[Quantity], register: int, words: int, utc_ms: int) -> bytes | Refusal:
        block = bytearray(2 * words)
        for quantity in mine:
            if quantity.register >= register + words or quantity.end <= register:
                continue
            try:
                own = encode(self.map, quantity.name, self.value(quantity.name, utc_ms))
            except ValueError:  # the number does not fit into its type: a meter's own trouble
                return Refusal(DEVICE_FAILURE)
            _lay(own, quantity.register - register, block)
        return bytes(block)

    def _total(self, quantity: Quantity, utc_ms: int) -> int:
        if quantity.name.startswith("reverse"):
            return 0
        water_m3 = (self.first_count + self.profile.volume(utc_ms)) * one_count_m3(self.map)
        return int(water_m3 / quantity.scale.one_count_m3) % quantity.scale.capacity

    def _flow(self, quantity: Quantity, utc_ms: int) -> Fraction:
        flow_m3s = self.profile.rate(utc_ms) * one_count_m3(self.map)
        return flow_m3s / (quantity.si_per_unit or 1)


def one_count_m3(register_map: RegisterMap) -> Fraction:
    """The volume that one count of a profile stands for."""
    return Fraction(1) if register_map.books is None else register_map.books.scale.one_count_m3


def readable(register_map: RegisterMap, table: Table) -> frozenset[int]:
    """The registers of one table that a read may touch."""
    return frozenset(_readable(register_map, table))


def _readable(register_map: RegisterMap, table: Table) -> Iterator[int]:
    mine = sorted((q for q in register_map.quantities.values() if q.table is table), key=lambda q: q.register)
    last_end: int | None = None
    for quantity in mine:
        if last_end is not None and 0 < quantity.register - last_end <= register_map.limits.padding:
            yield from range(last_end, quantity.register)
        yield from range(quantity.register, quantity.end)
        last_end = quantity.end if last_end is None else max(last_end, quantity.end)


def _lay(own: bytes, at_word: int, block: bytearray) -> None:
    """Put a quantity's words at their place, cut where the read begins or ends inside it."""
    start = max(0, at_word) * 2
    cut = own[start - 2 * at_word :][: len(block) - start]
    block[start : start + len(cut)] = cut


def _still(quantity: Quantity) -> int | Fraction:
    if quantity.kind is Kind.BITS:
        return sum(1 << bit.number for bit in quantity.bits if bit.name in ON_WHEN_WELL)
    low, high = quantity.valid.low, quantity.valid.high
    return max(low or Fraction(0), Fraction(0)) if high is None or high >= 0 else high

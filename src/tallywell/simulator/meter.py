"""A meter as the wire sees it: its register map, the water that ran, and the words it would answer at an instant.

Pure: the instant is an argument, so the same meter can be asked about any moment, in any order, by a test as by a line.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType

from tallywell.readings.exchange import BIT_FUNCTIONS
from tallywell.readings.quantities import Scale
from tallywell.registers.encode import encoded_parts, number_named
from tallywell.registers.factors import factor_of
from tallywell.registers.quantity import Direction, Kind, Quantity, RegisterMap
from tallywell.simulator.allowed import DEVICE_FAILURE, Refusal, refusal
from tallywell.simulator.profile import Profile
from tallywell.simulator.recipes import Silent, silent_at
from tallywell.simulator.still import Shown, still

MS_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter on a line. `profile` is in counts of the books' total (m3 where the map has no total).

    The books' total shows `first_count` at the profile's beginning and goes round by itself at the map's capacity.
    Other totals follow the same water in their own counts; a resettable one was reset at the profile's beginning, and
    a reverse total stands at zero. `constants` sets quantities by name: a number in its own unit, a bit pattern, a
    text, or a name of an enumeration. A total or flow that another register scales is sent as that register stands.
    """

    address: int
    map: RegisterMap
    profile: Profile
    first_count: int = 0
    silences: tuple[Silent, ...] = ()
    constants: Mapping[str, Shown] = field(default_factory=lambda: MappingProxyType({}), hash=False)

    def count(self, utc_ms: int) -> int:
        """What the books' total shows at `utc_ms`; without a total, whole m3 that ran."""
        books = self.map.books
        return self.first_count + int(self.profile.volume(utc_ms)) if books is None else self._total(books, utc_ms)

    def scale(self, quantity: Quantity) -> Scale:
        """What one count of a total stands for and where it goes round, as its factor stands now."""
        return Scale(quantity.scale.one_count_m3, int(quantity.scale.capacity * self._grain(quantity)))

    def value(self, name: str, utc_ms: int) -> Shown:
        """One quantity at `utc_ms`: a count, a bit pattern, a text, or a number in its unit, as `encode` takes it.

        What the meter answers is of `renewed_ms`.
        """
        quantity = self.map.quantities[name]
        if name in self.constants:
            return self.constants[name]
        if quantity.kind is Kind.TOTAL:
            return self._total(quantity, utc_ms)
        if quantity.kind is Kind.FLOW and quantity.setting is None:
            return self._flow(quantity, utc_ms)
        return still(self.map, quantity, self.address)

    def answer(self, function: int, register: int, words: int, utc_ms: int) -> bytes | Refusal | None:
        """Big-endian words for a read (packed bits with functions 1 and 2), a refusal, or None for silence.

        Registers that no quantity uses are outside the meter, but for those that the map lets be read in passing: they
        hold zero.
        """
        if silent_at(self.silences, utc_ms):
            return None
        refused = refusal(self.map, function, register, words)
        if refused is not None:
            return refused
        try:
            if function in BIT_FUNCTIONS:
                return self._bits(function, register, words, self.renewed_ms(utc_ms))
            return self._words(function, register, words, self.renewed_ms(utc_ms))
        except ValueError:  # the number does not fit into its type: a meter's own trouble
            return Refusal(DEVICE_FAILURE)

    def renewed_ms(self, utc_ms: int) -> int:
        """When it renewed its registers last."""
        return utc_ms - utc_ms % max(1, self.map.limits.refresh_ns // MS_NS)

    def _words(self, function: int, register: int, words: int, utc_ms: int) -> bytes:
        block = bytearray(2 * words)
        for quantity in self.map.quantities.values():
            inside = quantity.first < register + words and register < quantity.end
            if inside and quantity.table.function == function:
                value = self.value(quantity.name, utc_ms)
                for at, own in encoded_parts(quantity, value, self.factor(quantity)):
                    _lay(own, at - register, block)
        return bytes(block)

    def _bits(self, function: int, register: int, count: int, utc_ms: int) -> bytes:
        """The lowest bit of the first byte is the bit at `register` (V1.1b3, 6.1)."""
        pattern = 0
        for quantity in self.map.quantities.values():
            if quantity.table.function == function:
                own = self.value(quantity.name, utc_ms)
                assert isinstance(own, int), f"{quantity.name} has bits"
                shift = quantity.register - register
                pattern |= own << shift if shift >= 0 else own >> -shift
        return (pattern & ((1 << count) - 1)).to_bytes((count + 7) // 8, "little")

    def factor(self, quantity: Quantity) -> Fraction:
        """What another register multiplies it by; 1 where none does. ValueError where that can be no factor."""
        if quantity.factor is None:
            return Fraction(1)
        other = self.map.quantities[quantity.factor.quantity]
        stands = self.constants.get(other.name, still(self.map, other, self.address))
        if isinstance(stands, str):
            stands = number_named(other, stands)
        found = factor_of(quantity.factor, Fraction(stands))
        if found is None:
            raise ValueError(f"{quantity.name} cannot be scaled by {stands}")
        return found

    def _grain(self, quantity: Quantity) -> Fraction:
        """How many counts one raw count stands for; a float total's grain is stated and stays."""
        fixed = quantity.factor is None or quantity.type.is_float
        return Fraction(1) if fixed or quantity.factor is None else self.factor(quantity) / quantity.factor.least

    def _total(self, quantity: Quantity, utc_ms: int) -> int:
        if quantity.direction is Direction.REVERSE:
            return 0
        begun = 0 if quantity.resettable and not quantity.for_the_books else self.first_count
        water_m3 = (begun + self.profile.volume(utc_ms)) * one_count_m3(self.map)
        grain = self._grain(quantity)
        raw = int(water_m3 / quantity.scale.one_count_m3 / grain) % quantity.scale.capacity
        return int(_signed(quantity, raw) * grain)

    def _flow(self, quantity: Quantity, utc_ms: int) -> Fraction:
        flow_m3s = self.profile.rate(utc_ms) * one_count_m3(self.map)
        return flow_m3s / (quantity.si_per_unit or 1)


def one_count_m3(register_map: RegisterMap) -> Fraction:
    """The volume that one count of a profile stands for."""
    return Fraction(1) if register_map.books is None else register_map.books.scale.one_count_m3


def _signed(quantity: Quantity, raw: int) -> int:
    """A net total that goes through all of a signed type is negative in the upper half."""
    capacity = quantity.scale.capacity
    wraps = quantity.is_net and quantity.type.is_signed and capacity == 1 << quantity.width
    return raw - capacity if wraps and raw >= capacity // 2 else raw


def _lay(own: bytes, at_word: int, block: bytearray) -> None:
    """Put words at their place, cut where the read begins or ends inside them."""
    start = max(0, at_word) * 2
    cut = own[start - 2 * at_word :][: max(0, len(block) - start)]
    block[start : start + len(cut)] = cut

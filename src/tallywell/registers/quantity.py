"""What a register map says, once read: one meter model's quantities and its limits. Values only.

A quantity's number in its unit is `raw x step + offset`, exact; `si_per_unit` carries it on to m3, m3/s, m or s.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from tallywell.readings.quantities import Scale
from tallywell.readings.units import Measure


class Table(StrEnum):
    """The two tables of words (Modbus Application Protocol V1.1b3, 4.3)."""

    HOLDING = "holding"
    INPUT = "input"

    @property
    def function(self) -> int:
        """The function code that reads this table (6.3 and 6.4 there)."""
        return 3 if self is Table.HOLDING else 4


class WordOrder(StrEnum):
    """Which word of a value comes first on the wire, at the lowest register."""

    HIGH_WORD_FIRST = "high_word_first"
    LOW_WORD_FIRST = "low_word_first"


class ByteOrder(StrEnum):
    """Which byte of a word comes first on the wire. The standard sends the high byte first (V1.1b3, 4.2)."""

    HIGH_BYTE_FIRST = "high_byte_first"
    LOW_BYTE_FIRST = "low_byte_first"


class NumberType(StrEnum):
    """How the words of a value make a number: two's complement, unsigned, or IEEE 754 binary32 and binary64."""

    INT16 = "int16"
    INT32 = "int32"
    INT64 = "int64"
    UINT16 = "uint16"
    UINT32 = "uint32"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def bits(self) -> int:
        return _BITS[self]

    @property
    def words(self) -> int:
        return self.bits // 16

    @property
    def is_float(self) -> bool:
        return self in _FLOATS

    @property
    def is_signed(self) -> bool:
        return self in _SIGNED


# Asked for with every value that is decoded, so looked up and not read from the name.
_BITS = {kind: int(kind.value[-2:]) for kind in NumberType}
_FLOATS = frozenset(kind for kind in NumberType if kind.value.startswith("float"))
_SIGNED = frozenset(kind for kind in NumberType if kind.value.startswith("int"))


class Kind(StrEnum):
    """What a quantity is to the program. A total counts volume; OTHER is only shown and kept."""

    TOTAL = "total"
    FLOW = "flow"
    BITS = "bits"
    OTHER = "other"


class Meaning(StrEnum):
    """What a set bit means to the program."""

    NOT_COUNTING = "not_counting"


@dataclass(frozen=True, slots=True)
class Bit:
    """One named bit of a status word; bit 0 is the lowest."""

    number: int
    name: str
    means: Meaning | None = None


@dataclass(frozen=True, slots=True)
class Range:
    """The numbers that can be true, both ends included, in the quantity's unit; None = no end."""

    low: Fraction | None = None
    high: Fraction | None = None

    def holds(self, number: Fraction) -> bool:
        return (self.low is None or self.low <= number) and (self.high is None or number <= self.high)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of a meter model.

    `register` is on the wire (0 to 65535). `one_count` and `capacity` are set for totals only. `no_value` holds bit
    patterns (unsigned, highest bit first, word and byte order already put right) that mean "no value".
    """

    name: str
    kind: Kind
    table: Table
    register: int
    type: NumberType
    word_order: WordOrder = WordOrder.HIGH_WORD_FIRST
    byte_order: ByteOrder = ByteOrder.HIGH_BYTE_FIRST
    unit: str = ""  # as shown, "gpm"; for an integer total the unit of one_count
    step: Fraction = Fraction(1)  # the number, in `unit`, of raw 1
    offset: Fraction = Fraction(0)  # in `unit`; a total has none
    si_per_unit: Fraction | None = None  # None: the unit is free text
    one_count: Measure | None = None
    capacity: int | None = None
    for_the_books: bool = False
    valid: Range = Range()
    no_value: tuple[int, ...] = ()
    bits: tuple[Bit, ...] = ()

    @property
    def words(self) -> int:
        return self.type.words

    @property
    def end(self) -> int:
        """The register behind the last one."""
        return self.register + self.words

    @property
    def is_net(self) -> bool:
        return self.name == "net_total"

    @property
    def scale(self) -> Scale:
        """What one count of this total stands for; only a total has one."""
        assert self.one_count is not None, f"{self.name} is no total"
        assert self.capacity is not None, f"{self.name} is no total"
        return Scale(self.one_count.si, self.capacity)


@dataclass(frozen=True, slots=True)
class Limits:
    """What the meter can take. `padding`: so many unused registers may be read in passing between two quantities."""

    words_per_read: int = 125
    longest_delay_ns: int = 1_000_000_000
    pause_ns: int = 0
    padding: int = 0
    ready_after_power_up_ns: int = 0


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """One meter model: `quantities` by name, in the order written."""

    name: str
    revision: int
    quantities: Mapping[str, Quantity] = field(hash=False)
    limits: Limits = Limits()

    @property
    def books(self) -> Quantity | None:
        """The total that is for the books; None only where the map has no total at all."""
        return next((q for q in self.quantities.values() if q.for_the_books), None)

    @property
    def totals(self) -> tuple[Quantity, ...]:
        return tuple(q for q in self.quantities.values() if q.kind is Kind.TOTAL)

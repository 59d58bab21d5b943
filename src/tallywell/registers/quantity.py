"""What a register map says, once read: one meter model's quantities and its limits. Values only.

A quantity's number in its unit is `raw x factor x step + offset`, exact; `factor` is 1 where no other register scales
it. `si_per_unit` carries the number on to m3, m3/s, m or s.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

from tallywell.readings.exchange import Read
from tallywell.readings.quantities import Scale
from tallywell.readings.units import Measure


class Table(StrEnum):
    """The four tables (Modbus Application Protocol V1.1b3, 4.3): two of 16-bit words, two of single bits."""

    HOLDING = "holding"
    INPUT = "input"
    COIL = "coil"
    DISCRETE = "discrete"

    @property
    def function(self) -> int:
        """The function code that reads this table (6.1 to 6.4 there)."""
        return _FUNCTIONS[self]

    @property
    def is_bits(self) -> bool:
        """Whether it holds single bits, which are read and counted one by one."""
        return self in (Table.COIL, Table.DISCRETE)


_FUNCTIONS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
TABLE_OF = {function: table for table, function in _FUNCTIONS.items()}


class WordOrder(StrEnum):
    """Which word of a value comes first on the wire, at the lowest register."""

    HIGH_WORD_FIRST = "high_word_first"
    LOW_WORD_FIRST = "low_word_first"


class ByteOrder(StrEnum):
    """Which byte of a word comes first on the wire. The standard sends the high byte first (V1.1b3, 4.2)."""

    HIGH_BYTE_FIRST = "high_byte_first"
    LOW_BYTE_FIRST = "low_byte_first"


class ValueType(StrEnum):
    """How the words of a value make it: two's complement, unsigned, or IEEE 754 binary32 and binary64; packed BCD (four
    decimal digits to a word); modulo-10000 (each word 0 to 9999, the words as digits to the base 10,000); text.
    """

    INT16 = "int16"
    INT32 = "int32"
    INT64 = "int64"
    UINT16 = "uint16"
    UINT32 = "uint32"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BCD = "bcd"
    MODULO_10000 = "modulo_10000"
    TEXT = "text"

    @property
    def bits(self) -> int:
        """KeyError for a type whose number of words the map states."""
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

    @property
    def is_decimal(self) -> bool:
        """Whether its words are decimal digits, four to a word."""
        return self in (ValueType.BCD, ValueType.MODULO_10000)

    @property
    def has_fixed_words(self) -> bool:
        return self in _BITS


# Asked for with every value that is decoded, so looked up and not read from the name.
_BITS = {kind: int(kind.value[-2:]) for kind in ValueType if kind.value[-2:] in ("16", "32", "64")}
_FLOATS = frozenset(kind for kind in ValueType if kind.value.startswith("float"))
_SIGNED = frozenset(kind for kind in ValueType if kind.value.startswith("int"))


class Kind(StrEnum):
    """What a quantity is to the program. A total counts volume; OTHER is a number that is only shown and kept."""

    TOTAL = "total"
    FLOW = "flow"
    BITS = "bits"
    ENUMERATION = "enumeration"
    TEXT = "text"
    OTHER = "other"


class Direction(StrEnum):
    """Which way the water runs that a total counts; a net total takes the reverse from the forward and may fall."""

    FORWARD = "forward"
    REVERSE = "reverse"
    NET = "net"


class Meaning(StrEnum):
    """What a condition means to the program: the meter does not count; its numbers are not to be trusted; nothing."""

    NOT_COUNTING = "not_counting"
    SUSPECT = "suspect"
    INFORMATION = "information"


class Setting(StrEnum):
    """What a quantity that is read back identifies or sets; a change of it is an event."""

    SERIAL = "serial"
    SENSOR_SERIAL = "sensor_serial"
    FIRMWARE = "firmware"
    UNIT = "unit"
    MULTIPLIER = "multiplier"
    BORE = "bore"
    LOW_FLOW_CUTOFF = "low_flow_cutoff"
    DAMPING = "damping"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Bit:
    """One named condition of a status word; bit 0 is the lowest. It holds when the bit is `when` (1, or 0)."""

    number: int
    name: str
    means: Meaning = Meaning.INFORMATION
    when: int = 1


@dataclass(frozen=True, slots=True)
class Named:
    """One value of an enumeration and its name. `factor`: what it multiplies the quantities by that it scales."""

    number: int
    name: str
    means: Meaning = Meaning.INFORMATION
    factor: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Range:
    """The numbers that can be true, both ends included, in the quantity's unit; None = no end."""

    low: Fraction | None = None
    high: Fraction | None = None

    def holds(self, number: Fraction) -> bool:
        return (self.low is None or self.low <= number) and (self.high is None or number <= self.high)


@dataclass(frozen=True, slots=True)
class LowPart:
    """The lower of the two registers of a total: the value is `high x capacity + low`, in counts.

    An integer low part counts 0 to capacity - 1. A float low part is a fraction of one count of the high part, 0 to
    below 1, and stands for `low x capacity` counts. `word_order` None: that of the high part.
    """

    register: int
    type: ValueType
    capacity: int
    length: int | None = None
    word_order: WordOrder | None = None

    @property
    def words(self) -> int:
        return self.type.words if self.length is None else self.length

    @property
    def end(self) -> int:
        return self.register + self.words


@dataclass(frozen=True, slots=True)
class Factor:
    """What another register multiplies this one by: the number of `quantity`, or 10 to the power of it, or where its
    numbers are `codes` the factor that each stands for.

    `least`: of a total, the least factor that can come; `one_count` is the volume of one raw count then.
    """

    quantity: str
    exponent: bool
    least: Fraction = Fraction(1)
    codes: tuple[tuple[int, Fraction], ...] = ()


@dataclass(frozen=True, slots=True)
class Rhythm:
    """When a quantity is read: every `every_ns` (None: only at the start), and after the meter was silent besides.

    `EACH_POLL` goes with the point's own `every`.
    """

    every_ns: int | None
    after_silence: bool = False


EACH_POLL = Rhythm(0)
ONCE = Rhythm(None)
SETTINGS = Rhythm(86_400_000_000_000, after_silence=True)


@dataclass(frozen=True, slots=True)
class Display:
    """How the meter's face shows the books' total: the volume of one step of its last digit, and how many digits."""

    one_count: Measure
    digits: int


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity of a meter model.

    `register` is on the wire (0 to 65535); in a table of bits it is the first bit. `length`: how many words (or bits of
    a table of bits) it has, where the type does not say it. `one_count` and `capacity` are set for totals only; with a
    factor `capacity` is that of the raw count. `no_value` holds bit patterns (unsigned, highest bit first, word and
    byte order already put right) that mean "no value". `expected`: what a setting must read as (numbers or texts) for
    the map to be right.
    """

    name: str
    kind: Kind
    table: Table
    register: int
    type: ValueType
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
    length: int | None = None
    enumeration: tuple[Named, ...] = ()
    low_part: LowPart | None = None
    factor: Factor | None = None
    direction: Direction | None = None
    resettable: bool = False
    display: Display | None = None
    rhythm: Rhythm = EACH_POLL
    setting: Setting | None = None
    expected: tuple[Fraction | str, ...] = ()

    @property
    def words(self) -> int:
        """Words at `register`; in a table of bits, bits."""
        return self.type.words if self.length is None else self.length

    @property
    def width(self) -> int:
        """How many bits the pattern at `register` has."""
        return self.words if self.table.is_bits else 16 * self.words

    @property
    def first(self) -> int:
        """The lowest register that it needs, a low part included."""
        return self.register if self.low_part is None else min(self.register, self.low_part.register)

    @property
    def end(self) -> int:
        """The register behind the last one that it needs."""
        end = self.register + self.words
        return end if self.low_part is None else max(end, self.low_part.end)

    @property
    def low_word_order(self) -> WordOrder:
        """Of its low part."""
        own = None if self.low_part is None else self.low_part.word_order
        return own or self.word_order

    @property
    def is_net(self) -> bool:
        return self.direction is Direction.NET

    @property
    def scale(self) -> Scale:
        """What one count of this total stands for, with a factor at its least; only a total has one."""
        assert self.one_count is not None, f"{self.name} is no total"
        assert self.capacity is not None, f"{self.name} is no total"
        return Scale(self.one_count.si, self.capacity)


@dataclass(frozen=True, slots=True)
class Span:
    """Registers `first` up to before `end` of one table, as on the wire."""

    table: Table
    first: int
    end: int


@dataclass(frozen=True, slots=True)
class Wake:
    """A read that wakes a sleeping meter: nobody waits for its answer. It may be asked `wait_ns` after it, for
    `window_ns` after it at most.
    """

    read: Read
    wait_ns: int
    window_ns: int


@dataclass(frozen=True, slots=True)
class Limits:
    """What the meter can take. `padding`: so many unused registers may be read in passing between two quantities.

    `exact_reads`: it answers these reads only, or with `one_by_one` only reads of just one quantity. `refresh_ns`: how
    often it renews its registers.
    """

    words_per_read: int = 125
    longest_delay_ns: int = 1_000_000_000
    pause_ns: int = 0
    padding: int = 0
    ready_after_power_up_ns: int = 0
    bits_per_read: int = 2000
    refresh_ns: int = 0
    one_by_one: bool = False
    exact_reads: tuple[Read, ...] = ()


@dataclass(frozen=True, slots=True)
class RegisterMap:
    """One meter model: `quantities` by name, in the order written.

    `together`: names of quantities that make sense only when they come in one answer. `safe_to_read`: registers that
    may be read in passing though no quantity is there; `do_not_read`: registers that no read may touch.
    """

    name: str
    revision: int
    quantities: Mapping[str, Quantity] = field(hash=False)
    limits: Limits = Limits()
    together: tuple[frozenset[str], ...] = ()
    safe_to_read: tuple[Span, ...] = ()
    do_not_read: tuple[Span, ...] = ()
    wake: Wake | None = None

    @property
    def books(self) -> Quantity | None:
        """The total that is for the books; None only where the map has no total at all."""
        return next((q for q in self.quantities.values() if q.for_the_books), None)

    @property
    def totals(self) -> tuple[Quantity, ...]:
        return tuple(q for q in self.quantities.values() if q.kind is Kind.TOTAL)

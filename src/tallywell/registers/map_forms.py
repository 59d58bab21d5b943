"""The keys of a register map, what each accepts and what it means. The schema and the reference are made of this."""

from collections.abc import Callable
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any, ClassVar

from pydantic import Field, PlainValidator

from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.registers.numbering import Numbering
from tallywell.registers.quantity import ByteOrder, Direction, Meaning, Setting, Table, ValueType, WordOrder
from tallywell.written import acceptor, fields
from tallywell.written.acceptor import Acceptor
from tallywell.written.fields import anything, chosen, decimal, label, measured, text, whole, words, yes_or_no
from tallywell.written.forms import Form, GroupOf, Key, ListOf, NamesOf, OneOf

# A part with keys of its own: read as its own form, at its own place. Its key says which shape it has.
Part = Annotated[Any, PlainValidator(anything)]
HIGHEST_NUMBER = 465_536  # the last holding register in six digits
REGISTER = whole(0, HIGHEST_NUMBER, hexadecimal=True)
ONE_BY_ONE = "one_by_one"
RHYTHM = measured("duration", least="1 s", greatest="366 day")
SAID_BY_NUMBER = ("numbering", str(Numbering.DATA_MODEL))  # the table, which else must be written
NAMES = f"^{acceptor.NAME}$"
# What it can be depends on the quantity's type, so the quantity judges it.
_NO_VALUE = Acceptor(anything, "a number, or a bit pattern such as `0xFFFF`", acceptor.NUMBER_OR_PATTERN)
_NUMBER_IN_UNIT = OneOf((decimal, *(measured(kind) for kind in units.KINDS)), "a number, also with a unit")


class TypeWritten(StrEnum):
    """The word after `type:`."""

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
    BITS = "bits"
    BITS32 = "bits32"

    @property
    def value_type(self) -> ValueType:
        bits = {TypeWritten.BITS: ValueType.UINT16, TypeWritten.BITS32: ValueType.UINT32}
        return bits.get(self) or ValueType(self.value)

    @property
    def is_bits(self) -> bool:
        return self in (TypeWritten.BITS, TypeWritten.BITS32)


class RhythmWord(StrEnum):
    """After `every:`, where no duration stands."""

    POLL = "poll"
    ONCE = "once"


def _accepts(function: Callable[[object], Any]) -> PlainValidator:
    return PlainValidator(function)


class ExactReadForm(Form):
    """One read that the meter answers."""

    table: Annotated[
        Table | None,
        _accepts(chosen(Table)),
        Key("table: input", "the table", needed=False, unless=SAID_BY_NUMBER),
    ] = None
    register_: Annotated[
        int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 0", "where the read begins")
    ] = None
    words: Annotated[int | None, _accepts(whole(1, 2000)), Key("words: 10", "how many words (or bits) it brings")] = (
        None
    )


class SpanForm(Form):
    """Registers of one table, both ends included. `from` is a word of Python, hence the alias."""

    table: Annotated[
        Table | None,
        _accepts(chosen(Table)),
        Key("table: holding", "the table", needed=False, unless=SAID_BY_NUMBER),
    ] = None
    from_: Annotated[int | None, Field(alias="from"), _accepts(REGISTER), Key("from: 40", "the first register")] = None
    to: Annotated[int | None, _accepts(REGISTER), Key("to: 49", "the last register; it belongs to the span")] = None


class LimitsForm(Form):
    """What the meter can take."""

    such_as: ClassVar[str] = "words_per_read: 64"

    words_per_read: Annotated[
        int | None,
        _accepts(whole(1, 125)),
        Key("words_per_read: 64", "the most words the meter gives in one answer", needed=False, usual="125"),
    ] = None
    bits_per_read: Annotated[
        int | None,
        _accepts(whole(1, 2000)),
        Key("bits_per_read: 64", "the most coils or discrete inputs in one answer", needed=False, usual="2000"),
    ] = None
    longest_delay: Annotated[
        Measure | None,
        _accepts(measured("duration", least="1 ms", greatest="60 s")),
        Key(
            "longest_delay: 400 ms",
            "the longest time from the end of a request to the first byte of the answer",
            needed=False,
            usual="1 s",
        ),
    ] = None
    pause: Annotated[
        Measure | None,
        _accepts(measured("duration", least="0 s", greatest="10 s")),
        Key(
            "pause: 20 ms",
            "the meter's own silence before a request, where 3.5 characters are not enough",
            needed=False,
            usual="0 s",
        ),
    ] = None
    padding: Annotated[
        int | None,
        _accepts(whole(0, 123)),
        Key("padding: 2", "how many unused registers in a row may be read in passing", needed=False, usual="0"),
    ] = None
    exact_reads: Annotated[
        Part,
        Key(
            "exact_reads: [{table: input, register: 0, words: 10}]",
            "the only reads that the meter answers; or one_by_one: it gives just one quantity a read",
            needed=False,
            holds=OneOf((words(ONE_BY_ONE), ListOf(GroupOf(ExactReadForm)))),
        ),
    ] = None
    ready_after_power_up: Annotated[
        Measure | None,
        _accepts(measured("duration", least="0 s", greatest="1 h")),
        Key(
            "ready_after_power_up: 30 s",
            "how long after power-up it takes until the meter answers",
            needed=False,
            usual="0 s",
        ),
    ] = None
    refresh_interval: Annotated[
        Measure | None,
        _accepts(measured("duration", least="0 s", greatest="1 h")),
        Key(
            "refresh_interval: 2 s",
            "how often the meter renews its registers; check warns of polls that come oftener",
            needed=False,
            usual="0 s",
        ),
    ] = None


class WakeForm(Form):
    """A read that wakes the meter and needs no answer."""

    table: Annotated[
        Table | None,
        _accepts(chosen(Table)),
        Key("table: holding", "the table, holding or input", needed=False, unless=SAID_BY_NUMBER),
    ] = None
    register_: Annotated[
        int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 0", "the register that is asked for")
    ] = None
    words: Annotated[
        int | None, _accepts(whole(1, 125)), Key("words: 1", "how many words are asked for", needed=False, usual="1")
    ] = None
    wait: Annotated[
        Measure | None,
        _accepts(measured("duration", least="1 ms", greatest="60 s")),
        Key("wait: 200 ms", "how long after that read the meter is ready"),
    ] = None
    window: Annotated[
        Measure | None,
        _accepts(measured("duration", least="10 ms", greatest="1 h")),
        Key("window: 5 s", "how long after that read it may be asked, longer than wait"),
    ] = None


class LowPartForm(Form):
    """The lower of the two registers of a total."""

    register_: Annotated[
        int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 2", "where the low part stands")
    ] = None
    type: Annotated[
        TypeWritten | None,
        _accepts(chosen(TypeWritten)),
        Key("type: uint16", "a number's type; a float is the fraction of one count of the high part"),
    ] = None
    words: Annotated[
        int | None, _accepts(whole(1, 4)), Key("words: 1", "of bcd and modulo_10000: how many words", needed=False)
    ] = None
    word_order: Annotated[
        WordOrder | None,
        _accepts(chosen(WordOrder)),
        Key("word_order: high_word_first", "where it differs from the high part's", needed=False),
    ] = None
    capacity: Annotated[
        int | None,
        _accepts(whole(2, 10**18, powers=True)),
        Key("capacity: 10000", "how many counts of the total make one count of the high part"),
    ] = None


class DisplayForm(Form):
    """The face of a meter."""

    one_count: Annotated[
        Measure | None,
        _accepts(measured("volume", above=Fraction(0))),
        Key("one_count: 100 gal", "the volume of one step of the last digit on the face"),
    ] = None
    digits: Annotated[int | None, _accepts(whole(1, 20)), Key("digits: 8", "how many digits the face shows")] = None


class ValidForm(Form):
    """The range of numbers that can be true. `from` is a word of Python, hence the alias."""

    such_as: ClassVar[str] = "from: 0, to: 2000"

    from_: Annotated[
        str | None,
        Field(alias="from"),
        _accepts(text),
        Key(
            "from: 0",
            "the least number that can be true, in the quantity's unit or with one of its kind",
            needed=False,
            holds=_NUMBER_IN_UNIT,
        ),
    ] = None
    to: Annotated[
        str | None,
        _accepts(text),
        Key(
            "to: 2000",
            "the greatest number that can be true",
            needed=False,
            holds=_NUMBER_IN_UNIT,
        ),
    ] = None


class BitForm(Form):
    """One bit with a meaning."""

    name: Annotated[str | None, _accepts(fields.name), Key("name: empty_pipe", "the name of the condition")] = None
    means: Annotated[
        Meaning | None,
        _accepts(chosen(Meaning)),
        Key("means: not_counting", "what it means for the total", needed=False, usual="information"),
    ] = None
    when: Annotated[
        int | None,
        _accepts(whole(0, 1)),
        Key("when: 0", "the state of the bit in which the condition holds", needed=False, usual="1"),
    ] = None


class NamedForm(Form):
    """One value of an enumeration with a meaning."""

    name: Annotated[str | None, _accepts(fields.name), Key("name: test_mode", "the name of the value")] = None
    means: Annotated[
        Meaning | None,
        _accepts(chosen(Meaning)),
        Key("means: not_counting", "what it means for the total", needed=False, usual="information"),
    ] = None
    factor: Annotated[
        Fraction | None,
        _accepts(fields.factor),
        Key("factor: 10", "what it multiplies a quantity by that names this one in scale_from", needed=False),
    ] = None


class QuantityForm(Form):
    """One quantity."""

    table: Annotated[
        Table | None,
        _accepts(chosen(Table)),
        Key(
            "table: input",
            "where it stands: holding registers (function 3), input registers (4), coils (1), discrete inputs (2)",
            needed=False,
            unless=SAID_BY_NUMBER,
        ),
    ] = None
    register_: Annotated[
        int | None,
        Field(alias="register"),
        _accepts(REGISTER),
        Key("register: 0", "where its first word (or bit) stands; decimal or hexadecimal"),
    ] = None
    type: Annotated[
        TypeWritten | None, _accepts(chosen(TypeWritten)), Key("type: uint32", "how its words make a value")
    ] = None
    words: Annotated[
        int | None,
        _accepts(whole(1, 2000)),
        Key(
            "words: 2",
            "how many words it has: needed for bcd (1 to 4), modulo_10000 (2 to 4) and text (1 to 125). Of coils and "
            "discrete inputs: how many bits; without it up to the highest that has a name",
            needed=False,
        ),
    ] = None
    word_order: Annotated[
        WordOrder | None,
        _accepts(chosen(WordOrder)),
        Key("word_order: low_word_first", "where it differs from the rest of the map", needed=False),
    ] = None
    byte_order: Annotated[
        ByteOrder | None,
        _accepts(chosen(ByteOrder)),
        Key("byte_order: low_byte_first", "where it differs from the rest of the map", needed=False),
    ] = None
    unit: Annotated[
        str | None,
        _accepts(label),
        Key(
            "unit: 0.1 gpm",
            "the unit of raw 1, of a flow rate or another number: gpm, 0.1 gpm, 2500/65535 gpm. Of a float total: the "
            "volume of 1.0",
            needed=False,
        ),
    ] = None
    offset: Annotated[
        Fraction | None,
        _accepts(decimal),
        Key("offset: -20", "added after the unit's factor, in the unit; not for totals", needed=False, usual="0"),
    ] = None
    scale_from: Annotated[
        str | None,
        _accepts(fields.name),
        Key("scale_from: flow_scale", "the quantity whose number multiplies this one", needed=False),
    ] = None
    exponent_from: Annotated[
        str | None,
        _accepts(fields.name),
        Key(
            "exponent_from: total_exponent",
            "the quantity that holds the power of ten which multiplies this one",
            needed=False,
        ),
    ] = None
    one_count: Annotated[
        Measure | None,
        _accepts(measured("volume", above=Fraction(0))),
        Key("one_count: 100 gal", "of a total: the volume of one count (the form's multiplier)", needed=False),
    ] = None
    digits: Annotated[
        int | None,
        _accepts(whole(1, 20)),
        Key("digits: 8", "of a total: it goes round to zero after 10^digits counts", needed=False),
    ] = None
    capacity: Annotated[
        int | None,
        _accepts(whole(2, 10**20, powers=True)),
        Key("capacity: 2^24", "of a total, instead of digits: after how many counts it goes round", needed=False),
    ] = None
    low_part: Annotated[
        Part,
        Key(
            "low_part: {register: 22, type: uint16, capacity: 1000}",
            "of a total: the register that holds the lower counts",
            needed=False,
            holds=GroupOf(LowPartForm),
        ),
    ] = None
    direction: Annotated[
        Direction | None,
        _accepts(chosen(Direction)),
        Key(
            "direction: reverse",
            "of a total: which way the water runs that it counts. forward_total, reverse_total and net_total say it by "
            "their names; of another one it is forward without this key",
            needed=False,
        ),
    ] = None
    resettable: Annotated[
        bool | None,
        _accepts(yes_or_no),
        Key("resettable: yes", "of a total: whether anybody can set it to zero", needed=False, usual="no"),
    ] = None
    for_the_books: Annotated[
        bool | None,
        _accepts(yes_or_no),
        Key("for_the_books: yes", "yes for the one total that volumes are made from", needed=False, usual="no"),
    ] = None
    display: Annotated[
        Part,
        Key(
            "display: {one_count: 1 m3, digits: 6}",
            "of a total: how the meter's face shows it, where the site file does not say",
            needed=False,
            holds=GroupOf(DisplayForm),
        ),
    ] = None
    valid: Annotated[
        Part,
        Key(
            "valid: {from: 0, to: 2000}",
            "the numbers that can be true; any other is out_of_range",
            needed=False,
            holds=GroupOf(ValidForm),
        ),
    ] = None
    no_value: Annotated[
        Part,
        Key(
            "no_value: [0xFFFF, -9999]",
            "what the meter sends for no value: a bit pattern in hexadecimal, or a number as it reads",
            needed=False,
            holds=OneOf((_NO_VALUE, ListOf(_NO_VALUE)), f"{_NO_VALUE.said}; one or a list"),
        ),
    ] = None
    bits: Annotated[
        Part,
        Key(
            "bits: {0: external_power, 2: {name: empty_pipe, means: not_counting}}",
            "of a status word: what its bits say, the lowest is 0",
            needed=False,
            holds=NamesOf(OneOf((fields.name, GroupOf(BitForm))), acceptor.WHOLE_KEY),
        ),
    ] = None
    enumeration: Annotated[
        Part,
        Key(
            "enumeration: {0: normal, 1: {name: test_mode, means: not_counting}}",
            "what its numbers say",
            needed=False,
            holds=NamesOf(OneOf((fields.name, GroupOf(NamedForm))), acceptor.PATTERN_KEY),
        ),
    ] = None
    every: Annotated[
        str | None,
        _accepts(label),
        Key(
            "every: 1 h",
            "when it is read: with each poll, once after the start, or so often. Without it with each poll; a setting "
            "at the start, after silence and once a day",
            needed=False,
            holds=OneOf((chosen(RhythmWord), RHYTHM)),
        ),
    ] = None
    setting: Annotated[
        Setting | None,
        _accepts(chosen(Setting)),
        Key("setting: serial", "what it identifies or sets; a change of it is an event", needed=False),
    ] = None
    expected: Annotated[
        Part,
        Key(
            "expected: litre",
            "of a setting: what the map is written for, one value or several",
            needed=False,
            holds=OneOf((label, ListOf(label)), "text; one or a list"),
        ),
    ] = None


class MapForm(Form):
    """The top of a map."""

    map: Annotated[str | None, _accepts(fields.name), Key("map: inline-a", "its name: letters, digits, -, _ and .")] = (
        None
    )
    revision: Annotated[
        int | None, _accepts(whole(1, 999_999)), Key("revision: 1", "raise it when you correct the map")
    ] = None
    based_on: Annotated[
        str | None,
        _accepts(label),
        Key(
            "based_on: tee-k.yaml",
            "the map that this one is a variant of, beside this file; only what differs is written then",
            needed=False,
        ),
    ] = None
    without: Annotated[
        Part,
        Key(
            "without: [reverse_total]",
            "what this variant lacks: quantities of the base, or keys of them (forward_total.digits)",
            needed=False,
            holds=ListOf(label),
        ),
    ] = None
    numbering: Annotated[
        Numbering | None, _accepts(chosen(Numbering)), Key("numbering: on_the_wire", "how register numbers are counted")
    ] = None
    word_order: Annotated[
        WordOrder | None,
        _accepts(chosen(WordOrder)),
        Key("word_order: high_word_first", "which word of a value stands at the lower register"),
    ] = None
    byte_order: Annotated[
        ByteOrder | None,
        _accepts(chosen(ByteOrder)),
        Key(
            "byte_order: high_byte_first",
            "which byte of a word comes first; the high one is the standard",
            needed=False,
            usual="high_byte_first",
        ),
    ] = None
    limits: Annotated[
        Part,
        Key(
            "limits: {words_per_read: 64, longest_delay: 400 ms}",
            "what the meter can take",
            needed=False,
            holds=GroupOf(LimitsForm),
        ),
    ] = None
    wake: Annotated[
        Part,
        Key(
            "wake: {table: holding, register: 1, wait: 200 ms, window: 5 s}",
            "of a meter that sleeps: a read that needs no answer and wakes it",
            needed=False,
            holds=GroupOf(WakeForm),
        ),
    ] = None
    together: Annotated[
        Part,
        Key(
            "together: [[forward_total, total_exponent]]",
            "groups of quantities that must come in one answer",
            needed=False,
            holds=ListOf(ListOf(fields.name, least=2)),
        ),
    ] = None
    safe_to_read: Annotated[
        Part,
        Key(
            "safe_to_read: [{table: input, from: 20, to: 29}]",
            "registers that do no harm when they are read in passing",
            needed=False,
            holds=ListOf(GroupOf(SpanForm)),
        ),
    ] = None
    do_not_read: Annotated[
        Part,
        Key(
            "do_not_read: [{table: holding, from: 100, to: 109}]",
            "registers that no read may touch",
            needed=False,
            holds=ListOf(GroupOf(SpanForm)),
        ),
    ] = None
    quantities: Annotated[
        Part,
        Key(
            "quantities:",
            "one group of keys for each quantity",
            holds=NamesOf(
                GroupOf(QuantityForm),
                NAMES,
                least=1,
                known={"flow_rate": {"unit": acceptor.unit_schema("flow rate")}},
            ),
        ),
    ] = None

"""The keys of a register map and what each accepts."""

from collections.abc import Callable
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any

from pydantic import Field, PlainValidator

from tallywell.readings.units import Measure
from tallywell.registers.numbering import Numbering
from tallywell.registers.quantity import ByteOrder, Direction, Meaning, Setting, Table, ValueType, WordOrder
from tallywell.written import fields
from tallywell.written.fields import anything, chosen, decimal, label, measured, text, whole, yes_or_no
from tallywell.written.forms import Form, Key

# A part with keys of its own: read as its own form, at its own place.
Part = Annotated[Any, PlainValidator(anything)]
HIGHEST_NUMBER = 465_536  # the last holding register in six digits
REGISTER = whole(0, HIGHEST_NUMBER, hexadecimal=True)


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


def _accepts(function: Callable[[object], Any]) -> PlainValidator:
    return PlainValidator(function)


class MapForm(Form):
    """The top of a map."""

    map: Annotated[str | None, _accepts(fields.name), Key("map: inline-a")] = None
    revision: Annotated[int | None, _accepts(whole(1, 999_999)), Key("revision: 1")] = None
    based_on: Annotated[str | None, _accepts(label)] = None
    without: Part = None
    numbering: Annotated[Numbering | None, _accepts(chosen(Numbering)), Key("numbering: on_the_wire")] = None
    word_order: Annotated[WordOrder | None, _accepts(chosen(WordOrder)), Key("word_order: high_word_first")] = None
    byte_order: Annotated[ByteOrder | None, _accepts(chosen(ByteOrder))] = None
    limits: Part = None
    wake: Part = None
    together: Part = None
    safe_to_read: Part = None
    do_not_read: Part = None
    quantities: Annotated[Part, Key("quantities:")] = None


class LimitsForm(Form):
    """What the meter can take."""

    words_per_read: Annotated[int | None, _accepts(whole(1, 125)), Key("words_per_read: 64", needed=False)] = None
    bits_per_read: Annotated[int | None, _accepts(whole(1, 2000))] = None
    longest_delay: Annotated[Measure | None, _accepts(measured("duration", least="1 ms", greatest="60 s"))] = None
    pause: Annotated[Measure | None, _accepts(measured("duration", least="0 s", greatest="10 s"))] = None
    padding: Annotated[int | None, _accepts(whole(0, 123))] = None
    exact_reads: Part = None
    ready_after_power_up: Annotated[Measure | None, _accepts(measured("duration", least="0 s", greatest="1 h"))] = None
    refresh_interval: Annotated[Measure | None, _accepts(measured("duration", least="0 s", greatest="1 h"))] = None


class ExactReadForm(Form):
    """One read that the meter answers."""

    table: Annotated[Table | None, _accepts(chosen(Table))] = None
    register_: Annotated[int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 0")] = None
    words: Annotated[int | None, _accepts(whole(1, 2000)), Key("words: 10")] = None


class SpanForm(Form):
    """Registers of one table, both ends included. `from` is a word of Python, hence the alias."""

    table: Annotated[Table | None, _accepts(chosen(Table))] = None
    from_: Annotated[int | None, Field(alias="from"), _accepts(REGISTER), Key("from: 40")] = None
    to: Annotated[int | None, _accepts(REGISTER), Key("to: 49")] = None


class WakeForm(Form):
    """A read that wakes the meter and needs no answer."""

    table: Annotated[Table | None, _accepts(chosen(Table))] = None
    register_: Annotated[int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 0")] = None
    words: Annotated[int | None, _accepts(whole(1, 125))] = None
    wait: Annotated[
        Measure | None, _accepts(measured("duration", least="1 ms", greatest="60 s")), Key("wait: 200 ms")
    ] = None
    window: Annotated[
        Measure | None, _accepts(measured("duration", least="10 ms", greatest="1 h")), Key("window: 5 s")
    ] = None


class QuantityForm(Form):
    """One quantity."""

    table: Annotated[Table | None, _accepts(chosen(Table))] = None
    register_: Annotated[int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 0")] = None
    type: Annotated[TypeWritten | None, _accepts(chosen(TypeWritten)), Key("type: uint32")] = None
    words: Annotated[int | None, _accepts(whole(1, 2000))] = None
    word_order: Annotated[WordOrder | None, _accepts(chosen(WordOrder))] = None
    byte_order: Annotated[ByteOrder | None, _accepts(chosen(ByteOrder))] = None
    unit: Annotated[str | None, _accepts(label)] = None
    offset: Annotated[Fraction | None, _accepts(decimal)] = None
    scale_from: Annotated[str | None, _accepts(fields.name)] = None
    exponent_from: Annotated[str | None, _accepts(fields.name)] = None
    one_count: Annotated[Measure | None, _accepts(measured("volume", above=Fraction(0)))] = None
    digits: Annotated[int | None, _accepts(whole(1, 20))] = None
    capacity: Annotated[int | None, _accepts(whole(2, 10**20, powers=True))] = None
    low_part: Part = None
    direction: Annotated[Direction | None, _accepts(chosen(Direction))] = None
    resettable: Annotated[bool | None, _accepts(yes_or_no)] = None
    for_the_books: Annotated[bool | None, _accepts(yes_or_no)] = None
    display: Part = None
    valid: Part = None
    no_value: Part = None
    bits: Part = None
    enumeration: Part = None
    every: Annotated[str | None, _accepts(label)] = None
    setting: Annotated[Setting | None, _accepts(chosen(Setting))] = None
    expected: Part = None


class LowPartForm(Form):
    """The lower of the two registers of a total."""

    register_: Annotated[int | None, Field(alias="register"), _accepts(REGISTER), Key("register: 2")] = None
    type: Annotated[TypeWritten | None, _accepts(chosen(TypeWritten)), Key("type: uint16")] = None
    words: Annotated[int | None, _accepts(whole(1, 4))] = None
    capacity: Annotated[int | None, _accepts(whole(2, 10**18, powers=True)), Key("capacity: 10000")] = None


class DisplayForm(Form):
    """The face of a meter."""

    one_count: Annotated[Measure | None, _accepts(measured("volume", above=Fraction(0))), Key("one_count: 100 gal")] = (
        None
    )
    digits: Annotated[int | None, _accepts(whole(1, 20)), Key("digits: 8")] = None


class ValidForm(Form):
    """The range of numbers that can be true. `from` is a word of Python, hence the alias."""

    from_: Annotated[str | None, Field(alias="from"), _accepts(text), Key("from: 0", needed=False)] = None
    to: Annotated[str | None, _accepts(text), Key("to: 2000", needed=False)] = None


class BitForm(Form):
    """One bit with a meaning."""

    name: Annotated[str | None, _accepts(fields.name), Key("name: empty_pipe")] = None
    means: Annotated[Meaning | None, _accepts(chosen(Meaning))] = None
    when: Annotated[int | None, _accepts(whole(0, 1))] = None


class NamedForm(Form):
    """One value of an enumeration with a meaning."""

    name: Annotated[str | None, _accepts(fields.name), Key("name: test_mode")] = None
    means: Annotated[Meaning | None, _accepts(chosen(Meaning))] = None

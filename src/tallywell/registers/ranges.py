"""Which numbers of a quantity can be true, which patterns mean "no value", and what a setting must read as."""

from collections.abc import Callable
from fractions import Fraction

from tallywell.registers.described import exact
from tallywell.registers.map_forms import ValidForm
from tallywell.registers.meaning import QuantityMeaning
from tallywell.registers.numbers import limits, number_of_pattern, pattern_of_number
from tallywell.registers.quantity import Kind, Named, Range, ValueType
from tallywell.registers.texts import text_of_words, words_of_text
from tallywell.registers.written_quantity import Written, accept
from tallywell.written import fields
from tallywell.written.fields import suggestion
from tallywell.written.forms import fill, label_of
from tallywell.written.located import Path


def valid_of(written: Written, meaning: QuantityMeaning) -> Range:
    path = (*written.path, "valid")
    if written.document.at(path) is None:
        return Range()
    form = fill(ValidForm, written.document, path)
    low = None if form.from_ is None else accept(written.document, (*path, "from"), meaning.number)
    high = None if form.to is None else accept(written.document, (*path, "to"), meaning.number)
    if low is not None and high is not None and low > high:
        what = f"{label_of((*path, 'to'))} is below from, so that nothing is valid"
        written.document.complain((*path, "to"), what, "write the lower number as from")
    _judge_sign(written, meaning, low)
    return Range(low, high)


def _judge_sign(written: Written, meaning: QuantityMeaning, low: Fraction | None) -> None:
    """A negative number that can be true tells that the type is a signed one."""
    if low is None or low >= meaning.offset or written.type not in _SIGNED or meaning.kind is Kind.BITS:
        return
    at = (*written.path, "valid", "from")
    what = f"{label_of(at)} is less than {written.type} can hold, {exact(meaning.offset)}"
    do = f"write {_SIGNED[written.type]} if it is signed, or correct the number"
    written.document.complain(at, what, do, warning=True)


_SIGNED = {
    ValueType.UINT16: ValueType.INT16,
    ValueType.UINT32: ValueType.INT32,
    ValueType.UINT64: ValueType.INT64,
}


def no_value_of(written: Written) -> tuple[int, ...]:
    if written.type is ValueType.TEXT or not written.words:
        return ()
    places = _each(written, "no_value")
    found = [accept(written.document, place, lambda value: _pattern(value, written)) for place in places]
    return tuple(pattern for pattern in found if pattern is not None)


def _each(written: Written, key: str) -> list[Path]:
    """The places of one value or of a list of them."""
    path = (*written.path, key)
    found = written.document.at(path)
    if found is None:
        return []
    return [(*path, k) for k in range(len(found))] if isinstance(found, list) else [path]


def _pattern(value: object, written: Written) -> int:
    """The bit pattern that means "no value": hexadecimal is the pattern itself, a decimal number what it reads as."""
    if fields.text(value).lower().startswith("0x"):
        return fields.whole(0, (1 << written.width) - 1, hexadecimal=True)(value)
    return _pattern_of(_readable(value, written.type, written.words), written)


def _readable(value: object, kind: ValueType, words: int) -> Fraction:
    return fields.decimal(value) if kind.is_float else Fraction(fields.whole(*limits(kind, words))(value))


def _pattern_of(number: Fraction, written: Written) -> int:
    try:
        return pattern_of_number(number, written.type, written.words)
    except ValueError:
        raise fields.refuse(f"must be a number that {written.type} can hold") from None


def expected_of(written: Written, meaning: QuantityMeaning, named: tuple[Named, ...]) -> tuple[Fraction | str, ...]:
    """What the setting must read as: names of an enumeration, texts, or numbers as the words can hold them."""
    if not written.words or written.form.setting is None:
        return ()
    judge: dict[Kind, Callable[[object], Fraction | str]] = {
        Kind.TEXT: lambda value: _text(value, written),
        Kind.ENUMERATION: lambda value: _name(value, written, named),
        Kind.OTHER: lambda value: _number(value, written, meaning),
    }
    if meaning.kind not in judge:
        return ()
    found = [accept(written.document, place, judge[meaning.kind]) for place in _each(written, "expected")]
    return tuple(one for one in found if one is not None)


def _text(value: object, written: Written) -> str:
    """As it is shown when it is read: without blanks at its end."""
    try:
        return text_of_words(words_of_text(fields.label(value), written.words))
    except ValueError:
        raise fields.refuse(f"must be a text of at most {2 * written.words} characters of one byte each") from None


def _name(value: object, written: Written, named: tuple[Named, ...]) -> Fraction | str:
    text = fields.text(value)
    names = [one.name for one in named]
    if text in names:
        return text
    if text[:1].isdigit() or text[:1] == "-":
        number = fields.whole(*limits(written.type, written.words), hexadecimal=True)(value)
        return next((one.name for one in named if one.number == number), Fraction(number))
    raise fields.refuse("must be a value of the enumeration", suggestion(text, names))


def _number(value: object, written: Written, meaning: QuantityMeaning) -> Fraction:
    """The number that the words read as: a float holds 0.1 only nearly."""
    number = meaning.number(value)
    raw = (number - meaning.offset) / meaning.step
    if not written.type.is_float and raw.denominator != 1:
        raise fields.refuse(f"must be a number that {written.type} can hold", "write it in whole steps of the unit")
    read = number_of_pattern(_pattern_of(raw, written), written.type)
    assert read is not None, "a number that was encoded is one"
    return read * meaning.step + meaning.offset

"""The named bits of a status word and the named values of an enumeration, as written in a map."""

from collections.abc import Callable, Mapping

from pydantic_core import PydanticCustomError

from tallywell.registers.map_forms import BitForm, NamedForm
from tallywell.registers.numbers import limits
from tallywell.registers.quantity import Bit, Meaning, Named
from tallywell.registers.written_quantity import Written, accept
from tallywell.written import fields
from tallywell.written.forms import fill, label_of
from tallywell.written.located import Plain, quoted

MOST_BIT = 1999  # 2000 coils or discrete inputs come in one answer (Modbus Application Protocol V1.1b3, 6.1 and 6.2)


def bits_of(written: Written) -> tuple[Bit, ...]:
    """By the number of each; where the map does not say how many bits there are, any number can be one."""
    found = _group(written, "bits", "{0: external_power}")
    last = written.width - 1 if written.words else MOST_BIT
    do = "count from the lowest bit; `register` is bit 0" if written.is_bits_table else "count from the lowest bit"
    number = _numbered(written, "bits", f"a bit is a whole number from 0 to {last}", do, fields.whole(0, last))
    bits: dict[int, Bit] = {}
    for key in found:
        bit = _bit(written, key, number)
        if bit is None:
            continue
        if bit.number in bits:  # the same number can be written as 1 and as +1
            _named_twice(written, "bits", key, f"{bit.number} is named twice", "keep one of the names")
        elif bit.name in {before.name for before in bits.values()}:
            _named_twice(written, "bits", key, f"{quoted(bit.name)} names another bit", "name each bit once")
        bits.setdefault(bit.number, bit)
    return tuple(bits.values())


def _bit(written: Written, key: str, number: Callable[[str], int | None]) -> Bit | None:
    document, path, at = written.document, (*written.path, "bits", key), number(key)
    if at is None:
        return None
    if isinstance(document.at(path), dict):
        form = fill(BitForm, document, path)
        when = 1 if form.when is None else form.when
        return Bit(at, form.name, form.means or Meaning.INFORMATION, when) if form.name else None
    name = accept(document, path, fields.name)
    return Bit(at, name) if name else None


def enumeration_of(written: Written) -> tuple[Named, ...]:
    """Two numbers may have one name; one number cannot have two."""
    found = _group(written, "enumeration", "{0: normal}")
    if not found or written.type.is_float or not written.words:
        return ()
    low, high = limits(written.type, written.words)
    what = f"a value of {written.type} is a whole number from {low} to {high}"
    accepts = fields.whole(low, high, hexadecimal=True)
    number = _numbered(written, "enumeration", what, "correct the number or the type", accepts)
    named: dict[int, Named] = {}
    for key in found:
        one = _named(written, key, number)
        if one is not None and one.number in named:  # the same number can be written as 1 and as 0x1
            _named_twice(written, "enumeration", key, f"{one.number} is named twice", "keep one of the names")
        elif one is not None:
            named[one.number] = one
    return tuple(named.values())


def _named(written: Written, key: str, number: Callable[[str], int | None]) -> Named | None:
    document, path, at = written.document, (*written.path, "enumeration", key), number(key)
    if at is None:
        return None
    if isinstance(document.at(path), dict):
        form = fill(NamedForm, document, path)
        return Named(at, form.name, form.means or Meaning.INFORMATION, form.factor) if form.name else None
    name = accept(document, path, fields.name)
    return Named(at, name) if name else None


def _numbered(
    written: Written, group: str, what: str, do: str, accepts: Callable[[object], int]
) -> Callable[[str], int | None]:
    """Reads a key of the group as a number; None where it is none, which is noted at the key."""

    def number(key: str) -> int | None:
        try:
            return accepts(key)
        except PydanticCustomError:
            path = (*written.path, group)
            said = f"{label_of(path)}: {what}"
            written.document.complain((*path, key), said, do, got=quoted(key), key=True)
            return None

    return number


def _group(written: Written, key: str, example: str) -> Mapping[str, Plain]:
    path = (*written.path, key)
    found = written.document.at(path)
    if found is not None and not isinstance(found, dict):
        written.document.complain(path, f"{label_of(path)} must be a group of keys", f"such as {example}")
    return written.document.group(path)


def _named_twice(written: Written, group: str, key: str, what: str, do: str) -> None:
    path = (*written.path, group, key)
    written.document.complain(path, f"{label_of(path)}: {what}", do, got="")

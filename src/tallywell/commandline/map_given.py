"""What was typed behind `tallywell map try`: words or bits, where they begin, and what the display shows."""

import argparse
from dataclasses import dataclass

from tallywell.commandline.map_file import Written
from tallywell.commandline.site import called_wrongly
from tallywell.readings.exchange import Read
from tallywell.registers.fitting import Wanted, wanted
from tallywell.registers.given import bits_given, decimal_words_given, words_given
from tallywell.registers.numbering import Wrong, on_the_wire
from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Table
from tallywell.written.fields import integer, suggestion


def content_given(options: argparse.Namespace) -> tuple[bytes, int]:
    """The content as on the wire, and how many words or bits it is."""
    try:
        if options.bits is not None:
            return bits_given(options.bits)
        words = (decimal_words_given if options.decimal else words_given)(options.words)
    except ValueError as wrong:
        raise called_wrongly(f"tallywell map try: {wrong}") from None
    return words, len(words) // 2


def display_given(text: str, begin: "Begin", found: RegisterMap) -> Wanted | str:
    """A number with its unit, or the text itself: where the words begin at a text, and where it begins as none does."""
    there = [q for q in found.quantities.values() if (q.table, q.first) == (begin.table, begin.register)]
    about = begin.about or next(iter(there), None)
    if (about is not None and about.kind is Kind.TEXT) or text.strip()[:1].isalpha():
        return text.strip()
    try:
        return wanted(text)
    except ValueError as wrong:
        raise called_wrongly(f"tallywell map try: --should-be {wrong}") from None


@dataclass(frozen=True, slots=True)
class Begin:
    """Where the words begin. `about`: the quantity that somebody said they are about; `why`: how the place was
    found, where nobody said it."""

    table: Table
    register: int
    about: Quantity | None
    why: tuple[str, ...]


def begin_given(options: argparse.Namespace, found: RegisterMap, written: Written, *, bits: bool) -> Begin:
    about = _quantity(found, options.quantity) if options.quantity else None
    if options.register is not None:
        begin = _at_register(options, found, written, about, bits=bits)
    else:
        chosen = about or _usual(found, bits=bits)
        why = () if about else (f"  taken to begin at {chosen.name}; --register or --quantity says otherwise",)
        begin = Begin(chosen.table, chosen.first, about, why)
    if begin.table.is_bits != bits:
        what = "bits: give them by --bits" if begin.table.is_bits else "words: give them by --words"
        raise called_wrongly(f"tallywell map try: the {begin.table} table holds {what}")
    return begin


def _quantity(found: RegisterMap, name: str) -> Quantity:
    if name not in found.quantities:
        raise called_wrongly(
            f"tallywell map try: the map has no quantity {name!r}; {suggestion(name, found.quantities)}"
        )
    return found.quantities[name]


def _usual(found: RegisterMap, *, bits: bool) -> Quantity:
    """The books' total, or the first that can hold what was given."""
    if found.books is not None and not bits:
        return found.books
    first = next((q for q in found.quantities.values() if q.table.is_bits == bits), None)
    if first is None:
        what = "coils and discrete inputs" if bits else "input and holding registers"
        raise called_wrongly(f"tallywell map try: the map has no {what}; say --register and --table")
    return first


def _at_register(
    options: argparse.Namespace, found: RegisterMap, written: Written, about: Quantity | None, *, bits: bool
) -> Begin:
    try:
        number = integer(options.register, hexadecimal=True)
    except ValueError:  # what a field refuses is a ValueError too
        raise called_wrongly(
            f"tallywell map try: --register must be a whole number (got {options.register!r})"
        ) from None
    stated = Table(options.table) if options.table else about.table if about else None
    place = on_the_wire(number, written.numbering, stated)
    if isinstance(place, Wrong):
        raise called_wrongly(f"tallywell map try: --register {number} {place.what}; {place.do}")
    table, register = place
    if table is None:
        used = {quantity.table for quantity in found.quantities.values() if quantity.table.is_bits == bits}
        if len(used) != 1:
            raise called_wrongly("tallywell map try: say --table, as the map has several; --register counts in each")
        (table,) = used
    return Begin(table, register, about, ())


def read_given(begin: Begin, count: int) -> Read:
    try:
        return Read(begin.table.function, begin.register, count)
    except ValueError as wrong:
        raise called_wrongly(f"tallywell map try: {wrong}") from None

"""Register map text -> RegisterMap and every fault in it, each with its place."""

import difflib
import itertools
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import TypeVar

from pydantic_core import PydanticCustomError

from tallywell.readings.problems import Problem
from tallywell.registers.based_on import ReadText, map_document
from tallywell.registers.map_forms import BitForm, LimitsForm, MapForm, QuantityForm, ValidForm
from tallywell.registers.meaning import Written, meaning_of
from tallywell.registers.numbering import LAST_REGISTER, Wrong, on_the_wire
from tallywell.registers.numbers import limits as limits_of
from tallywell.registers.numbers import pattern_of_number
from tallywell.registers.quantity import (
    Bit,
    ByteOrder,
    Direction,
    Kind,
    Limits,
    Meaning,
    Quantity,
    Range,
    RegisterMap,
    Table,
    ValueType,
    WordOrder,
)
from tallywell.written import fields
from tallywell.written.forms import fill, label_of, sure
from tallywell.written.located import Document, Path, quoted

__all__ = ["Quantity", "RegisterMap", "parse_map"]
DIRECTIONS = {
    "forward_total": Direction.FORWARD,
    "reverse_total": Direction.REVERSE,
    "net_total": Direction.NET,
}
WELL_KNOWN = ("flow_rate", "forward_total", "reverse_total", "net_total", "status")
Accepted = TypeVar("Accepted")


def parse_map(text: str, file: str, base: ReadText | None = None) -> tuple[RegisterMap | None, tuple[Problem, ...]]:
    """Read a register map. The map is None when a Problem that is no warning was found; `file` only names the text.

    `base` gives the text of the map that this one is based on, by its name as seen from where `file` is named from.
    """
    document = map_document(text, file, base)
    if document.plain is None and document.faulty:
        return None, tuple(sorted(document.problems))
    form = fill(MapForm, document, ())
    limits = _limits(document)
    quantities = _quantities(document, form)
    _judge_books(document, quantities)
    _judge_overlaps(document, quantities)
    _judge_words_per_read(document, limits, quantities)
    problems = tuple(sorted(document.problems))
    if document.faulty:
        return None, problems
    return RegisterMap(sure(form.map), sure(form.revision), quantities, limits), problems


def _limits(document: Document) -> Limits:
    if document.at(("limits",)) is None:
        return Limits()
    form = fill(LimitsForm, document, ("limits",))
    usual = Limits()
    return Limits(
        usual.words_per_read if form.words_per_read is None else form.words_per_read,
        usual.longest_delay_ns if form.longest_delay is None else round(form.longest_delay.si * 10**9),
        usual.pause_ns if form.pause is None else round(form.pause.si * 10**9),
        usual.padding if form.padding is None else form.padding,
        usual.ready_after_power_up_ns
        if form.ready_after_power_up is None
        else round(form.ready_after_power_up.si * 10**9),
    )


def _quantities(document: Document, form: MapForm) -> dict[str, Quantity]:
    written = document.at(("quantities",))
    if form.quantities is not None and not isinstance(written, dict):
        document.complain(("quantities",), "quantities must be a group of keys", "write one key for each quantity")
    if written == {}:
        document.complain(("quantities",), "the map has no quantities", "add at least one", got="")
    found = {name: _quantity(document, name, form) for name in document.group(("quantities",))}
    return {name: quantity for name, quantity in found.items() if quantity is not None}


def _quantity(document: Document, name: str, top: MapForm) -> Quantity | None:
    """One quantity; None where its place in the registers or its type is not known, so that nothing can be judged."""
    path: Path = ("quantities", name)
    _judge_name(document, path, name)
    form = fill(QuantityForm, document, path)
    place = _place(document, path, form, top)
    if form.type is None:
        return None
    written = Written(document, path, name, form, form.type.value_type)
    meaning = meaning_of(written)
    valid, no_value, bits = _valid(written, meaning.number), _no_value(written), _bits(written)
    if place is None:
        return None
    table, register = place
    return Quantity(
        name,
        meaning.kind,
        table,
        register,
        written.type,
        form.word_order or top.word_order or WordOrder.HIGH_WORD_FIRST,
        form.byte_order or top.byte_order or ByteOrder.HIGH_BYTE_FIRST,
        meaning.unit,
        meaning.step,
        meaning.offset,
        meaning.si_per_unit,
        form.one_count if meaning.kind is Kind.TOTAL else None,
        meaning.capacity,
        bool(form.for_the_books) and meaning.kind is Kind.TOTAL,
        valid,
        no_value,
        bits,
        direction=DIRECTIONS.get(name, Direction.FORWARD) if meaning.kind is Kind.TOTAL else None,
    )


def _judge_name(document: Document, path: Path, name: str) -> None:
    if not fields.NAME.match(name):
        document.complain(path, f"{label_of(path)} has no usable name", _NAME_ADVICE, got="", key=True)
    near = difflib.get_close_matches(name, WELL_KNOWN, n=1, cutoff=0.85)
    if near and name not in WELL_KNOWN:
        what = f"{label_of(path)} will only be shown"
        document.complain(path, what, f'did you mean "{near[0]}"?', got="", key=True, warning=True)


_NAME_ADVICE = "use letters, digits, - and _, at most 64 of them"


def _place(document: Document, path: Path, form: QuantityForm, top: MapForm) -> tuple[Table, int] | None:
    if form.register_ is None or top.numbering is None:
        return None
    found = on_the_wire(form.register_, top.numbering, form.table)
    at = (*path, "register")
    if isinstance(found, Wrong):
        document.complain(at, f"{label_of(at)}: {found.what}", found.do)
        return None
    table, register = found
    if table is None:
        if document.at((*path, "table")) is None:
            document.complain(
                path, f'{label_of(path)} needs "table"', 'add "table: holding" or "table: input"', got="", key=True
            )
        return None
    words = form.type.value_type.words if form.type else 1
    if register + words - 1 > LAST_REGISTER:
        what = f"{label_of(at)}: its {words} words reach past the last register, {LAST_REGISTER} on the wire"
        document.complain(at, what, "correct the register or the type")
    return table, register


def _valid(written: Written, number: Callable[[object], Fraction]) -> Range:
    path = (*written.path, "valid")
    if written.document.at(path) is None:
        return Range()
    form = fill(ValidForm, written.document, path)
    low = None if form.from_ is None else _accept(written.document, (*path, "from"), number)
    high = None if form.to is None else _accept(written.document, (*path, "to"), number)
    if low is not None and high is not None and low > high:
        what = f"{label_of((*path, 'to'))} is below from, so that nothing is valid"
        written.document.complain((*path, "to"), what, "write the lower number as from")
    return Range(low, high)


def _accept(document: Document, path: Path, accept: Callable[[object], Accepted]) -> Accepted | None:
    """One value that is no key of a form."""
    try:
        return accept(document.at(path))
    except PydanticCustomError as error:
        said: Mapping[str, str] = error.context or {}
        document.complain(path, f"{label_of(path)} {said.get('what', '')}", said.get("do", ""))
        return None


def _no_value(written: Written) -> tuple[int, ...]:
    path = (*written.path, "no_value")
    found = written.document.at(path)
    if found is None:
        return ()
    places = [(*path, k) for k in range(len(found))] if isinstance(found, list) else [path]
    patterns = [_accept(written.document, place, lambda value: _pattern(value, written.type)) for place in places]
    return tuple(pattern for pattern in patterns if pattern is not None)


def _pattern(value: object, kind: ValueType) -> int:
    """The bit pattern that means "no value": hexadecimal is the pattern itself, a decimal number what it reads as."""
    if fields.text(value).lower().startswith("0x"):
        return fields.whole(0, (1 << kind.bits) - 1, hexadecimal=True)(value)
    if not kind.is_float:
        low, high = limits_of(kind)
        return fields.whole(low, high)(value) & ((1 << kind.bits) - 1)
    try:
        return pattern_of_number(fields.decimal(value), kind)
    except ValueError:
        raise fields.refuse(f"must be a number that {kind} can hold") from None


def _bits(written: Written) -> tuple[Bit, ...]:
    path = (*written.path, "bits")
    found = written.document.at(path)
    if found is None:
        return ()
    if not isinstance(found, dict):
        written.document.complain(path, f"{label_of(path)} must be a group of keys", "such as {0: external_power}")
        return ()
    bits = [bit for key in found if (bit := _bit(written, (*path, key), key)) is not None]
    for k, bit in enumerate(bits):
        if bit.name in {before.name for before in bits[:k]}:
            at = (*path, str(bit.number))
            written.document.complain(
                at, f"{label_of(at)}: {quoted(bit.name)} names another bit", "name each bit once", got=""
            )
    return tuple(bits)


def _bit(written: Written, path: Path, key: str) -> Bit | None:
    document, last = written.document, written.type.bits - 1
    try:
        number = fields.whole(0, last)(key)
    except PydanticCustomError:
        what = f"{label_of(path[:-1])}: a bit is a whole number from 0 to {last}"
        document.complain(path, what, "count from the lowest bit", got=quoted(key), key=True)
        return None
    if isinstance(document.at(path), dict):
        form = fill(BitForm, document, path)
        when = 1 if form.when is None else form.when
        return Bit(number, form.name, form.means or Meaning.INFORMATION, when) if form.name else None
    name = _accept(document, path, fields.name)
    return Bit(number, name) if name else None


def _judge_books(document: Document, quantities: Mapping[str, Quantity]) -> None:
    totals = [quantity for quantity in quantities.values() if quantity.kind is Kind.TOTAL]
    chosen = [quantity for quantity in totals if quantity.for_the_books]
    asked = any(
        document.at(("quantities", name, "for_the_books")) is not None for name in document.group(("quantities",))
    )
    if totals and not chosen and not (asked and document.faulty):
        group = ("quantities", totals[0].name)
        do = 'add "for_the_books: yes" to the one that the reports are made from'
        document.complain(group, "no total is for the books", do, got="", key=True)
    for extra in chosen[1:]:
        path = ("quantities", extra.name, "for_the_books")
        what = f"{label_of(path)}: {quoted(chosen[0].name)} is for the books already"
        document.complain(path, what, "keep one: two totals would count the same water twice")
    if any(quantity.is_net for quantity in chosen):
        path = ("quantities", chosen[0].name, "for_the_books")
        what = f"{label_of(path[:2])} can decrease, and a decrease is never counted"
        document.complain(path, what, "take the forward total, if the meter has one", got="", warning=True)


def _judge_overlaps(document: Document, quantities: Mapping[str, Quantity]) -> None:
    """Two quantities may show the same words in two ways; sharing only some of them is a slip in a register number."""
    placed = sorted(quantities.values(), key=lambda quantity: (quantity.table, quantity.register))
    for before, after in itertools.pairwise(placed):
        apart = (before.table, before.register) == (after.table, after.register) or before.table != after.table
        if apart or before.register + before.words <= after.register:
            continue
        path = ("quantities", after.name, "register")
        what = f"{label_of(path)} lies inside {quoted(before.name)}, which has {before.words} words"
        document.complain(path, what, "correct one of the register numbers or types", warning=True)


def _judge_words_per_read(document: Document, limits: Limits, quantities: Mapping[str, Quantity]) -> None:
    longest = max(quantities.values(), key=lambda quantity: quantity.words, default=None)
    if longest is not None and longest.words > limits.words_per_read:
        path = ("limits", "words_per_read")
        what = f"{label_of(path)}: {quoted(longest.name)} has {longest.words} words and is read at once or not at all"
        document.complain(path, what, f'write at least "{longest.words}"')

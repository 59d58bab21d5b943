"""Register map text -> RegisterMap and every fault in it, each with its place."""

import difflib
from dataclasses import replace

from tallywell.readings.problems import Problem
from tallywell.registers import checks, spans
from tallywell.registers.based_on import ReadText, map_document
from tallywell.registers.conditions import bits_of, enumeration_of
from tallywell.registers.lengths import words_of
from tallywell.registers.map_forms import DisplayForm, MapForm, QuantityForm, TypeWritten
from tallywell.registers.meaning import DIRECTIONS, SCALABLE, SETTINGS, QuantityMeaning, factor_of, meaning_of
from tallywell.registers.numbering import Numbering, Wrong, as_words, on_the_wire
from tallywell.registers.places import numbering_of, place_of
from tallywell.registers.quantity import (
    Bit,
    ByteOrder,
    Display,
    Kind,
    Quantity,
    RegisterMap,
    Table,
    ValueType,
    WordOrder,
)
from tallywell.registers.ranges import expected_of, no_value_of, valid_of
from tallywell.registers.rhythms import rhythm_of
from tallywell.registers.scaling import scaled
from tallywell.registers.written_quantity import Written
from tallywell.written import fields
from tallywell.written.forms import fill, label_of, sure
from tallywell.written.located import Document, Path

__all__ = ["Quantity", "RegisterMap", "parse_map"]
WELL_KNOWN = ("flow_rate", *DIRECTIONS, "status")


def parse_map(text: str, file: str, base: ReadText | None = None) -> tuple[RegisterMap | None, tuple[Problem, ...]]:
    """Read a register map. The map is None when a Problem that is no warning was found; `file` only names the text.

    `base` gives the text of the map that this one is based on, by its name as seen from where `file` is named from.
    """
    document = map_document(text, file, base)
    if document.plain is None and document.faulty:
        return None, tuple(sorted(document.problems))
    form = fill(MapForm, document, ())
    _judge_empty(document)
    found = _map(document, form)
    problems = tuple(sorted(document.problems))
    return (None if document.faulty else found), problems


def _map(document: Document, form: MapForm) -> RegisterMap | None:
    """None where its name or revision is missing; where the document is faulty, what could be read of it."""
    form = form.model_copy(update={"numbering": numbering_of(document, form.numbering)})
    limits = spans.limits_of(document, form.numbering)
    quantities = scaled(document, _quantities(document, form))
    together = spans.together_of(document, quantities)
    safe = spans.spans_of(document, "safe_to_read", form.numbering)
    barred = spans.spans_of(document, "do_not_read", form.numbering)
    wake = spans.wake_of(document, form.numbering)
    checks.judge_books(document, quantities)
    checks.judge_overlaps(document, quantities)
    checks.judge_lengths(document, limits, barred, quantities)
    checks.judge_in_two(document, limits, barred, quantities)
    checks.judge_together(document, limits, barred, together)
    checks.judge_wake(document, limits, wake)
    checks.judge_barred(document, barred, quantities, limits, wake)
    checks.judge_between(document, barred, together)
    checks.judge_safe(document, safe, barred)
    checks.judge_exact(document, limits, quantities)
    if document.faulty:
        return None
    return RegisterMap(
        sure(form.map),
        sure(form.revision),
        quantities,
        limits,
        tuple(frozenset(quantity.name for quantity in group) for _, group in together),
        tuple(span for _, span in safe),
        tuple(span for _, span in barred),
        wake,
    )


def _judge_empty(document: Document) -> None:
    """Parts that are read on their own: their keys alone, with nothing behind them, say nothing."""
    groups: list[Path] = [(), ("limits",), *(("quantities", name) for name in document.group(("quantities",)))]
    for group in groups:
        for key, value in document.group(group).items():
            if value is None and key in _PARTS:
                path = (*group, key)
                do = "write one after the colon, or remove the key"
                document.complain(path, f"{label_of(path)} needs a value", do)


_PARTS = frozenset((
    "together", "safe_to_read", "do_not_read", "limits", "wake", "exact_reads", "low_part", "display", "valid",
    "no_value", "bits", "enumeration", "expected",
))  # fmt: skip


def _quantities(document: Document, form: MapForm) -> dict[str, Quantity]:
    written = document.at(("quantities",))
    if "quantities" in document.group(()) and not isinstance(written, dict):
        document.complain(("quantities",), "quantities must be a group of keys", "write one key for each quantity")
    if written == {}:
        document.complain(("quantities",), "the map has no quantities", "add at least one", got="")
    found = {name: _quantity(document, name, form) for name in document.group(("quantities",))}
    return {name: quantity for name, quantity in found.items() if quantity is not None}


def _quantity(document: Document, name: str, top: MapForm) -> Quantity | None:
    """One quantity; None where its place in the registers, its type or its length is not known: a fault is noted."""
    path: Path = ("quantities", name)
    _judge_name(document, path, name)
    form = fill(QuantityForm, document, path)
    table, fits = _table(document, path, form, top.numbering)
    if form.type is None or not fits:
        place_of(document, (*path, "register"), form.register_, numbering=top.numbering, table=form.table)
        return None
    written = _written(document, name, form, table)
    bits = bits_of(written)
    if written.is_bits_table:
        written = _as_long_as_its_bits(written, bits)
    place = place_of(
        document,
        (*path, "register"),
        form.register_,
        numbering=top.numbering,
        table=form.table,
        words=written.words or 1,
    )
    meaning = meaning_of(written, top.numbering)
    return _whole(written, top, place, meaning, bits)


def _table(
    document: Document, path: Path, form: QuantityForm, numbering: Numbering | None
) -> tuple[Table | None, bool]:
    """The table, by its word or by the register's number, and whether the type can stand there."""
    table = form.table
    if table is None and numbering is Numbering.DATA_MODEL and form.register_ is not None:
        found = on_the_wire(form.register_, numbering, None)
        table = None if isinstance(found, Wrong) else found[0]
    if table is None or not table.is_bits or form.type in (None, TypeWritten.BITS):
        return table, True
    at = (*path, "type")
    if form.table is None and form.register_ is not None and not form.type.is_bits:
        at, kind = (*path, "register"), "a coil" if table is Table.COIL else "a discrete input"
        what = f"{label_of(at)}: is {kind} by its number, which is a single bit"
        document.complain(at, what, f'{as_words(form.register_)}; or "type: bits"')
        return table, False
    document.complain(at, f"{label_of(at)}: the {table} table holds single bits", 'write "type: bits"')
    return table, False


def _written(document: Document, name: str, form: QuantityForm, table: Table | None) -> Written:
    path: Path = ("quantities", name)
    kind = sure(form.type).value_type
    in_bits = table is not None and table.is_bits
    words = (form.words or 0) if in_bits else words_of(document, path, sure(form.type), form.words)
    return Written(document, path, name, form, kind, table, words)


def _as_long_as_its_bits(written: Written, bits: tuple[Bit, ...]) -> Written:
    """In a table of bits: as many as stated, or up to the highest that has a name."""
    if written.words or written.has("words"):
        return written
    if not bits:
        written.needs("bits", "bits: {0: empty_pipe}", ' (or "words": how many bits it has)')
    return replace(written, words=max((bit.number + 1 for bit in bits), default=0))


def _whole(
    written: Written,
    top: MapForm,
    place: tuple[Table, int] | None,
    meaning: QuantityMeaning,
    bits: tuple[Bit, ...],
) -> Quantity | None:
    form, is_total = written.form, meaning.kind is Kind.TOTAL
    enumeration = enumeration_of(written) if meaning.kind is Kind.ENUMERATION else ()
    valid, no_value = valid_of(written, meaning), no_value_of(written)
    expected = expected_of(written, meaning, enumeration)
    factor = factor_of(written) if meaning.kind in SCALABLE else None
    rhythm, display = (
        rhythm_of(written, is_setting=meaning.kind in SETTINGS and written.has("setting")),
        _display(written),
    )
    if place is None or not written.words:
        return None
    ordered = written.type is ValueType.TEXT  # a text's words stand in their order, whatever numbers have
    return Quantity(
        written.name,
        meaning.kind,
        *place,
        written.type,
        form.word_order or (None if ordered else top.word_order) or WordOrder.HIGH_WORD_FIRST,
        form.byte_order or top.byte_order or ByteOrder.HIGH_BYTE_FIRST,
        meaning.unit,
        meaning.step,
        meaning.offset,
        meaning.si_per_unit,
        form.one_count if is_total else None,
        meaning.capacity,
        bool(form.for_the_books) and is_total,
        valid,
        no_value,
        bits if meaning.kind is Kind.BITS else (),
        length=written.words if written.is_bits_table or not written.type.has_fixed_words else None,
        enumeration=enumeration,
        low_part=meaning.low_part,
        factor=factor,
        direction=meaning.direction,
        resettable=bool(form.resettable),
        display=display,
        rhythm=rhythm,
        setting=form.setting,
        expected=expected,
    )


def _display(written: Written) -> Display | None:
    """How the face shows the total, where the site file does not say."""
    if not written.has("display"):
        return None
    form = fill(DisplayForm, written.document, (*written.path, "display"))
    return None if form.one_count is None or form.digits is None else Display(form.one_count, form.digits)


def _judge_name(document: Document, path: Path, name: str) -> None:
    if not fields.NAME.match(name):
        document.complain(path, f"{label_of(path)} has no usable name", _NAME_ADVICE, got="", key=True)
    near = difflib.get_close_matches(name, WELL_KNOWN, n=1, cutoff=0.85)
    if near and name not in WELL_KNOWN:
        what = f"{label_of(path)} will only be shown"
        document.complain(path, what, f'did you mean "{near[0]}"?', got="", key=True, warning=True)


_NAME_ADVICE = "use letters, digits, - and _, at most 64 of them"

"""Register numbers as written in a map -> table and register on the wire, each fault at its place."""

from collections.abc import Mapping

from pydantic_core import PydanticCustomError

from tallywell.registers.numbering import LAST_REGISTER, Numbering, Wrong, as_words, on_the_wire, table_of_number
from tallywell.registers.quantity import Table
from tallywell.written import fields
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path, Plain

_BITS = ("bits", "bits32")
_AS_DATA_MODEL = "the registers are numbered as the data model has them"


def numbering_of(document: Document, numbering: Numbering | None) -> Numbering | None:
    """The map's numbering; None, with one fault for all registers, where their numbers cannot be of it."""
    found = [document.group(("quantities", name)) for name in document.group(("quantities",))]
    places = [(number, quantity) for quantity in found if (number := _number(quantity.get("register"))) is not None]
    if numbering is None or not places:
        return numbering
    if numbering is Numbering.DATA_MODEL:
        return _of_data_model(document, places)
    named = [(number, quantity.get("table"), table_of_number(number)) for number, quantity in places]
    words = [number for number, _, table in named if table is not None and not table.is_bits]
    if not words or any(table is None or stated not in (None, str(table)) for _, stated, table in named):
        return numbering
    sure = any(stated is None for _, stated, _ in named) or max(words) > LAST_REGISTER + 1
    what, do = f"numbering: {_AS_DATA_MODEL}, {words[0]} for one", 'write "numbering: data_model"'
    do += "" if sure else " if the manual prints 30001 or 40001 for the first"
    document.complain(("numbering",), what, do, warning=not sure)
    return None if sure else numbering


def _of_data_model(document: Document, places: list[tuple[int, Mapping[str, Plain]]]) -> Numbering | None:
    for number, quantity in places:
        is_bits = quantity.get("type") in _BITS or "bits" in quantity or "table" in quantity
        if is_bits or table_of_number(number) is not Table.COIL:
            return Numbering.DATA_MODEL
    first = places[0][0]
    what = f"numbering: by the data model {first} is a coil, which is a single bit, and no quantity is of bits"
    do = f'{as_words(first)}; or "numbering: one_based" or "on_the_wire", with a table for each'
    document.complain(("numbering",), what, do)
    return None


def _number(written: Plain) -> int | None:
    try:
        return None if written is None else fields.integer(written, hexadecimal=True)
    except PydanticCustomError:
        return None


def place_of(
    document: Document,
    at: Path,
    number: int | None,
    *,
    numbering: Numbering | None,
    table: Table | None,
    words: int = 1,
) -> tuple[Table, int] | None:
    """`at`: where the number is written. None where it names no register, or where table or numbering is missing.

    A missing table is noted here; a missing numbering or number has its problem already.
    """
    if number is None or numbering is None:
        return None
    found = on_the_wire(number, numbering, table)
    if isinstance(found, Wrong):
        document.complain(at, f"{label_of(at)}: {found.what}", found.do)
        return None
    if found[0] is None:
        _miss_table(document, at[:-1])
        return None
    if found[1] + words - 1 > LAST_REGISTER:
        counted = f"{words} {'bits' if found[0].is_bits else 'words'}"
        what = f"{label_of(at)}: its {counted} reach past the last register, {LAST_REGISTER} on the wire"
        document.complain(at, what, "correct the register or the type")
        return None
    return found[0], found[1]


def _miss_table(document: Document, group: Path) -> None:
    if document.at((*group, "table")) is None:
        do = 'add "table: holding" or "table: input" (or coil, or discrete)'
        document.complain(group, f'{label_of(group)} needs "table"', do, got="", key=True)

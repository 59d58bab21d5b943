"""Register numbers as written in a map -> table and register on the wire, each fault at its place."""

from tallywell.registers.numbering import LAST_REGISTER, Numbering, Wrong, on_the_wire
from tallywell.registers.quantity import Table
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path


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

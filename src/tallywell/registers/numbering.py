"""Register numbers as manuals print them -> as on the wire, 0 to 65535.

A PDU counts registers, coils and discrete inputs from 0, the data model from 1 (Modbus Application Protocol V1.1b3,
4.4). Manuals often put the table before the number: 1 and 000001 are the first coil, 10001 and 100001 the first
discrete input, 30001 and 300001 the first input register, 40001 and 400001 the first holding register; the older five
digits end at 9999. Common practice, no clause.
"""

from dataclasses import dataclass
from enum import StrEnum

from tallywell.registers.quantity import Table


class Numbering(StrEnum):
    """How the map counts registers."""

    ON_THE_WIRE = "on_the_wire"
    ONE_BASED = "one_based"
    DATA_MODEL = "data_model"


LAST_REGISTER = 65535
_FIRST = {Numbering.ON_THE_WIRE: 0, Numbering.ONE_BASED: 1}
_DATA_MODEL = (
    (1, 9999, Table.COIL),
    (10001, 19999, Table.DISCRETE),
    (100001, 165536, Table.DISCRETE),
    (30001, 39999, Table.INPUT),
    (300001, 365536, Table.INPUT),
    (40001, 49999, Table.HOLDING),
    (400001, 465536, Table.HOLDING),
)


@dataclass(frozen=True, slots=True)
class Wrong:
    """Why a number names no register, and what to do."""

    what: str
    do: str


def on_the_wire(number: int, numbering: Numbering, table: Table | None) -> tuple[Table | None, int] | Wrong:
    """The table and the register on the wire. The table is None where neither the number nor the map says it."""
    if numbering is Numbering.DATA_MODEL:
        return _of_data_model(number, table)
    first = _FIRST[numbering]
    if not first <= number <= first + LAST_REGISTER:
        return Wrong(
            f"with numbering {numbering} a register is {first} to {first + LAST_REGISTER}", _likelier(number, first)
        )
    return table, number - first


def _likelier(number: int, first: int) -> str:
    if number < first:
        return 'write "numbering: on_the_wire" if the manual counts from 0'
    if any(low <= number <= high for low, high, _ in _DATA_MODEL):
        return 'write "numbering: data_model" if the manual prints 30001 or 40001 for the first'
    return ""


def _of_data_model(number: int, table: Table | None) -> tuple[Table, int] | Wrong:
    for low, high, named in _DATA_MODEL:
        if low <= number <= high:
            if table not in (None, named):
                return Wrong(
                    f"is in the {named} table by its number, but table says {table}",
                    _correct_one(number - low, named, table),
                )
            return named, number - low
    return Wrong("is no register number of the data model", _CORRECT)


def _correct_one(register: int, named: Table, table: Table | None) -> str:
    if table is None or table.is_bits or not named.is_bits:
        return f'write "table: {named}", or correct the number'
    return f'write {as_written(register, Numbering.DATA_MODEL, table)} for this {table} register, or "table: {named}"'


def table_of_number(number: int) -> Table | None:
    """The table that a number names in the data model; None where it names none."""
    return next((named for low, high, named in _DATA_MODEL if low <= number <= high), None)


def as_words(number: int) -> str:
    """What to write where a word was meant and the number of the data model is that of a bit."""
    found = on_the_wire(number, Numbering.DATA_MODEL, None)
    assert not isinstance(found, Wrong), "it names a bit"
    holding, register = (as_written(found[1], Numbering.DATA_MODEL, table) for table in (Table.HOLDING, Table.INPUT))
    return f"write {holding} for a holding register, {register} for an input register"


_CORRECT = (
    "write 30001 to 39999 or 40001 to 49999 (1 to 9999 or 10001 to 19999 for bits), or their six digits; "
    'or "numbering: on_the_wire" or "one_based"'
)


def as_written(register: int, numbering: Numbering, table: Table, *, six_digits: bool = False) -> int:
    """The number that a map of this numbering has for a register on the wire; the inverse of `on_the_wire`.

    Five digits where they reach, unless six are asked for; coils have one form only, up to 9999.
    """
    if numbering is not Numbering.DATA_MODEL:
        return register + _FIRST[numbering]
    ranges = [(low, high) for low, high, named in _DATA_MODEL if named is table]
    low, high = ranges[0]
    if len(ranges) > 1 and (six_digits or low + register > high):
        low, high = ranges[1]
    return low + register

"""Register numbers of manuals against Modbus Application Protocol V1.1b3, 4.4 and common practice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.registers.numbering import Numbering, Wrong, as_written, on_the_wire
from tallywell.registers.quantity import Table

WIRE, ONE, MODEL = Numbering


@pytest.mark.parametrize(
    ("number", "numbering", "table", "expected"),
    [
        (0, WIRE, Table.INPUT, (Table.INPUT, 0)),
        (65535, WIRE, Table.HOLDING, (Table.HOLDING, 65535)),
        (1, ONE, Table.INPUT, (Table.INPUT, 0)),  # V1.1b3, 4.4: number 1 of the data model is 0 in the PDU
        (65536, ONE, Table.INPUT, (Table.INPUT, 65535)),
        (30001, MODEL, None, (Table.INPUT, 0)),
        (300001, MODEL, Table.INPUT, (Table.INPUT, 0)),
        (365536, MODEL, None, (Table.INPUT, 65535)),
        (40001, MODEL, Table.HOLDING, (Table.HOLDING, 0)),
        (400108, MODEL, None, (Table.HOLDING, 107)),  # as the reading of register 108 in V1.1b3, 6.3
        (49999, MODEL, None, (Table.HOLDING, 9998)),
        (20, MODEL, None, (Table.COIL, 19)),  # coil 20 is 0x0013 in the PDU: the example of V1.1b3, 6.1
        (9999, MODEL, Table.COIL, (Table.COIL, 9998)),
        (10197, MODEL, None, (Table.DISCRETE, 196)),  # input 197 is 0x00C4: the example of V1.1b3, 6.2
        (100001, MODEL, Table.DISCRETE, (Table.DISCRETE, 0)),
        (165536, MODEL, None, (Table.DISCRETE, 65535)),
        (1, ONE, Table.COIL, (Table.COIL, 0)),
    ],
)
def test_numbers_that_name_a_register(
    number: int, numbering: Numbering, table: Table | None, expected: tuple[Table, int]
) -> None:
    assert on_the_wire(number, numbering, table) == expected


@pytest.mark.parametrize(
    ("number", "numbering", "table", "says"),
    [
        (65536, WIRE, Table.INPUT, "0 to 65535"),
        (0, ONE, Table.INPUT, "1 to 65536"),
        (400001, WIRE, Table.HOLDING, "data_model"),
        (40001, MODEL, Table.INPUT, "holding table by its number"),
        (17, MODEL, Table.HOLDING, "coil table by its number"),
        (10005, MODEL, Table.COIL, "discrete table by its number"),
        (20000, MODEL, None, "no register number"),
        (50000, MODEL, None, "no register number"),
        (0, MODEL, None, "no register number"),
    ],
)
def test_numbers_that_do_not(number: int, numbering: Numbering, table: Table | None, says: str) -> None:
    found = on_the_wire(number, numbering, table)
    assert isinstance(found, Wrong)
    assert says in f"{found.what}; {found.do}"


@given(st.integers(0, 65535), st.sampled_from(Numbering), st.sampled_from(Table), st.booleans())
def test_a_register_is_written_as_it_is_read(
    register: int, numbering: Numbering, table: Table, six_digits: bool
) -> None:
    if numbering is MODEL and table is Table.COIL and register > 9998:
        return  # coils have no six digits
    number = as_written(register, numbering, table, six_digits=six_digits)
    assert on_the_wire(number, numbering, table) == (table, register)


def test_five_digits_where_they_reach() -> None:
    assert as_written(20, MODEL, Table.HOLDING) == 40021
    assert as_written(20, MODEL, Table.HOLDING, six_digits=True) == 400021
    assert as_written(9999, MODEL, Table.INPUT) == 310000

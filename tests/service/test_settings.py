"""What is kept of a meter's identity and settings, and what counts as a change of them."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tallywell.readings.faults import Fault
from tallywell.registers.decode import Value, value_of
from tallywell.registers.encode import encode
from tallywell.registers.quantity import (
    ONCE,
    SETTINGS,
    Kind,
    Named,
    Quantity,
    RegisterMap,
    Setting,
    Table,
    ValueType,
)
from tallywell.service.settings import Kept, Known, compare, events_of, expected_shown, known_of, news
from tallywell.store.canonical import canonical

SERIAL = Quantity(
    "serial_number", Kind.TEXT, Table.HOLDING, 70, ValueType.TEXT, length=3, rhythm=SETTINGS, setting=Setting.SERIAL
)
UNIT = Quantity(
    "unit_setting",
    Kind.ENUMERATION,
    Table.HOLDING,
    80,
    ValueType.UINT16,
    enumeration=(Named(0, "litre"), Named(1, "gallon")),
    rhythm=SETTINGS,
    setting=Setting.UNIT,
    expected=("litre",),
)
TAG = Quantity("tag", Kind.TEXT, Table.HOLDING, 50, ValueType.TEXT, length=2, rhythm=ONCE)
FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 0, ValueType.UINT16, unit="gpm")
MAP = RegisterMap("spool-c", 1, {q.name: q for q in (FLOW, SERIAL, UNIT, TAG)})


def read(**shown: str | int | Fraction) -> list[Value]:
    return [value_of(MAP.quantities[name], encode(MAP, name, one)) for name, one in shown.items()]


def first(**shown: str | int | Fraction) -> Known:
    return compare(MAP, {}, read(**shown)).known


def test_what_is_kept_the_first_time() -> None:
    compared = compare(MAP, {}, read(flow_rate=Fraction(8), serial_number="A-1", unit_setting=0))
    assert compared.known == {
        "serial_number": Kept("serial", "A-1", "412d31000000", at=(3, 70, 3)),
        "unit_setting": Kept("unit", "litre", "0000", as_expected=True, at=(3, 80, 1)),
    }
    assert (compared.is_new, compared.changed, compared.unexpected) == (True, (), ())
    ((name, content),) = events_of("north", compared)
    assert (name, known_of(canonical(content))) == ("settings", ("north", compared.known))


def test_the_same_again_is_nothing() -> None:
    known = first(serial_number="A-1", unit_setting=1)
    assert news("north", MAP, known, read(serial_number="A-1", unit_setting=1)).events == ()
    assert news("north", MAP, known, read(flow_rate=Fraction(8))).events == ()


def test_what_did_not_come_or_has_a_fault_is_no_change() -> None:
    known = first(serial_number="A-1", unit_setting=0, tag="N1")
    faulty = [replace(read(unit_setting=1)[0], fault=Fault.NO_VALUE)]
    compared = compare(MAP, known, read(serial_number="A-1") + faulty)
    assert (compared.known, compared.is_new) == (known, False)


@pytest.mark.parametrize("corrected", [replace(SERIAL, register=90), replace(SERIAL, length=4)])
def test_a_setting_that_a_corrected_map_reads_elsewhere_has_not_changed(corrected: Quantity) -> None:
    """The first map read some other words of the meter: noted anew, and nobody is told of another meter."""
    known = first(serial_number="A-1")
    better = RegisterMap("spool-c", 2, {**MAP.quantities, "serial_number": corrected})
    values = [value_of(corrected, encode(better, "serial_number", "B-22"))]
    found = news("north", better, known, values)
    assert ([name for name, _ in found.events], found.said) == (["settings"], ())
    swapped = [value_of(corrected, encode(better, "serial_number", "C-33"))]
    assert [name for name, _ in news("north", better, found.known, swapped).events] == ["setting_changed", "settings"]


def test_what_is_read_once_and_is_no_setting_is_noted_anew_and_has_not_changed() -> None:
    """It may be hours run, or a clock: nobody set the meter."""
    found = news("north", MAP, first(tag="N1"), read(tag="N2"))
    assert ([name for name, _ in found.events], found.said) == (["settings"], ())


def test_a_change_is_on_record_and_said_once() -> None:
    known = first(serial_number="A-1", unit_setting=0)
    found = news("north", MAP, known, read(serial_number="B-2", unit_setting=0))
    assert [name for name, _ in found.events] == ["setting_changed", "settings"]
    assert found.events[0][1] == {
        "point": "north", "quantity": "serial_number", "setting": "serial", "before": "A-1", "after": "B-2",
    }  # fmt: skip
    (said,) = found.said
    assert said.startswith(
        "serial_number changed from A-1 to B-2; if another meter hangs there now, note it: `tallywell"
    )
    assert news("north", MAP, found.known, read(serial_number="B-2", unit_setting=0)).events == ()


def test_a_setting_for_which_the_map_is_not_written_is_said_once_for_each_value() -> None:
    found = news("north", MAP, {}, read(unit_setting=1))
    assert [name for name, _ in found.events] == ["setting_unexpected", "settings"]
    assert found.events[0][1] == {
        "point": "north", "quantity": "unit_setting", "setting": "unit", "shown": "gallon",
    }  # fmt: skip
    assert found.said[0] == (
        "unit_setting reads gallon, and the map spool-c is written for litre: its numbers may be wrong; "
        "set the meter back, or correct the map"
    )
    assert len(found.said) == 1
    assert news("north", MAP, found.known, read(unit_setting=1)).events == ()
    other = news("north", MAP, found.known, read(unit_setting=7))
    assert [name for name, _ in other.events] == ["setting_changed", "setting_unexpected", "settings"]
    back = news("north", MAP, other.known, read(unit_setting=0))
    assert [name for name, _ in back.events] == ["setting_changed", "settings"]


def test_a_map_that_is_corrected_to_expect_something_else() -> None:
    known = first(unit_setting=1)
    corrected = {**MAP.quantities, "unit_setting": replace(UNIT, expected=("gallon",))}
    words = value_of(corrected["unit_setting"], b"\x00\x01")
    found = news("north", replace(MAP, quantities=corrected), known, [words])
    assert [name for name, _ in found.events] == ["settings"]
    again = news("north", MAP, found.known, read(unit_setting=1))
    assert [name for name, _ in again.events] == ["setting_unexpected", "settings"]


def test_the_same_words_shown_in_another_way_are_no_change_of_the_meter() -> None:
    known = first(unit_setting=1)
    renamed = replace(UNIT, enumeration=(Named(0, "litre"), Named(1, "US gallon")))
    found = news("north", replace(MAP, quantities={"unit_setting": renamed}), known, read(unit_setting=1)[:0])
    assert found.events == (), "nothing came"
    words = value_of(renamed, b"\x00\x01")
    found = news("north", replace(MAP, quantities={"unit_setting": renamed}), known, [words])
    assert [name for name, _ in found.events if name != "setting_unexpected"] == ["settings"]


def test_other_words_that_read_the_same_are_no_news() -> None:
    known = first(serial_number="A-1")
    assert news("north", MAP, known, [value_of(SERIAL, b"A-1   ")]).events == ()


def test_sets_that_are_read_apart_add_up_and_a_quantity_that_the_map_lost_goes() -> None:
    both = compare(MAP, first(tag="N1"), read(serial_number="A-1"))
    assert (list(both.known), both.changed) == (["serial_number", "tag"], ())
    without = replace(MAP, quantities={"serial_number": SERIAL})
    gone = compare(without, both.known, read(serial_number="A-1"))
    assert (list(gone.known), gone.is_new, gone.changed) == (["serial_number"], True, ())


@pytest.mark.parametrize(
    ("expected", "shown"),
    [(("litre",), "litre"), (("litre", "gallon"), "litre or gallon"), ((Fraction(1),), "gallon"), ((), "")],
)
def test_what_the_map_is_written_for_in_words(expected: tuple[str | Fraction, ...], shown: str) -> None:
    quantities = {"unit_setting": replace(UNIT, expected=expected)}
    assert expected_shown(replace(MAP, quantities=quantities), "unit_setting") == shown
    assert expected_shown(MAP, "gone") == ""

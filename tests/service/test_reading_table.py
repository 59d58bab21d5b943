"""What `read` says of a reading besides its numbers."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tallywell.readings.facts import Poll
from tallywell.readings.units import FLOWS, measure
from tallywell.registers.decode import Decoded, Value, value_of
from tallywell.registers.quantity import Bit, Kind, LowPart, Quantity, RegisterMap, Setting, Table, ValueType
from tallywell.service.reading_table import Noted, lines, raw_shown
from tallywell.service.settings import Kept
from tallywell.service.site import Line, Parity, Point, Site, Well, WellShare

FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 0, ValueType.FLOAT32, unit="gpm")
POINT = Point(
    name="north",
    called="North",
    wells=(WellShare("north"),),
    line="field",
    address=17,
    map_name="m.yaml",
    map=RegisterMap("m", 1, {"flow_rate": FLOW}),
    every_ms=60_000,
    possible_rate=measure("2000 gpm", "flow rate"),
    running_above=None,
)
SITE = Site(
    "Quail Flat",
    "America/Denver",
    {"field": Line("field", "/dev/x", 19200, Parity.EVEN, 1)},
    {"north": Well("north", "North")},
    {"north": POINT},
    {},
    None,
)


def shown(gpm: Fraction) -> str:
    value = Value(FLOW, bytes(4), number=gpm, si=gpm * FLOWS["gpm"])
    return "\n".join(
        lines(
            POINT,
            SITE,
            Poll(1, 1, 1, 1, 0, 0, None, 0, None, None, None),
            Decoded({"flow_rate": value}, None, frozenset()),
        )
    )


@pytest.mark.parametrize("gpm", ["0", "842.1", "-3", "0.001", "2500"])
def test_a_flow_that_can_be_is_not_remarked_on(gpm: str) -> None:
    assert "looks wrong" not in shown(Fraction(gpm))


@pytest.mark.parametrize("gpm", ["1143123867", "-0.00000000028242747", "1e-40", "-1e30"])
def test_a_flow_of_words_in_a_wrong_order_is_named(gpm: str) -> None:
    assert "flow_rate looks wrong; if it is: check type, word order, register" in shown(Fraction(gpm))


SERIAL = Quantity("serial_number", Kind.TEXT, Table.HOLDING, 70, ValueType.TEXT, length=2, setting=Setting.SERIAL)
UNIT = Quantity(
    "unit_setting", Kind.TEXT, Table.HOLDING, 80, ValueType.TEXT, length=2, setting=Setting.UNIT, expected=("L",)
)
HOURLY = Quantity("temperature", Kind.OTHER, Table.INPUT, 60, ValueType.INT16, unit="degC")
FULL = replace(POINT, map=RegisterMap("m", 1, {q.name: q for q in (FLOW, HOURLY, SERIAL, UNIT)}))


def poll(seq: int, shown_ms: int, fault: str | None = None) -> Poll:
    return Poll(seq, 1, 1, 1, 0, shown_ms, 0, 0, None, fault, None)


def decoded(*values: Value, suspect: frozenset[str] = frozenset()) -> Decoded:
    return Decoded({value.quantity: value for value in values}, None, suspect=suspect)


def test_what_is_read_in_another_rhythm_stands_below_with_its_own_time() -> None:
    main = decoded(Value(FLOW, bytes(4), number=Fraction(8)), suspect=frozenset({"cover_open"}))
    settings = decoded(value_of(SERIAL, b"A-1\0"), value_of(UNIT, b"gal\0"))
    hourly = decoded(value_of(HOURLY, b"\x00\x15"))
    beside = [(poll(1, 60_000), hourly), (poll(2, 120_000), settings)]
    *table, last, rest = lines(FULL, SITE, poll(3, 180_000), main, beside=beside)
    assert table == [
        "north (line field, address 17), 1969-12-31 17:03:00 -07:00",
        "  quantity   value  raw words  register",
        "  flow_rate  8 gpm  0000 0000  input 0",
        "  the meter says that its numbers are suspect (cover_open)",
        "  read 1969-12-31 17:01:00 -07:00:",
        "  quantity     value    raw words  register",
        "  temperature  21 degC  0015       input 60",
        "  settings, read 1969-12-31 17:02:00 -07:00:",
        "  quantity       value  raw words  register",
        "  serial_number  A-1    412D 3100  holding 70",
        "  unit_setting   gal    6761 6C00  holding 80",
    ]
    assert (last, rest) == (
        "  unit_setting reads gal, and the map m is written for L: its numbers may be wrong; set the meter",
        "    back, or correct the map",
    )


def test_settings_that_did_not_come_now_are_shown_as_noted() -> None:
    known = {"serial_number": Kept("serial", "A-1", "412d3100"), "gone": Kept("other", "x", "00")}
    out = lines(
        FULL, SITE, poll(3, 180_000), decoded(), beside=[(poll(2, 120_000, "exception"), decoded())],
        noted=Noted(known, 60_000),
    )  # fmt: skip
    assert out[1].startswith("  what is read besides: refusals at 1969-12-31 17:02:00 -07:00; the meter refuses")
    assert out[2].startswith("    ")
    assert out[3:] == ["  settings as noted 1969-12-31 17:01:00 -07:00:", "  serial_number  A-1"]


def test_no_line_is_wider_than_a_hundred() -> None:
    tag = Quantity("tag", Kind.TEXT, Table.HOLDING, 70, ValueType.TEXT, length=16)
    bits = tuple(Bit(number, f"condition_number_{number}") for number in range(8))
    status = Quantity("status", Kind.BITS, Table.INPUT, 10, ValueType.UINT16, bits=bits)
    main = decoded(value_of(tag, b"CONVERTER OF THE NORTH DISCHARGE"), value_of(status, b"\0\xff"))
    out = lines(FULL, SITE, poll(3, 180_000, "torn"), main)
    assert max(map(len, out)) <= 100
    assert [line[12:].split("  ")[0].rstrip() for line in out[2:6]] == ["CONVERTER OF THE NORTH DISCHARGE", "", "", ""]
    assert [line[46:].split("  ")[0] for line in out[2:6]] == [
        "434F 4E56 4552 5445 5220", "4F46 2054 4845 204E 4F52", "5448 2044 4953 4348 4152", "4745",
    ]  # fmt: skip
    assert out[-2].startswith("  totals torn between two requests: the total changed between the two requests")
    assert out[-1].startswith("    ")


@pytest.mark.parametrize(
    ("low_register", "raw", "shown"),
    [
        (22, "0001 0002 0003", "0001 0002 0003"),
        (24, "0001 0002 0000 0000 0003", "0001 0002 .. 0003"),
        (17, "0003 0000 0000 0001 0002", "0003 .. 0001 0002"),
    ],
)
def test_registers_between_the_parts_of_a_total_are_not_shown_as_its_words(
    low_register: int, raw: str, shown: str
) -> None:
    total = replace(FLOW, kind=Kind.TOTAL, register=20, type=ValueType.UINT32, low_part=low_at(low_register))
    assert raw_shown(Value(total, bytes.fromhex(raw))) == shown


def low_at(register: int) -> LowPart:
    return LowPart(register, ValueType.UINT16, 1000)

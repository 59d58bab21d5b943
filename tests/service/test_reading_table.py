"""What `read` says of a reading besides its numbers."""

from fractions import Fraction

import pytest

from tallywell.readings.facts import Poll
from tallywell.readings.units import FLOWS, measure
from tallywell.registers.decode import Decoded, Value
from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Table, ValueType
from tallywell.service.reading_table import lines
from tallywell.service.site import Line, Parity, Point, Site, Well

FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 0, ValueType.FLOAT32, unit="gpm")
POINT = Point(
    name="north",
    called="North",
    well="north",
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

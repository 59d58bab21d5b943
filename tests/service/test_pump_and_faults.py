"""Faults with the pump running and standing, where a run signal tells it."""

from fractions import Fraction

from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.readings.units import GALLON, Measure
from tallywell.registers.register_map import parse_map
from tallywell.service.pump_and_faults import PumpAndFaults
from tallywell.service.site import Point

MAP = """\
map: ditch-k
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  forward_total: {table: input, register: 0, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
  flow_rate:     {table: input, register: 2, type: uint16, unit: gpm}
  contactor:     {table: discrete, register: 4, type: bits, bits: {0: closed}}
"""
RATE = Measure(Fraction(20), "gpm", 20 * GALLON / 60)


def test_a_run_signal_goes_before_the_flow_rate() -> None:
    found, problems = parse_map(MAP, "m.yaml")
    assert found is not None, problems
    point = Point("north", "", (), "", 17, "", found, 60_000, RATE, running_above=RATE, pump_running="contactor")
    total, contactor = Ask(17, Read(4, 0, 3), 1), Ask(17, Read(2, 4, 1), 1)
    pump = PumpAndFaults(point)
    flows = bytes.fromhex("000003e8 0064")
    pump.after(Outcome(contactor, b"\x01", None, 0, 1))
    pump.after(Outcome(total, None, Fault.NO_ANSWER, 0, 1))
    pump.after(Outcome(total, flows, None, 0, 1))  # says nothing of the pump
    pump.after(Outcome(contactor, b"\x01", None, 0, 1))
    pump.after(Outcome(contactor, b"\x00", None, 0, 1))
    assert (pump.running.asked, pump.running.failed) == (4, 1)
    assert (pump.still.asked, pump.still.failed) == (1, 0)

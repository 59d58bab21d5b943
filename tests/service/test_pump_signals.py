"""A run signal, an hour meter and a reverse total of the map, from the site file to the ledger's readings."""

from fractions import Fraction
from typing import Any

import pytest

from tallywell.readings.clocks import When
from tallywell.readings.facts import Poll
from tallywell.readings.quantities import Missed, Reading
from tallywell.readings.units import GALLON, Measure
from tallywell.registers.blocks import read_sets, reads
from tallywell.registers.quantity import RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.service.ledger_facts import Decoder, plan_in_force, rules_of
from tallywell.service.pump_signals import RunSignal, hour_meter_step_ms, run_signals
from tallywell.service.site import Point
from tallywell.service.site_file import parse_site

MAP = """\
map: ditch-k
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  forward_total: {table: input, register: 0, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
  reverse_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8}
  flow_rate:     {table: input, register: 4, type: uint16, unit: gpm}
  run_hours:     {table: input, register: 5, type: uint16, unit: 0.1 h}
  status:        {table: input, register: 6, type: bits, bits: {0: pump, 3: door}}
  mode:          {table: input, register: 7, type: uint16, enumeration: {0: standing, 1: turning, 2: door}}
  contactor:     {table: discrete, register: 4, type: bits, bits: {0: closed}}
  torque:        {table: input, register: 8, type: uint16, unit: percent}
  slow:          {table: input, register: 9, type: uint16, every: 1 h}
"""
SITE = """\
site: Quail Flat
time_zone: America/Denver
lines: {field: {port: /dev/ttyS0, baud: 19200}}
wells: {north:}
points:
  north: {well: north, line: field, address: 17, map: m.yaml, every: 1 min, pipe: 8 in, KEYS}
permits: {P: {kind: right, points: [north]}}
"""


def a_map() -> RegisterMap:
    found, problems = parse_map(MAP, "m.yaml")
    assert found is not None, problems
    return found


def said(keys: str) -> list[str]:
    _, problems = parse_site(SITE.replace("KEYS", keys), "site.yaml", lambda name: MAP)
    return [str(problem) for problem in problems]


def reading(keys: dict[str, Any], words: str, contactor: bytes = b"\0", got: int = 3) -> Reading | Missed | None:
    found = a_map()
    plan = reads(found, read_sets(found, 10**9)[0].names)
    assert [read.function for read in plan] == [4, 2]
    rate = Measure(Fraction(2000), "gpm", 2000 * GALLON / 60)
    point = Point("north", "", (), "", 17, "", found, 60_000, rate, running_above=rate, **keys)
    decoder = Decoder(lambda _: plan_in_force(found, "", plan), point)
    raw = (bytes.fromhex(words) if got & 1 else b"") + (contactor if got & 2 else b"")
    return decoder.fact(Poll(1, 1, 1, 1, 0, 0, 0, got, raw, None, None), When(1, 0, 0, 0))


#        total    reverse  flow hours st   mode torque
WORDS = "000003e8 00000007 0064 007b 0009 0001 0032"


@pytest.mark.parametrize(
    ("names", "runs"),
    [
        ("pump", True),
        ("status.pump", True),
        ("turning", True),
        ("standing", False),
        ("mode.door", False),
        ("status.door", True),
        ("contactor", False),
        ("closed", False),
    ],
)
def test_what_is_named_says_whether_the_pump_runs(names: str, runs: bool) -> None:
    found = reading({"pump_running": names}, WORDS)
    assert isinstance(found, Reading)
    assert found.running is runs


def test_the_other_bit_and_the_contactor() -> None:
    assert isinstance(on := reading({"pump_running": "contactor"}, WORDS, b"\x01"), Reading)
    assert on.running is True
    assert isinstance(off := reading({"pump_running": "pump"}, WORDS.replace("0009", "0008")), Reading)
    assert off.running is False
    assert isinstance(odd := reading({"pump_running": "turning"}, WORDS.replace("0001 0032", "0007 0032")), Reading)
    assert odd.running is None  # a number without a name


def test_hours_and_reverse_volume_come_with_the_total() -> None:
    found = reading({"hour_meter": "run_hours"}, WORDS)
    assert isinstance(found, Reading)
    assert found.hour_meter_ms == 12_3 * 360_000
    assert found.reverse_m3 == 7 * GALLON
    assert found.running is False  # by running_above, as there is no run signal
    assert hour_meter_step_ms(a_map(), "run_hours", 60_000) == 360_000
    assert hour_meter_step_ms(a_map(), None, 60_000) == 0


def test_a_name_that_stands_twice_needs_its_quantity() -> None:
    signals = run_signals(a_map())
    assert signals["pump"] == RunSignal("status", "pump")
    assert "door" not in signals
    assert "status" not in signals
    assert signals["slow"] == RunSignal("slow", "")


def test_the_rules_know_that_there_is_a_run_signal() -> None:
    rate = Measure(Fraction(2000), "gpm", 2000 * GALLON / 60)
    point = Point("north", "", (), "", 17, "", a_map(), 60_000, rate, pump_running="pump")
    assert rules_of(point).run_signal


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("pump_running: pumpp", 'did you mean "pump"?'),
        ("pump_running: status", "status.pump, status.door"),
        ("pump_running: door", "status.door, mode.door"),
        ("pump_running: torque", "name a bit or a coil"),
        ("pump_running: slow", "another rhythm"),
        ("pump_running: pump, running_above: 20 gpm", "running_above has no effect, as pump_running says"),
        ("hour_meter: run_hour", 'did you mean "run_hours"?'),
        ("hour_meter: torque", "is no duration"),
    ],
)
def test_check_says_what_is_wrong(keys: str, says: str) -> None:
    (problem,) = said(keys)
    assert says in problem


def test_check_is_content_with_what_is_right() -> None:
    assert said("pump_running: status.pump, hour_meter: run_hours") == []


def test_an_hour_meter_in_a_rhythm_of_its_own_goes_with_the_next_reading() -> None:
    text = MAP.replace("unit: 0.1 h}", "unit: 0.1 h, every: 1 h}")
    found, _ = parse_map(text, "m.yaml")
    assert found is not None
    hourly, main = (reads(found, ["run_hours"]), reads(found, ["forward_total"]))
    rate = Measure(Fraction(2000), "gpm", 2000 * GALLON / 60)
    point = Point("north", "", (), "", 17, "", found, 60_000, rate, hour_meter="run_hours")
    decoder = Decoder(lambda number: plan_in_force(found, "", (hourly, main)[number]), point)

    def fact(seq: int, plan: int, boot_ms: int, words: str) -> Reading | Missed | None:
        when = When(1, boot_ms, boot_ms, 0)
        return decoder.fact(Poll(seq, 1, 1, plan, boot_ms, 0, 0, 1, bytes.fromhex(words), None, None), when)

    assert fact(1, 0, 0, "007b") is None
    shown = [fact(2, 1, 100, "000003e8"), fact(3, 1, 60_100, "000003e9")]
    assert [one.hour_meter_ms for one in shown if isinstance(one, Reading)] == [44_280_000, None]
    assert fact(4, 0, 60_200, "007c") is None
    assert isinstance(late := fact(5, 1, 300_000, "000003e9"), Reading)
    assert late.hour_meter_ms is None
    assert hour_meter_step_ms(found, "run_hours", 60_000) == 420_000

"""One map that uses every key of the language, and what each key makes of it."""

from fractions import Fraction

import pytest

from tallywell.readings.exchange import Read
from tallywell.readings.units import VOLUMES
from tallywell.registers.map_forms import LimitsForm, LowPartForm, MapForm, QuantityForm
from tallywell.registers.quantity import (
    EACH_POLL,
    ONCE,
    SETTINGS,
    Bit,
    ByteOrder,
    Direction,
    Factor,
    Kind,
    LowPart,
    Meaning,
    Named,
    Quantity,
    RegisterMap,
    Rhythm,
    Setting,
    Span,
    Table,
    Wake,
    WordOrder,
)
from tallywell.registers.register_map import parse_map

HOUR_NS = 3_600_000_000_000
EVERY_KEY = """
map: every-key
revision: 3
numbering: one_based
word_order: low_word_first
byte_order: low_byte_first
limits:
  words_per_read: 16
  bits_per_read: 64
  longest_delay: 400 ms
  pause: 20 ms
  padding: 2
  ready_after_power_up: 30 s
  refresh_interval: 2 s
wake: {table: holding, register: 1, wait: 200 ms, window: 5 s}
together: [[forward_total, total_exponent]]
safe_to_read: [{table: input, from: 20, to: 29}]
do_not_read: [{table: holding, from: 100, to: 109}, {table: coil, from: 7, to: 7}]
quantities:
  total_exponent: {table: input, register: 6, type: int16, valid: {from: -3, to: 3}}
  forward_total:
    table: input
    register: 7
    type: uint32
    one_count: 1 L
    exponent_from: total_exponent
    digits: 8
    for_the_books: yes
    display: {one_count: 1 m3, digits: 6}
  whole_total:
    table: input
    register: 10
    type: uint32
    one_count: 0.001 m3
    low_part: {register: 12, type: bcd, words: 1, capacity: 1000}
  flow_rate: {table: input, register: 2, type: uint16, unit: 2500/65535 gpm, offset: -20, scale_from: flow_scale}
  flow_scale: {table: input, register: 3, type: uint16, no_value: [0xFFFF, 0]}
  since_reset:
    {table: holding, register: 30, type: bcd, words: 2, one_count: 10 gal, direction: reverse, resettable: yes}
  old_total: {table: holding, register: 33, type: modulo_10000, words: 3, one_count: 1 gal, capacity: 10^9}
  alarms: {table: discrete, register: 1, type: bits, bits: {0: dry, 3: {name: open, means: suspect, when: 0}}}
  relays: {table: coil, register: 9, type: bits, words: 12}
  mode: {table: holding, register: 40, type: uint16, enumeration: {0: normal, 0x1F: {name: test, means: not_counting}}}
  tag: {table: holding, register: 50, type: text, words: 8, byte_order: high_byte_first, every: once}
  temperature: {table: input, register: 60, type: int16, unit: 0.1 degC, every: 1 h, word_order: high_word_first}
  serial_number: {table: holding, register: 70, type: text, words: 6, setting: serial}
  unit_setting:
    {table: holding, register: 80, type: uint16, enumeration: {0: litre}, setting: unit, expected: litre, every: 1 h}
  cutoff: {table: holding, register: 81, type: uint16, unit: 0.1 L/s, setting: low_flow_cutoff, expected: [5, 0.6 L/s]}
"""


@pytest.fixture(scope="module")
def every_key() -> RegisterMap:
    found, problems = parse_map(EVERY_KEY, "every-key.yaml")
    assert problems == ()
    assert found is not None
    return found


def test_no_key_of_the_language_is_left_out() -> None:
    forms = (MapForm, LimitsForm, QuantityForm, LowPartForm)
    keys = {field.alias or name for form in forms for name, field in form.model_fields.items()}
    elsewhere = {"based_on", "without", "exact_reads"}  # each has tests of its own
    assert [
        key for key in sorted(keys - elsewhere) if f"{key}: " not in EVERY_KEY and f"{key}:\n" not in EVERY_KEY
    ] == []


def test_reads_spans_and_groups(every_key: RegisterMap) -> None:
    assert every_key.together == (frozenset({"forward_total", "total_exponent"}),)
    assert every_key.safe_to_read == (Span(Table.INPUT, 19, 29),)
    assert every_key.do_not_read == (Span(Table.HOLDING, 99, 109), Span(Table.COIL, 6, 7))
    assert every_key.wake == Wake(Read(3, 0, 1), 200_000_000, 5_000_000_000)
    limits = every_key.limits
    assert (limits.words_per_read, limits.bits_per_read, limits.padding) == (16, 64, 2)
    assert (limits.longest_delay_ns, limits.pause_ns, limits.refresh_ns) == (400_000_000, 20_000_000, 2_000_000_000)
    assert limits.ready_after_power_up_ns == 30_000_000_000
    assert not limits.one_by_one


def test_totals(every_key: RegisterMap) -> None:
    forward, whole = every_key.quantities["forward_total"], every_key.quantities["whole_total"]
    assert every_key.books == forward
    assert forward.factor == Factor("total_exponent", exponent=True, least=Fraction(1, 1000))
    assert forward.scale.one_count_m3 == Fraction(1, 1000)  # at the least factor; 1,000 L at a factor of 1
    assert forward.step == 1000
    assert forward.display is not None
    assert forward.display.one_count.si == 1
    assert forward.display.digits == 6
    assert whole.low_part == LowPart(11, every_key.quantities["since_reset"].type, 1000, 1)
    assert whole.capacity == 2**32 * 1000
    assert (whole.first, whole.end, whole.direction) == (9, 12, Direction.FORWARD)
    trip = every_key.quantities["since_reset"]
    assert (trip.capacity, trip.words, trip.direction, trip.resettable) == (10**8, 2, Direction.REVERSE, True)
    assert trip.scale.one_count_m3 == 10 * VOLUMES["gal"]
    assert every_key.quantities["old_total"].capacity == 10**9


def test_numbers_and_conditions(every_key: RegisterMap) -> None:
    quantities = every_key.quantities
    flow = quantities["flow_rate"]
    assert (flow.kind, flow.step, flow.offset) == (Kind.FLOW, Fraction(2500, 65535), Fraction(-20))
    assert flow.factor == Factor("flow_scale", exponent=False)
    assert quantities["flow_scale"].no_value == (0xFFFF, 0)
    assert quantities["alarms"].bits == (Bit(0, "dry"), Bit(3, "open", Meaning.SUSPECT, 0))
    assert (quantities["alarms"].width, quantities["alarms"].end) == (4, 4)
    assert (quantities["relays"].width, quantities["relays"].end) == (12, 20)
    assert quantities["mode"].enumeration == (Named(0, "normal"), Named(31, "test", Meaning.NOT_COUNTING))


def test_orders(every_key: RegisterMap) -> None:
    def order(name: str) -> tuple[WordOrder, ByteOrder]:
        return every_key.quantities[name].word_order, every_key.quantities[name].byte_order

    assert order("forward_total") == (WordOrder.LOW_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST)
    assert order("temperature") == (WordOrder.HIGH_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST)
    assert order("tag") == (WordOrder.HIGH_WORD_FIRST, ByteOrder.HIGH_BYTE_FIRST)
    assert order("serial_number") == (WordOrder.HIGH_WORD_FIRST, ByteOrder.LOW_BYTE_FIRST)


def test_rhythms_and_settings(every_key: RegisterMap) -> None:
    rhythms = {name: quantity.rhythm for name, quantity in every_key.quantities.items() if quantity.rhythm != EACH_POLL}
    assert rhythms == {
        "tag": ONCE,
        "temperature": Rhythm(HOUR_NS),
        "serial_number": SETTINGS,
        "unit_setting": Rhythm(HOUR_NS, after_silence=True),
        "cutoff": SETTINGS,
    }
    settings = {name: (q.setting, q.expected) for name, q in every_key.quantities.items() if q.setting}
    assert settings == {
        "serial_number": (Setting.SERIAL, ()),
        "unit_setting": (Setting.UNIT, ("litre",)),
        "cutoff": (Setting.LOW_FLOW_CUTOFF, (Fraction(5), Fraction("0.6"))),
    }
    cutoff = every_key.quantities["cutoff"]
    assert (cutoff.kind, cutoff.si_per_unit) == (Kind.OTHER, Fraction(1, 1000))  # no flow, though it has its unit


def test_bits_numbered_by_the_data_model_say_their_table() -> None:
    text = "map: m\nrevision: 1\nnumbering: data_model\nword_order: high_word_first\nquantities:\n"
    found, problems = parse_map(
        f"{text}  a: {{register: 7, type: bits, bits: {{2: x}}}}\n  b: {{register: 10005, type: bits, words: 3}}\n",
        "m.yaml",
    )
    assert problems == ()
    assert found is not None
    places = [(quantity.table, quantity.first, quantity.end) for quantity in found.quantities.values()]
    assert places == [(Table.COIL, 6, 9), (Table.DISCRETE, 4, 7)]


def test_exact_reads_are_numbered_as_the_map_is() -> None:
    head = "map: m\nrevision: 1\nnumbering: data_model\nword_order: high_word_first\n"
    one = "quantities: {level: {register: 40005, type: int16, unit: m}}\n"
    found, problems = parse_map(f"{head}limits: {{exact_reads: [{{register: 40001, words: 10}}]}}\n{one}", "m.yaml")
    assert problems == ()
    assert found is not None
    assert found.limits.exact_reads == (Read(3, 0, 10),)
    single, problems = parse_map(f"{head}limits: {{exact_reads: one_by_one}}\n{one}", "m.yaml")
    assert problems == ()
    assert single is not None
    assert single.limits.one_by_one
    assert isinstance(single.quantities["level"], Quantity)


@pytest.mark.parametrize("barred", ["{table: holding, from: 2, to: 3}", "{table: holding, from: 6, to: 6}"])
def test_registers_beside_a_quantity_may_be_barred(barred: str) -> None:
    head = "map: m\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\n"
    one = "quantities: {level: {table: holding, register: 4, type: int32, unit: m}}\n"
    assert parse_map(f"{head}do_not_read: [{barred}]\n{one}", "m.yaml")[1] == ()

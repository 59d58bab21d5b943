"""From a pass to the row that is stored."""

import struct

from tallywell.readings.exchange import Ask, Outcome, Pass
from tallywell.registers.blocks import reads
from tallywell.registers.register_map import parse_map
from tallywell.service.anchoring import Dating
from tallywell.service.rows import PointKeys, row

WIDE = """\
map: wide-meter
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float64, unit: 1000 gpm}
  forward_total: {table: input, register: 4, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""


def test_a_flow_beyond_a_float_leaves_its_column_empty_and_the_total_stands() -> None:
    register_map, problems = parse_map(WIDE, "wide.yaml")
    assert register_map is not None, problems
    plan = reads(register_map)
    words = struct.pack(">dI", 1.7e308, 4711)
    outcome = Outcome(Ask(1, plan[0], 1), words, None, sent_ns=1, ended_ns=3, first_ns=2)
    stored = row(Pass("north", plan, (outcome,), 0), PointKeys(1, 1, register_map, plan), 7, 1, Dating(0))
    assert (stored.flow, stored.forward, stored.fault, stored.raw) == (None, 4711, None, words)

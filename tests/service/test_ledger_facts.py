"""Rows of a register that scales itself, as the ledger takes them."""

from fractions import Fraction
from functools import partial
from pathlib import Path

from tallywell.readings.facts import Poll
from tallywell.readings.quantities import Missed, Reading, Scale
from tallywell.registers.blocks import read_sets, reads
from tallywell.registers.register_map import parse_map
from tallywell.service.accepted import accepted_site
from tallywell.service.ledger_facts import Decoder, plan_on_record
from tallywell.store.query import Reader
from tests.service.made_record import at, made_record

LITRE = Fraction(1, 1000)
SCALED = """\
map: spool-c
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  total_exponent: {table: input, register: 6, type: int16, valid: {from: -3, to: 3}}
  forward_total:  {table: input, register: 7, type: uint32, one_count: 1 L, exponent_from: total_exponent, digits: 8,
                   for_the_books: yes}
  flow_scale:     {table: input, register: 20, type: uint16, valid: {from: 1, to: 100}}
  flow_rate:      {table: input, register: 21, type: uint16, unit: gpm, scale_from: flow_scale}
  tag:            {table: holding, register: 50, type: text, words: 2, every: once}
"""


def words(exponent: int, raw: int) -> bytes:
    return exponent.to_bytes(2, "big", signed=True) + raw.to_bytes(4, "big") + b"\x00\x0a\x00\x07"


def test_each_reading_has_the_scale_that_its_own_pass_brought(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00", maps={"inline-a.yaml": SCALED})
    register_map, problems = parse_map(SCALED, "spool-c.yaml")
    assert register_map is not None, problems
    first, once = read_sets(register_map, 10**9)
    asked, tag = reads(register_map, first.names), reads(register_map, once.names)
    assert [read.function for read in asked] == [4, 4]
    point, text = made.writer.point("north-discharge"), made.texts["inline-a.yaml"]
    plans = made.writer.plan(text, asked), made.writer.plan(text, tag)
    now = at("2026-07-01 00:15")
    for number, (plan, got, raw, fault) in enumerate(
        (
            (plans[0], 3, words(-3, 1234), None),
            (plans[0], 3, words(-2, 124), None),
            (plans[0], 3, words(4, 124), "out_of_range"),
            (plans[1], 1, b"ab\0\0", None),
            (plans[1], 0, None, "no_answer"),
            (plans[0], 0, None, "no_answer"),
        )
    ):
        seq, run = made.writer.next_seq(), made.writer.run.id
        made.waiting.append(Poll(seq, run, point, plan, 1_000_000 + number, now, now, got, raw, fault, None))
    made.flush()
    with Reader(made.folder) as reader:
        decoder = Decoder(partial(plan_on_record, reader), accepted_site(reader).site.points["north-discharge"])
        facts = [decoder.fact(poll, when) for poll, when in reader.polls(point, 1, reader.newest_seq())]
    exact, coarse, *rest = facts
    assert isinstance(exact, Reading)
    assert isinstance(coarse, Reading)
    assert (exact.total.count, exact.scale) == (1234, Scale(LITRE, 10**8))
    assert (coarse.total.count, coarse.scale) == (1240, Scale(LITRE, 10**9))
    assert coarse.total.low < 1240 < coarse.total.high
    assert exact.flow_m3s == coarse.flow_m3s == 70 * register_map.quantities["flow_rate"].si_per_unit  # type: ignore[operator]  # a flow has one
    assert [fact.fault if isinstance(fact, Missed) else fact for fact in rest] == [
        "out_of_range", None, None, "no_answer",
    ], "a poll that is not of the books' total is neither a reading nor a missed poll"  # fmt: skip

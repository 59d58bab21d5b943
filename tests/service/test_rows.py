"""From a pass to the row that is stored."""

import struct

import pytest

from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.registers.blocks import reads
from tallywell.registers.register_map import parse_map
from tallywell.service.anchoring import Dating
from tallywell.service.ledger_facts import asks_for_books
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


BITS = """\
map: gate
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  forward_total: {table: input, register: 4, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
  status:        {table: discrete, register: 3, type: bits, words: WORDS, bits: {1: empty_pipe}}
"""


@pytest.mark.parametrize(("words", "sent", "status"), [(10, b"\x02\x02", 0x202), (70, b"\xff" * 9, None)])
def test_bits_are_kept_as_they_were_packed_and_a_wide_status_has_no_column(
    words: int, sent: bytes, status: int | None
) -> None:
    register_map, problems = parse_map(BITS.replace("WORDS", str(words)), "gate.yaml")
    assert register_map is not None, problems
    plan = reads(register_map)
    assert plan == (Read(4, 4, 2), Read(2, 3, words))
    contents = (struct.pack(">I", 4711), sent)
    outcomes = tuple(Outcome(Ask(1, read, 1), words, None, 1, 3, 2) for read, words in zip(plan, contents, strict=True))
    stored = row(Pass("north", plan, outcomes, 0), PointKeys(1, 1, register_map, plan), 7, 1, Dating(0))
    assert (stored.got, stored.raw, stored.status, stored.forward) == (3, b"".join(contents), status, 4711)
    decoded = PointKeys(1, 1, register_map, plan).decoded(stored)
    assert decoded.values["status"].bits == {"empty_pipe"}


def test_a_status_that_is_no_whole_number_has_no_column() -> None:
    """A map may give the name to any number, such as a battery's charge."""
    text = WIDE.replace(
        "quantities:\n", "quantities:\n  status: {table: input, register: 6, type: uint16, unit: 0.1 V}\n"
    )
    register_map, problems = parse_map(text, "wide.yaml")
    assert register_map is not None, problems
    plan = reads(register_map)
    for raw, status in ((125, None), (120, 12)):
        outcome = Outcome(Ask(1, plan[0], 1), struct.pack(">dIH", 1.5, 4711, raw), None, 1, 3, 2)
        stored = row(Pass("north", plan, (outcome,), 0), PointKeys(1, 1, register_map, plan), 7, 1, Dating(0))
        assert (stored.status, stored.forward) == (status, 4711)


def test_a_waking_that_could_not_be_sent_makes_a_row_without_words() -> None:
    register_map, _ = parse_map(WIDE, "wide.yaml")
    assert register_map is not None
    plan = reads(register_map)
    waking = Outcome(Ask(1, Read(3, 1, 1), 1, expects_reply=False), None, Fault.PORT_LOST, sent_ns=5, ended_ns=5)
    stored = row(Pass("north", plan, (waking,), 0), PointKeys(1, 1, register_map, plan), 7, 1, Dating(0))
    assert (stored.got, stored.raw, stored.fault) == (0, None, "port_lost")


def test_a_total_that_comes_in_passing_is_no_fault_of_another_plan() -> None:
    """Its exponent is not in this plan, which is there for the settings on both sides of it."""
    text = """\
map: spool-c
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  total_exponent: {table: input, register: 6, type: int16, valid: {from: -3, to: 3}}
  forward_total:  {table: input, register: 21, type: uint32, one_count: 1 L, exponent_from: total_exponent, digits: 8,
                   for_the_books: yes}
"""
    register_map, problems = parse_map(text, "spool-c.yaml")
    assert register_map is not None, problems
    plan = (Read(4, 20, 4),)
    done = Pass("north", plan, (Outcome(Ask(1, plan[0], 1), bytes(8), None, 1, 3, 2),), 0)
    faults = [row(done, PointKeys(1, 1, register_map, plan, main), 7, 1, Dating(0)).fault for main in (False, True)]
    assert faults == [None, "plan_mismatch"]
    assert not asks_for_books(register_map, plan)
    assert asks_for_books(register_map, (*plan, Read(4, 6, 1)))


TWO = """\
map: two
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {words_per_read: 1}
quantities:
  forward_total: {table: input, register: 4, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""


@pytest.mark.parametrize(
    ("words", "fault", "forward"),
    [(("0001", "FFFF", "0001"), None, 131_071), (("0001", "0002", "0002"), "torn", None)],
)
def test_a_torn_total_is_a_fault_of_the_row_and_all_its_words_are_kept(
    words: tuple[str, ...], fault: str | None, forward: int | None
) -> None:
    """The time of the row is that of the low part: the meter held the total when it gave that."""
    register_map, problems = parse_map(TWO, "two.yaml")
    assert register_map is not None, problems
    plan = reads(register_map)
    outcomes = tuple(
        Outcome(Ask(1, read, 1), bytes.fromhex(word), None, ms * 10**6, ms * 10**6 + 3, ms * 10**6 + 2)
        for read, word, ms in zip(plan, words, (100, 200, 300), strict=True)
    )
    keys = PointKeys(1, 1, register_map, plan)
    stored = row(Pass("north", plan, outcomes, 0), keys, 7, 1, Dating(0))
    assert (stored.got, stored.raw, stored.boot_ms) == (0b111, bytes.fromhex("".join(words)), 200)
    assert (stored.fault, stored.forward) == (fault, forward)
    missed = Pass("north", plan, (*outcomes[:2], Outcome(Ask(1, plan[2], 1), None, Fault.NO_ANSWER, 1, 2)), 0)
    assert row(missed, keys, 7, 1, Dating(0)).fault == "no_answer"

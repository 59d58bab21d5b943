"""A tidy map: one order and layout, the same meaning, every comment."""

from pathlib import Path

import pytest

from tallywell.registers.register_map import parse_map
from tallywell.registers.tidy import keeps_comments, tidy
from tallywell.written.located import read_document

MAPS = Path(__file__).parents[2] / "configs" / "maps"
BASE = """\
numbering: one_based
word_order: high_word_first
quantities: {tag: {table: holding, register: 9, type: uint16}}
"""


def tidied(text: str) -> str:
    found, problems = parse_map(text, "bench.yaml", {"base.yaml": BASE}.__getitem__)
    assert found is not None, problems
    out = tidy(text, found)
    again, _ = parse_map(out, "bench.yaml", {"base.yaml": BASE}.__getitem__)
    assert again == found
    assert keeps_comments(text, out)
    assert tidy(out, found) == out
    assert max(map(len, out.splitlines())) <= 120 or max(map(len, text.splitlines())) > 120
    return out


UNTIDY = """\
# A meter of no make.

quantities:
  status: {bits: {0: external_power, 8: {means: not_counting, name: empty_pipe}}, # as the manual says
    type: bits, register: 20, table: holding}
  # what the books are made of
  forward_total: {for_the_books: yes, digits: 8, one_count: "100 gal", type: uint32, register: 0x02, table: input}
  flow_rate:
    unit: gpm
    type: float32
    # the first register
    register: 0
    table: input
    valid: {to: 2500, from: 0}
revision: 2   # since May
word_order: high_word_first
limits: {pause: 20 ms, words_per_read: 16}
numbering: on_the_wire
map: inline-x
"""
TIDY = """\
# A meter of no make.

map: inline-x
revision: 2  # since May
numbering: on_the_wire
word_order: high_word_first
limits: {words_per_read: 16, pause: 20 ms}
quantities:
  flow_rate:
    table: input
    # the first register
    register: 0
    type: float32
    unit: gpm
    valid: {from: 0, to: 2500}
  # what the books are made of
  forward_total: {table: input, register: 0x02, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
  status:
    table: holding
    register: 20
    type: bits
    bits: {0: external_power, 8: {name: empty_pipe, means: not_counting}}  # as the manual says
"""


def test_keys_and_quantities_come_in_order_and_comments_come_along() -> None:
    assert tidied(UNTIDY) == TIDY


def test_a_variant_is_ordered_by_the_registers_of_its_base() -> None:
    variant = """\
based_on: base.yaml
map: variant
revision: 1
quantities:
  forward_total: {table: holding, register: 20, type: uint32, one_count: 1 L, digits: 9, for_the_books: yes}
  tag: {unit: mm}
"""
    assert tidied(variant).splitlines() == [
        "map: variant",
        "revision: 1",
        "based_on: base.yaml",
        "quantities:",
        "  tag:           {unit: mm}",
        "  forward_total: {table: holding, register: 20, type: uint32, one_count: 1 L, digits: 9, for_the_books: yes}",
    ]


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.yaml")), ids=lambda path: path.name)
def test_sample_maps_mean_the_same_afterwards(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    if "based_on" in (read_document(text, path.name).group(())):
        pytest.skip("its base is on the disk: tests of the command tidy it")
    tidied(text)


def test_comments_that_are_lost_are_noticed() -> None:
    assert not keeps_comments("a: 1  # one\n", "a: 1\n")
    assert not keeps_comments("a: 1  # one\nb: 2  # one\n", "a: 1  # one\nb: 2\n")
    assert keeps_comments("a: 1  # one\n# two\n", "# two\na: 1 # one\n")

"""Two maps are compared by what they mean."""

from fractions import Fraction
from pathlib import Path

import pytest

from tallywell.registers.described import duration, exact, power, quantity_described
from tallywell.registers.map_diff import Change, Differences, differences
from tallywell.registers.quantity import RegisterMap
from tallywell.registers.register_map import parse_map

MAPS = Path(__file__).parents[2] / "configs" / "maps"
BEFORE = """\
map: inline-a
revision: 2
numbering: on_the_wire
word_order: high_word_first
limits: {pause: 20 ms}
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
  reverse_total: {table: input, register: 4, type: uint32, one_count: 100 gal, digits: 8}
  status:        {table: holding, register: 20, type: bits, bits: {0: external_power}}
"""


def read(text: str) -> RegisterMap:
    found, problems = parse_map(text, "bench.yaml")
    assert found is not None, problems
    return found


def compared(*edits: tuple[str, str]) -> Differences:
    text = BEFORE
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    return differences(read(BEFORE), read(text))


def test_the_same_meaning_in_another_dress_is_no_difference() -> None:
    found = compared(
        ("numbering: on_the_wire", "numbering: one_based"),
        ("register: 0,", "register: 1,"), ("register: 2,", "register: 3,"), ("register: 4,", "register: 5,"),
        ("register: 20", "register: 21"), ("revision: 2", "revision: 3"), ("digits: 8, for", "capacity: 10^8, for"),
        ("word_order: high", "# as usual\nword_order: high"),
    )  # fmt: skip
    assert found.none
    assert found == Differences((), (), (), (), ())


def test_another_one_count_says_what_it_does_to_volumes() -> None:
    found = compared(("one_count: 100 gal, digits: 8, for", "one_count: 10 gal, digits: 8, for"))
    assert found.changed == (Change("forward_total", "one_count", "100 gal", "10 gal"),)
    assert found.volumes == (
        "forward_total: one count is 10 gal where it was 100 gal: the same count stands for 1/10 of the volume",
    )


def test_the_same_volume_otherwise_written_does_nothing_to_volumes() -> None:
    found = compared(("one_count: 100 gal, digits: 8, for", "one_count: 0.1 kgal, digits: 8, for"))
    assert found.changed == (Change("forward_total", "one_count", "100 gal", "0.1 kgal"),)
    assert found.volumes == ()


@pytest.mark.parametrize(
    ("old", "new", "keys", "says"),
    [
        ("register: 2,", "register: 8,", ["register"], "its count is made otherwise (register)"),
        ("register: 2, type: uint32", "register: 2, type: uint32, word_order: low_word_first", ["order"],
         "its count is made otherwise (order)"),
        ("one_count: 100 gal, digits: 8, for", "one_count: 100 gal, digits: 7, for", ["capacity"],
         "it goes round at 10^7 counts where it did at 10^8"),
        ("digits: 8, for", "digits: 8, no_value: [0xFFFFFFFF], for", ["no_value"], "other readings of it are refused"),
        ("unit: gpm", "unit: L/s", ["unit"], "greatest rates and hours pumped follow from other numbers"),
        ("digits: 8, for", "digits: 8, direction: reverse, for", ["direction"],
         "it counts water the other way (reverse, it was forward)"),
    ],
)  # fmt: skip
def test_each_change_has_its_sentence(old: str, new: str, keys: list[str], says: str) -> None:
    text = BEFORE.replace("forward_total", "tank_total") if "direction" in new else BEFORE
    found = differences(read(text), read(text.replace(old, new, 1)))
    assert [change.key for change in found.changed] == keys
    assert says in found.volumes[0]
    assert len(found.volumes) == 1


def test_another_total_for_the_books() -> None:
    found = compared(
        (", for_the_books: yes", ""),
        (
            "reverse_total: {table: input, register: 4, type: uint32,",
            "reverse_total: {for_the_books: yes, table: input, register: 4, type: uint32,",
        ),
    )
    assert found.volumes[0].startswith("the books are made of reverse_total where they were of forward_total")


def test_added_removed_and_renamed() -> None:
    line = "  reverse_total: {table: input, register: 4, type: uint32, one_count: 100 gal, digits: 8}\n"
    assert [q.name for q in compared((line, "")).removed] == ["reverse_total"]
    added = compared((line, line + "  level: {table: input, register: 6, type: uint16, unit: mm}\n"))
    assert ([q.name for q in added.added], added.volumes) == (["level"], ())
    renamed = compared(("  status:  ", "  state:  "))
    assert renamed.renamed == (("status", "state"),)
    assert (renamed.added, renamed.removed) == ((), ())


def test_limits_and_what_belongs_to_no_quantity() -> None:
    found = compared(
        ("limits: {pause: 20 ms}", "limits: {padding: 2}\ndo_not_read: [{table: input, from: 90, to: 99}]")
    )
    assert found.changed == (
        Change("limits", "pause", "20 ms", "0 s"),
        Change("limits", "padding", "0", "2"),
        Change("", "do_not_read", "not stated", "input 90 to 99"),
    )
    assert found.volumes == ()


def sample(path: Path) -> RegisterMap | None:
    return parse_map(path.read_text(), str(path), lambda name: Path(name).read_text())[0]


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.yaml")), ids=lambda path: path.name)
def test_a_sample_differs_from_every_other_and_not_from_itself(path: Path) -> None:
    found = sample(path)
    if found is None:
        pytest.skip("at fault: its own tests say so")
    assert differences(found, found).none
    for other in MAPS.glob("*.yaml"):
        there = sample(other)
        if there is not None and other != path:
            assert not differences(found, there).none


def test_quantities_that_differ_are_described_otherwise() -> None:
    """What is not described could change unseen."""
    quantities = [q for path in MAPS.glob("*.yaml") if (m := sample(path)) for q in m.quantities.values()]
    by_text: dict[tuple[tuple[str, str], ...], object] = {}
    for quantity in quantities:
        key = (("name", quantity.name), *quantity_described(quantity).items())
        assert by_text.setdefault(key, quantity) == quantity


@pytest.mark.parametrize(
    ("number", "text"),
    [(Fraction(1, 10), "0.1"), (Fraction(2500, 65535), "500/13,107"), (Fraction(1_234_567), "1,234,567"),
     (Fraction(10) ** 25, "10,000,000,000,000,000,000,000,000"), (Fraction(-1, 4), "-0.25"), (Fraction(0), "0")],
)  # fmt: skip
def test_exact_numbers(number: Fraction, text: str) -> None:
    assert exact(number) == text


def test_durations_and_powers() -> None:
    assert [duration(ns) for ns in (0, 20_000_000, 1_500_000_000, 60 * 10**9, 86_400 * 10**9)] == [
        "0 s", "20 ms", "1,500 ms", "1 min", "1 day",
    ]  # fmt: skip
    assert [power(number) for number in (10**8, 2**32, 1000, 12_345)] == ["10^8", "2^32", "1,000", "12,345"]

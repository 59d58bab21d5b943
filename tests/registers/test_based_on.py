"""A map and its base: what is merged, where its faults are, and what the record keeps."""

import hashlib
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.registers.based_on import beside, map_document, self_contained
from tallywell.registers.quantity import RegisterMap, WordOrder
from tallywell.registers.register_map import parse_map
from tallywell.written.located import Plain
from tallywell.written.yaml_text import flow

BASE = """\
# A base that is no whole map: nothing is for the books.
map: spool-c
revision: 4
numbering: one_based
word_order: high_word_first
limits: {words_per_read: 16, pause: 20 ms}
quantities:
  status:
    table: input
    register: 1
    type: bits32
    bits:
      0: external_power
      8: {name: empty_pipe, means: not_counting}
  flow_rate:     {table: input, register: 5, type: int32, unit: 0.01 L/s, no_value: [0x80000000, 0x7FFFFFFF]}
  forward_total: {table: input, register: 7, type: uint32, one_count: 1 L, digits: 8}
  net_total:     {table: input, register: 11, type: int64, one_count: 1 L}
"""
VARIANT = """\
map: spool-c-2
revision: 1
based_on: spool-c.yaml
without: [net_total]
limits: {pause: 50 ms}
quantities:
  status: {bits: {8: {when: 0}, 9: no_excitation}}
  flow_rate: {unit: 0.1 L/s, no_value: [0]}
  forward_total: {for_the_books: yes}
"""


def read(variant: str, base: str = BASE) -> tuple[RegisterMap | None, list[str]]:
    found, problems = parse_map(variant, "maps/spool-c-2.yaml", {"maps/spool-c.yaml": base}.__getitem__)
    return found, [str(problem) for problem in problems]


def faults(variant: str, base: str = BASE) -> list[str]:
    found, problems = read(variant, base)
    assert found is None
    return problems


def sound(variant: str, base: str = BASE) -> RegisterMap:
    found, problems = read(variant, base)
    assert found is not None, problems
    assert not problems
    return found


def test_groups_are_merged_key_by_key_and_values_and_lists_replaced() -> None:
    found = sound(VARIANT)
    assert (found.name, found.revision) == ("spool-c-2", 1)
    assert list(found.quantities) == ["status", "flow_rate", "forward_total"]
    assert (found.limits.words_per_read, found.limits.pause_ns) == (16, 50_000_000)
    assert [(bit.number, bit.name, bit.when) for bit in found.quantities["status"].bits] == [
        (0, "external_power", 1), (8, "empty_pipe", 0), (9, "no_excitation", 1),
    ]  # fmt: skip
    assert found.quantities["flow_rate"].no_value == (0,)
    assert found.quantities["flow_rate"].step * 10 == 1
    assert found.books is found.quantities["forward_total"]


def test_the_base_alone_need_not_be_whole() -> None:
    alone, problems = parse_map(BASE, "maps/spool-c.yaml")
    assert alone is None
    assert "no total is for the books" in str(problems[0])
    sound(VARIANT)


@pytest.mark.parametrize(
    ("what", "variant", "base", "expected"),
    [
        (
            "a fault of the base is in its file",
            VARIANT,
            BASE.replace("digits: 8", "digits: 21"),
            'maps/spool-c.yaml:16:84: quantity "forward_total": digits must be a whole number from 1 to 20 (got "21")',
        ),
        (
            "a fault of the variant is in its file",
            VARIANT.replace("0.1 L/s", "0.1 furlongs/s"),
            BASE,
            "maps/spool-c-2.yaml:8:21: ",
        ),
        (
            "another numbering than that of the base's registers",
            VARIANT.replace("limits:", "numbering: on_the_wire\nlimits:"),
            BASE,
            (
                "maps/spool-c-2.yaml:5:12: numbering is another than that of the base, one_based, and would move all "
                'its registers (got "on_the_wire"); remove it, and count as the base does'
            ),
        ),
        (
            "an unknown key of the base",
            VARIANT,
            BASE.replace("word_order", "word_odrer"),
            'maps/spool-c.yaml:5:1: unknown key "word_odrer"; did you mean "word_order"?',
        ),
        (
            "its own name",
            VARIANT.replace("map: spool-c-2\n", ""),
            BASE,
            'maps/spool-c-2.yaml:1:1: the file needs "map"; add "map: inline-a"',
        ),
        (
            "its own revision",
            VARIANT.replace("revision: 1\n", ""),
            BASE,
            'maps/spool-c-2.yaml:1:1: the file needs "revision"; add "revision: 1"',
        ),
        (
            "one level",
            VARIANT,
            BASE + "based_on: older.yaml\n",
            (
                'maps/spool-c.yaml:18:11: a map that others are based on has no base itself (got "older.yaml"); '
                "write here what it takes from there, or base both variants on the same map"
            ),
        ),
        (
            "itself",
            VARIANT.replace("based_on: spool-c.yaml", "based_on: ./spool-c-2.yaml"),
            BASE,
            (
                'maps/spool-c-2.yaml:3:11: based_on names this map itself (got "./spool-c-2.yaml"); '
                "name the map that this one is a variant of"
            ),
        ),
        (
            "not there",
            VARIANT.replace("based_on: spool-c.yaml", "based_on: spool-d.yaml"),
            BASE,
            (
                'maps/spool-c-2.yaml:3:11: based_on cannot be read: there is none of this name (got "spool-d.yaml"); '
                "write the base's path from this map's folder"
            ),
        ),
        (
            "no value",
            VARIANT.replace("based_on: spool-c.yaml", "based_on:"),
            BASE,
            "maps/spool-c-2.yaml:3:10: based_on needs a value (got nothing); write one after the colon",
        ),
        (
            "an unknown name, near to one",
            VARIANT.replace("[net_total]", "[net_totl]"),
            BASE,
            'maps/spool-c-2.yaml:4:11: without: the base has no "net_totl"; did you mean "net_total"?',
        ),
        (
            "an unknown name",
            VARIANT.replace("[net_total]", "[tag]"),
            BASE,
            (
                'maps/spool-c-2.yaml:4:11: without: the base has no "tag"; '
                "known are status, flow_rate, forward_total, net_total"
            ),
        ),
        (
            "left out and written",
            VARIANT.replace("[net_total]", "[net_total, flow_rate]"),
            BASE,
            (
                'maps/spool-c-2.yaml:4:22: without: "flow_rate" is written here as well (line 8, column 3); '
                "keep one: what is written here changes or replaces that of the base"
            ),
        ),
        (
            "no list",
            VARIANT.replace("[net_total]", "net_total"),
            BASE,
            (
                "maps/spool-c-2.yaml:4:10: without must be a list of at most 200 of the base's quantities "
                '(got "net_total"); such as [net_total]'
            ),
        ),
        (
            "without a base",
            VARIANT.replace("based_on: spool-c.yaml\n", ""),
            BASE,
            (
                "maps/spool-c-2.yaml:3:10: without has no meaning in a map that is based on no other (got a list); "
                'remove it, or add "based_on: ...", the map it is a variant of'
            ),
        ),
        (
            "a base that is no YAML",
            VARIANT,
            "a: [",
            "maps/spool-c.yaml:1:5: this cannot be read as YAML",
        ),
        (
            "a base that is no group",
            VARIANT,
            "just text",
            "maps/spool-c.yaml:1:1: a base must be a register map",
        ),
        (
            "an empty base",
            VARIANT,
            "",
            "maps/spool-c.yaml:1:1: a base must be a register map",
        ),
        (
            "a site file as a base",
            VARIANT,
            "site: X\nlines: {}\n",
            "maps/spool-c.yaml:1:1: this is a site file, where a base map is wanted; name another file in based_on",
        ),
        (
            "a key written twice in the base",
            VARIANT,
            BASE + "revision: 5\n",
            'maps/spool-c.yaml:18:1: the key "revision" is written twice; keep one; the first is on line 3',
        ),
    ],
)
def test_each_fault_is_in_the_file_that_has_it(what: str, variant: str, base: str, expected: str) -> None:
    found = faults(variant, base)
    assert any(problem.startswith(expected) for problem in found), f"{what}: {found}"


@pytest.mark.parametrize(
    ("name", "do"),
    [
        ("foward_total", 'did you mean "forward_total"?'),
        ("pressure", "known are status, flow_rate, forward_total, net_total"),
    ],
)
def test_a_misspelt_quantity_of_the_base_is_one_problem(name: str, do: str) -> None:
    variant = VARIANT.replace(
        "  flow_rate: {unit: 0.1 L/s, no_value: [0]}\n", f"  {name}: {{unit: 0.1 L/s, no_value: [0]}}\n"
    )
    assert faults(variant) == [
        f'maps/spool-c-2.yaml:8:3: the base has no quantity "{name}", and a new one needs register and type; {do}'
    ]


def test_a_base_that_is_missing_is_one_problem() -> None:
    assert len(faults(VARIANT.replace("spool-c.yaml", "spool-d.yaml"))) == 1


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (PermissionError(13, "Permission denied"), "based_on cannot be read: permission denied"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad"), "based_on is no UTF-8 text"),
        (ValueError("embedded null byte"), "based_on cannot be read: there is none of this name"),
    ],
)
def test_a_base_that_cannot_be_read(error: Exception, says: str) -> None:
    def raising(name: str) -> str:
        assert name == "maps/spool-c.yaml"
        raise error

    found, (problem,) = parse_map(VARIANT, "maps/spool-c-2.yaml", raising)
    assert found is None
    assert (problem.line, problem.column) == (3, 11)
    assert problem.what.startswith(says)


def test_where_no_base_can_be_asked_for_it_is_said() -> None:
    found, (problem,) = parse_map(VARIANT, "maps/spool-c-2.yaml")
    assert found is None
    assert "based_on cannot be followed from here" in problem.what


def test_a_key_of_the_base_is_left_out_by_its_name_with_dots() -> None:
    variant = (
        VARIANT.replace("[net_total]", "[net_total, forward_total.digits, status.bits.0, limits]")
        .replace("limits: {pause: 50 ms}\n", "")
        .replace("{for_the_books: yes}", "{for_the_books: yes, capacity: 4294967296}")
    )
    found = sound(variant)
    assert found.quantities["forward_total"].capacity == 2**32
    assert [bit.number for bit in found.quantities["status"].bits] == [8, 9]
    assert found.limits.words_per_read == 125


def test_a_group_may_replace_a_value_and_a_value_a_group() -> None:
    variant = VARIANT.replace("8: {when: 0}", "0: {name: power, means: information}, 8: empty_pipe")
    assert [bit.name for bit in sound(variant).quantities["status"].bits] == ["power", "empty_pipe", "no_excitation"]
    (problem,) = faults(VARIANT.replace("status: {bits: {8: {when: 0}, 9: no_excitation}}", "status: none"))
    assert problem.startswith("maps/spool-c-2.yaml:7:11: ")


def test_a_site_file_in_the_place_of_a_map_is_one_problem() -> None:
    found, (problem,) = parse_map("site: X\ntime_zone: UTC\nlines: {}\npoints: {}\n", "site.yaml")
    assert found is None
    assert str(problem).startswith("site.yaml:1:1: this is a site file, where a register map is wanted; ")


# --- what the record keeps


def kept(variant: str = VARIANT, base: str = BASE, folder: str = "maps/") -> str:
    return self_contained(variant, f"{folder}spool-c-2.yaml", {f"{folder}spool-c.yaml": base}.__getitem__)


def test_the_record_keeps_one_text_that_reads_as_the_same_map() -> None:
    text = kept()
    found, problems = parse_map(text, "map 7 of the record")
    assert (found, problems) == (sound(VARIANT), ())
    assert text.splitlines()[0] == (
        f"# Made of spool-c-2.yaml (sha256 {hashlib.sha256(VARIANT.encode()).hexdigest()}), "
        f"which is based on spool-c.yaml (sha256 {hashlib.sha256(BASE.encode()).hexdigest()})."
    )
    assert "based_on:" not in text


def test_it_is_the_same_text_from_wherever_it_is_named() -> None:
    assert kept() == kept(folder="") == kept(folder="/etc/tallywell/maps/")


def test_it_changes_with_each_of_the_two_files() -> None:
    assert len({kept(), kept(VARIANT + "# seen\n"), kept(base=BASE + "# seen\n")}) == 3


def test_a_plain_map_is_kept_as_it_was_written() -> None:
    assert self_contained(BASE, "maps/spool-c.yaml") is BASE


def test_word_orders_of_the_base_hold() -> None:
    found = sound(VARIANT, BASE.replace("high_word_first", "low_word_first"))
    assert {quantity.word_order for quantity in found.quantities.values()} == {WordOrder.LOW_WORD_FIRST}


@pytest.mark.parametrize(
    ("file", "name", "expected"),
    [
        ("maps/a.yaml", "b.yaml", "maps/b.yaml"),
        ("a.yaml", "b.yaml", "b.yaml"),
        ("maps/a.yaml", "./b.yaml", "maps/b.yaml"),
        ("maps/a.yaml", "../b.yaml", "maps/../b.yaml"),
        ("maps/a.yaml", "/etc/b.yaml", "/etc/b.yaml"),
    ],
)
def test_a_base_lies_beside_the_map(file: str, name: str, expected: str) -> None:
    assert beside(file, name) == expected


# --- merging itself, on any two groups

# Not under "quantities", where one that the base does not have is judged.
KEYS = st.sampled_from(["limits", "wake", "x", "y"])
VALUES: st.SearchStrategy[Plain] = st.recursive(
    st.sampled_from(["1", "2"]) | st.lists(st.sampled_from(["1", "2"]), max_size=2),
    lambda inner: st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)
GROUPS = st.dictionaries(KEYS, VALUES, max_size=4)


def text_of(group: dict[str, Plain]) -> str:
    return "".join(f"{key}: {flow(value)}\n" for key, value in group.items())


def expected_merge(base: Plain, own: Plain) -> Plain:
    """RFC 7396 (JSON Merge Patch), section 2, without its removal by null."""
    if not isinstance(own, dict):
        return own
    out = dict(base) if isinstance(base, dict) else {}
    for key, value in own.items():
        out[key] = expected_merge(out.get(key), value)
    return out


@given(GROUPS, GROUPS)
def test_merging_is_as_a_merge_patch_and_every_value_has_its_place(
    base: dict[str, Plain], own: dict[str, Plain]
) -> None:
    base_text, text = text_of(base) or "{}", "based_on: b.yaml\n" + text_of(own)
    document = map_document(text, "a.yaml", {"b.yaml": base_text}.__getitem__)
    assert document.problems == []
    assert document.plain == expected_merge(base, own)
    lines = {"": text.splitlines(), "b.yaml": base_text.splitlines()}
    for path, value in leaves(document.plain, ()):
        place = document.values[path]
        assert lines[place.file][place.line - 1][place.column - 1] == value[0]
    assert all(path in ((), ("based_on",)) or path in set(all_paths(document.plain, ())) for path in document.values)


def leaves(plain: Plain, path: tuple[str | int, ...]) -> list[tuple[tuple[str | int, ...], str]]:
    if isinstance(plain, str):
        return [(path, plain)]
    return [leaf for step, inner in inside(plain) for leaf in leaves(inner, (*path, step))]


def all_paths(plain: Plain, path: tuple[str | int, ...]) -> list[tuple[str | int, ...]]:
    return [path, *(deeper for step, inner in inside(plain) for deeper in all_paths(inner, (*path, step)))]


def inside(plain: Plain) -> list[tuple[str | int, Plain]]:
    if isinstance(plain, dict):
        return list(plain.items())
    return list(enumerate(plain)) if isinstance(plain, list) else []


def test_the_layout_of_what_the_record_keeps_does_not_change() -> None:
    """Another layout would be another text on record, and another sha256 on reports, of a map that nobody changed."""
    assert kept().splitlines()[1:] == [
        "map: spool-c-2",
        "revision: 1",
        "numbering: one_based",
        "word_order: high_word_first",
        "limits: {words_per_read: 16, pause: 50 ms}",
        "quantities:",
        (
            "  status: {table: input, register: 1, type: bits32, bits: {0: external_power, "
            "8: {name: empty_pipe, means: not_counting, when: 0}, 9: no_excitation}}"
        ),
        "  flow_rate: {table: input, register: 5, type: int32, unit: 0.1 L/s, no_value: [0]}",
        "  forward_total: {table: input, register: 7, type: uint32, one_count: 1 L, digits: 8, for_the_books: yes}",
    ]


@pytest.mark.parametrize("seed", range(300))
def test_mutated_maps_and_bases_are_located_messages_or_a_map_that_can_be_kept(seed: int) -> None:
    chance = random.Random(seed)
    variant, base = VARIANT, BASE
    for _ in range(chance.choice((1, 1, 2, 5))):
        if chance.random() < 0.5:
            variant = mutated(variant, chance)
        else:
            base = mutated(base, chance)
    read_base = {"maps/spool-c.yaml": base}.__getitem__
    found, problems = parse_map(variant, "maps/spool-c-2.yaml", read_base)
    lines = {"maps/spool-c-2.yaml": variant.count("\n") + 2, "maps/spool-c.yaml": base.count("\n") + 2}
    for problem in problems:
        assert 1 <= problem.line <= lines[problem.file], str(problem)
    assert (found is None) == any(not problem.warning for problem in problems)
    if found is not None:
        text = self_contained(variant, "maps/spool-c-2.yaml", read_base)
        assert parse_map(text, "kept")[0] == found


PIECES: list[str] = [*"{}[]:#~\n", ", ", "  ", "based_on: x\n", "without: [status]\n", "limits", "0", "yes", "'"]


def mutated(text: str, chance: random.Random) -> str:
    at = chance.randrange(len(text) + 1)
    kind = chance.randrange(3)
    if kind == 0:
        return text[:at] + chance.choice(PIECES) + text[at:]
    if kind == 1:
        return text[:at] + text[at + chance.randrange(1, 30) :]
    lines = text.splitlines(keepends=True)
    chance.shuffle(lines)
    return "".join(lines)

"""The parts of the reference that are made from the program: tables of keys, of units, of words on the wire.

A page holds each between two comments, `<!-- keys of QuantityForm -->` and `<!-- end -->`; the rest is hand-written.
`tests/test_docs.py` holds the pages to this, and writes them anew when it is run as a program.
"""

import itertools
import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import partial
from pathlib import Path

from tallywell.commandline.schema import KINDS, schema_text
from tallywell.commandline.troubles import how_often
from tallywell.readings.faults import Fault
from tallywell.readings.units import KINDS as KINDS_OF_UNITS
from tallywell.registers import map_forms
from tallywell.registers.decode import value_of
from tallywell.registers.encode import Encodable, encode
from tallywell.registers.quantity import ByteOrder, Quantity, RegisterMap, WordOrder
from tallywell.registers.register_map import parse_map
from tallywell.service import site_forms
from tallywell.simulator.trouble import RECIPES
from tallywell.written.acceptor import Acceptor
from tallywell.written.forms import Form, GroupOf, KeyOfForm, ListOf, NamesOf, Shape, keys_of

REFERENCE = Path(__file__).parents[1] / "docs" / "reference"
PAGES = (REFERENCE / "register-map.md", REFERENCE / "site-file.md", REFERENCE / "line-trouble.md")
SCHEMAS = {
    REFERENCE / f"{name}.schema.json": kind for kind, name in zip(KINDS, ("register-map", "site-file"), strict=True)
}
_MADE = re.compile(r"<!-- (?P<what>[\w ]+) -->\n(?:.*\n)*?<!-- end -->")
FORMS = {name: form for room in (map_forms, site_forms) for name, form in vars(room).items() if name.endswith("Form")}


def made() -> Iterator[tuple[Path, str]]:
    """Each file and what it must be."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        yield page, _MADE.sub(partial(_part, places=_places(text)), text)
    for path, kind in SCHEMAS.items():
        yield path, schema_text(kind)


def _part(found: re.Match[str], places: dict[str, str]) -> str:
    what, *rest = found["what"].split(" of ")
    table = _keys(FORMS[rest[0]], places) if rest else PARTS[what]()
    return f"<!-- {found['what']} -->\n\n{table}\n\n<!-- end -->"


def _table(head: tuple[str, ...], rows: Iterator[tuple[str, ...]]) -> str:
    lines = [head, tuple("---" for _ in head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


# --- keys


def _places(page: str) -> dict[str, str]:
    """The heading under which each form's keys stand, as a link."""
    found, heading = {}, ""
    for line in page.splitlines():
        if line.startswith("#"):
            heading = re.sub(r"[^\w\- ]", "", line.lstrip("# ").lower()).replace(" ", "-")
        elif keys := re.match(r"<!-- keys of (\w+) -->", line):
            found[keys[1]] = f"#{heading}"
    return found


def _keys(form: type[Form], places: dict[str, str]) -> str:
    rows = ((f"`{key.name}`", _needed(form, key), _said(key.shape, places), key.key.says) for key in keys_of(form))
    return _table(("Key", "Needed or default", "Takes", "Meaning"), rows)


def _needed(form: type[Form], key: KeyOfForm) -> str:
    if key.key.needed:
        return "needed"
    for names in form.either:
        if key.name in names:
            return f"needed, or `{next(other for other in names if other != key.name)}`"
    if key.key.unless:
        return f"needed, but with {key.key.unless[0]} `{key.key.unless[1]}`"
    return f"`{key.key.usual}`" if key.key.usual else ""


def _said(shape: Shape, places: dict[str, str]) -> str:
    if isinstance(shape, Acceptor):
        return shape.said
    if isinstance(shape, GroupOf):
        place = places.get(shape.form.__name__)
        return f"[a group of keys]({place})" if place else "a group of keys"
    if isinstance(shape, ListOf):
        return f"a list, of each: {_said(shape.of, places)}"
    if isinstance(shape, NamesOf):
        return f"a group, under each key: {_said(shape.of, places)}"
    return shape.said or " or ".join(filter(None, (_said(one, places) for one in shape.of)))


def _units() -> str:
    return _table(
        ("Kind", "Units"), ((kind, " ".join(f"`{unit}`" for unit in units)) for kind, units in KINDS_OF_UNITS.items())
    )


# --- words on the wire

ORDERS = tuple(itertools.product(ByteOrder, WordOrder))
ONE_NUMBER: dict[str, tuple[str, Encodable]] = {
    "uint16": ("", 4_660),
    "int16": ("", -2),
    "uint32": ("", 305_419_896),
    "int32": ("", -19_088_744),
    "uint64": ("", 1_311_768_467_463_790_320),
    "int64": ("", -81_985_529_216_486_896),
    "float32": ("", Fraction("123456.7890625")),
    "float64": ("", Fraction("123456.789")),
    "bcd": ("words: 2", 12_345_678),
    "modulo_10000": ("words: 2", 12_345_678),
    "text": ("words: 4", "WELL-7A"),
    "bits": ("bits: {0: first, 9: tenth}", 1 << 9 | 1),
    "bits32": ("bits: {0: first, 17: eighteenth}", 1 << 17 | 1),
}


def _map_of(quantity: str, *others: str) -> RegisterMap:
    head = "map: page\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\nquantities:\n"
    text = head + "".join(f"  {one}\n" for one in (quantity, *others))
    found, problems = parse_map(text, "page.yaml")
    assert found is not None, problems
    return found


def _arrangements() -> str:
    head = ("Type", "Value", *(f"{words.replace('_', ' ')}, {bytes_.replace('_', ' ')}" for bytes_, words in ORDERS))
    return _table(head, map(_arranged, ONE_NUMBER))


def _arranged(kind: str) -> tuple[str, ...]:
    """A type's row. The value shown is what the program reads in the words, the same in every order."""
    keys, value = ONE_NUMBER[kind]
    words, shown = [], set[str]()
    for byte_order, word_order in ORDERS:
        written = f"{{table: input, register: 0, type: {kind}, word_order: {word_order}, byte_order: {byte_order}"
        found = _map_of(f"value: {written}{', ' * bool(keys)}{keys}}}")
        raw = encode(found, "value", value)
        words.append(_shown(raw))
        shown.add(value_of(found.quantities["value"], raw).shown)
    assert len(shown) == 1, "one value whatever the order"
    return f"`{kind}`" + (f" `{keys}`" if "words" in keys else ""), shown.pop(), *words


def _shown(raw: bytes) -> str:
    return f"`{raw.hex(' ', 2).upper()}`"


# What is written, further quantities, words on the wire, and what the register that scales it reads as.
READ_AS: list[tuple[str, tuple[str, ...], str, str]] = [
    ("type: uint16, unit: 0.1 gpm", (), "20E5", ""),
    ("type: int16, unit: 0.1 degC, offset: -50", (), "FFF6", ""),
    ("type: uint16, unit: 2500/65535 gpm, offset: -20", (), "FFFF", ""),
    ("type: uint16, unit: gpm, scale_from: scale", ("scale: {table: input, register: 9, type: uint16}",), "0054", "10"),
    ("type: uint32, one_count: 100 gal, digits: 8", (), "0001 E240", ""),
    ("type: bcd, words: 2, one_count: 100 gal", (), "0012 3456", ""),
    ("type: modulo_10000, words: 2, one_count: 100 gal", (), "000C 0D80", ""),
    ("type: int32, one_count: 1 L, direction: net, digits: 9", (), "FFFE 1DC0", ""),
    ("type: float32, unit: m3, one_count: 0.01 m3, digits: 9", (), "47F1 2065", ""),
    (
        "type: uint32, one_count: 1 L, digits: 9, exponent_from: exponent",
        ("exponent: {table: input, register: 9, type: int16, valid: {from: -3, to: 3}}",),
        "0001 E240",
        "-1",
    ),
    (
        "type: uint32, one_count: 1 L, digits: 9, low_part: {register: 2, type: uint16, capacity: 1000}",
        (),
        "0000 007B 01C8",
        "",
    ),
    (
        "type: uint32, one_count: 1 L, digits: 9, low_part: {register: 2, type: float32, capacity: 1000}",
        (),
        "0000 007B 3EE9 78D5",
        "",
    ),
    ("type: uint16, enumeration: {0: normal, 1: test_mode}", (), "0001", ""),
    ("type: bits, bits: {0: external_power, 2: {name: pipe_full, when: 0}}", (), "0001", ""),
]


def _readings() -> str:
    return _table(("Written", "Words", "Reads as", "Counts"), map(_read, READ_AS))


def _read(row: tuple[str, tuple[str, ...], str, str]) -> tuple[str, ...]:
    keys, others, words, number = row
    books = "forward_total: {table: input, register: 99, type: uint32, one_count: 1 L, digits: 8, for_the_books: yes}"
    unit = "" if "one_count" not in keys else books
    found = _map_of(f"value: {{table: input, register: 0, {keys}}}", *others, *([unit] if unit else []))
    quantity = found.quantities["value"]
    factor = _factor(quantity, number)
    value = value_of(quantity, bytes.fromhex(words), factor)
    assert value.fault is None, f"{keys}: {value.fault}"
    counts = ""
    if value.total is not None:
        total = value.total
        bounds = "" if total.low == total.high else f" ({total.low:,} to {total.high:,})"
        counts = f"{total.count:,}{bounds}"
    scaled = f", and {number} in `{quantity.factor.quantity}`" if quantity.factor else ""
    return f"`{keys}`", f"`{words}`{scaled}", value.shown, counts


def _factor(quantity: Quantity, number: str) -> Fraction | None:
    if quantity.factor is None:
        return None
    return Fraction(10) ** int(number) if quantity.factor.exponent else Fraction(number)


# --- troubles of a simulated line


def _troubles() -> str:
    def named(faults: tuple[Fault, ...]) -> str:
        return " or ".join(f"`{fault}`" for fault in faults)

    rows = (
        (
            f"`{recipe.name}`",
            recipe.plays,
            how_often(recipe, recipe.rate),
            named(recipe.told_as) or "a good reading",
            ("disturbed" if recipe.beside else "untouched") if recipe.told_as else "untouched",
            " and ".join(f"`{framing}`" for framing in sorted(recipe.through, reverse=True)) or "no",
        )
        for recipe in RECIPES.values()
    )
    heads = ("Recipe", "What it plays", "How often", "A poll that it strikes", "Other polls", "Through a host")
    return _table(heads, rows)


PARTS: dict[str, Callable[[], str]] = {
    "arrangements": _arrangements,
    "readings": _readings,
    "troubles": _troubles,
    "units": _units,
}

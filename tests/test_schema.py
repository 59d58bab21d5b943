"""The schemas of both file formats against the program: they take whatever it takes and refuse slips.

Both ways of an editor's YAML are tried (tests/yaml_of_editors.py). jsonschema is another library's reading of JSON
Schema 2020-12.
"""

import json
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

from tallywell.commandline import main
from tallywell.commandline.schema import KINDS, schema_text
from tallywell.registers import map_forms
from tallywell.registers.map_forms import MapForm
from tallywell.registers.register_map import parse_map
from tallywell.service.site_file import parse_site
from tallywell.service.site_forms import SiteForm
from tallywell.written.forms import Form, GroupOf, KeyOfForm, ListOf, NamesOf, OneOf, Shape, keys_of
from tests.registers.test_map_language import EVERY_KEY
from tests.registers.test_misuses import blocks as misuses
from tests.service.test_site_file_mutations import MAPS, PIECES, SITES, mutate
from tests.yaml_of_editors import VERSIONS, as_an_editor_has_it

SEED = 20261201
DOCS = Path(__file__).parents[1] / "docs"
VALIDATORS = {kind: Draft202012Validator(json.loads(schema_text(kind))) for kind in KINDS}
# Right values as nobody writes them twice the same way, and what is right in one place and wrong in another.
SPELLINGS = [
    *PIECES, "+5", "1_000", "1,000", '"1,000 gal"', "0x0A", "0X0A", '"0x0A"', ".5", "5.", "1e3", "1E+3 L", "-0",
    "-0 s", '"8"', "' 8 '", "Yes", "TRUE", "no", "False", "unknown", "y", "on", "off", "2^24", "10^8", "2024-02-29",
    "01-01", "12-31", "25 %", "1/3", ".25", "0.25", "100 gal", "1_000.5 m3", "1e-3 acre_foot", "20 gpm", "0 gpm",
    "8 in", "200 mm", "90 s", "500 ms", "poll", "2 h", "366 day", "[0xFFFF, -1, 2.5]", "[]", "{}",
    "{0: a, 3: {name: b, when: 0}}", "[[a, b]]", "[a]", "~", "", "{name: open, means: suspect}", "{from: 0}",
    "{to: 5 gpm}", "EST5EDT", "Etc/GMT+7", "UTC", "8.", "1:30", "0o17", "0b1", "even", "none", "odd", "licence",
    "high_byte_first", "input", "coil", "int32", "firmware", "reverse", "net", "V", "\"%\"",
]  # fmt: skip


def faults(kind: str, text: str, version: str) -> list[ValidationError]:
    return list(VALIDATORS[kind].iter_errors(as_an_editor_has_it(text, version)))


def shown(found: list[ValidationError]) -> str:
    return "\n".join(f"{list(fault.absolute_path)}: {fault.message[:200]}" for fault in found)


def samples_of_the_docs() -> dict[str, str]:
    found = {}
    for page in sorted(DOCS.glob("**/*.md")):
        for name, body in re.findall(r"^```yaml (\S+)\n(.*?)^```$", page.read_text(), re.MULTILINE | re.DOTALL):
            found[f"{page.name}:{name}"] = body
    return found


MAPS_OF_SITE = {**MAPS, "maps/a.yaml": MAPS["maps/inline-a.yaml"]}
QUAIL = {"quail-flat.yaml": SITES["quail-flat.yaml"]}
SAMPLES = {**MAPS, **SITES, **samples_of_the_docs(), "every-key": EVERY_KEY}


def kind_of(text: str) -> str:
    return "site" if re.search("^site:", text, re.MULTILINE) else "map"


# --- the schemas themselves


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one(kind: str) -> None:
    Draft202012Validator.check_schema(json.loads(schema_text(kind)))


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_printed(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", kind]) == 0
    assert capsys.readouterr().out == schema_text(kind)


def all_keys(form: type[Form]) -> Iterator[tuple[type[Form], KeyOfForm]]:
    for key in keys_of(form):
        yield form, key
        for inner in forms_in(key.shape):
            yield from all_keys(inner)


def forms_in(shape: Shape) -> list[type[Form]]:
    if isinstance(shape, GroupOf):
        return [shape.form]
    if isinstance(shape, OneOf):
        return [form for one in shape.of for form in forms_in(one)]
    return forms_in(shape.of) if isinstance(shape, ListOf | NamesOf) else []


KEYS = {f"{form.__name__}.{key.name}": key for top in (MapForm, SiteForm) for form, key in all_keys(top)}


@pytest.mark.parametrize("key", KEYS.values(), ids=KEYS)
def test_each_key_says_what_it_means_and_shows_how_it_is_written(key: KeyOfForm) -> None:
    assert key.key.says
    assert key.key.example.startswith(f"{key.name}:")


def test_every_form_is_reached() -> None:
    forms = {found for found in vars(map_forms).values() if isinstance(found, type) and issubclass(found, Form)}
    assert forms - {Form} <= {form for form, _ in all_keys(MapForm)}


def properties(schema: Any) -> Iterator[dict[str, Any]]:
    """The schema of every property, at any depth."""
    yield from schema.get("properties", {}).values()
    for inner in (*schema.get("properties", {}).values(), schema.get("items"), schema.get("additionalProperties")):
        yield from properties(inner) if isinstance(inner, dict) else ()
    for inner in schema.get("anyOf", ()):
        yield from properties(inner)


@pytest.mark.parametrize("kind", KINDS)
def test_each_example_and_default_is_one(kind: str) -> None:
    judged = 0
    for schema in properties(VALIDATORS[kind].schema):
        for value in (*schema.get("examples", ()), *([schema["default"]] if "default" in schema else [])):
            judged += 1
            Draft202012Validator(schema).validate(value)
    assert judged > 20


# --- what is right is taken


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_is_taken(name: str, version: str) -> None:
    found = faults(kind_of(SAMPLES[name]), SAMPLES[name], version)
    assert not found, shown(found)


def spelled_otherwise(text: str, rng: random.Random) -> str:
    """One value, and now and then more, replaced by another one."""
    for _ in range(rng.choice((1, 1, 1, 2))):
        values = list(re.finditer(r"(?<=: )[^\s{}\[\],:][^{}\[\],:\n#]*(?=[,}\]\n])", text))
        if values:
            value = rng.choice(values)
            other = _kin(value[0], rng) if rng.random() < 0.5 else rng.choice(SPELLINGS)
            text = text[: value.start()] + other + text[value.end() :]
    return text


NUMBERS = [
    "1",
    "+2",
    "7",
    "0x9",
    '"3"',
    "' 4 '",
    "1_0",
    "10",
    "0xA",
    "11",
    "2^10",
    "10^6",
    "1_000",
    '"1,000"',
    "0",
    "-1",
]


def _kin(value: str, rng: random.Random) -> str:
    """Of the same kind, spelled in another way."""
    if re.fullmatch("-?[0-9]+", value):
        return rng.choice(NUMBERS)
    if value in ("yes", "no"):
        return rng.choice(["yes", "no", "Yes", "NO", "true", "False", "TRUE", '"yes"'])
    measured = re.fullmatch(r"([0-9.]+) ([a-zA-Z]\S*)", value)
    if measured is None:
        return rng.choice(
            ["on", "1.5", "2025-10-01", "0x10", "y", '"a"', "a_b", "N", "Yes", "1_0", "1e3", "~", value * 2]
        )
    number = rng.choice(["1", "+2.5", "1e1", "1_000", ".5", "5.", "12", '"'])
    quote = '"' if number == '"' else ""
    return f"{number}{measured[1] if quote else ''}{rng.choice(('', ' ', '  '))}{measured[2]}{quote}"


def taken(kind: str, name: str, text: str) -> bool:
    if kind == "site":
        return parse_site(text, name, MAPS_OF_SITE.__getitem__, ahead=False)[0] is not None
    return parse_map(text, name, MAPS.__getitem__)[0] is not None


def has_null_word(text: str) -> bool:
    """The one word that is a text to the program and nothing to YAML: a label of that name wants quotes."""
    return re.search(r"\bnull\b", text, re.IGNORECASE) is not None


def campaign(kind: str, cases: int, seed: str) -> None:
    rng, texts = (
        random.Random(seed),
        {"map": {**MAPS, "every-key": EVERY_KEY}, "site": {"every-key": SITE, **QUAIL}}[kind],
    )
    right = refused = caught = 0
    for case in range(cases):
        name = list(texts)[case % len(texts)]
        text = (mutate if rng.random() < 0.2 else spelled_otherwise)(texts[name], rng)
        if text == texts[name] or has_null_word(text):
            continue
        found = []
        if taken(kind, name, text):
            right += 1
            for version in VERSIONS:
                found = faults(kind, text, version)
                assert not found, f"{name} by YAML {version}: {shown(found)}\n{text}"
        else:
            refused += 1
            try:
                caught += not VALIDATORS[kind].is_valid(as_an_editor_has_it(text, "1.2"))
            except (yaml.YAMLError, ValueError, OverflowError):
                caught += 1
    print(f"seed {seed!r}: {right} right {kind}s are taken; of {refused} wrong ones {caught} are underlined")
    assert right > cases // 10
    assert caught > refused // 3


@pytest.mark.parametrize("kind", KINDS)
def test_what_the_program_takes_the_schema_takes(kind: str) -> None:
    campaign(kind, 500, f"{SEED} {kind}")


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("part", range(5))
@pytest.mark.parametrize("kind", KINDS)
def test_campaign_of_what_the_program_takes(kind: str, part: int) -> None:
    campaign(kind, 10_000, f"{SEED} {kind} campaign {part}")


def test_warnings_are_not_underlined() -> None:
    judged = 0
    for text, message in misuses():
        if ": warning: " not in f"bench.yaml:{message}":
            continue
        judged += 1
        for version in VERSIONS:
            assert not faults("map", text, version), message
    assert judged > 3


def test_a_label_of_the_one_word_null_wants_quotes() -> None:
    for version in VERSIONS:
        assert faults("site", SITES["quail-flat.yaml"].replace("Well 1", "null"), version)
        assert not faults("site", SITES["quail-flat.yaml"].replace("Well 1", '"null"'), version)


# --- what is wrong is underlined, where it stands

MAP = """
map: bench
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {words_per_read: 64, longest_delay: 400 ms, exact_reads: [{table: input, register: 0, words: 40}]}
wake: {table: holding, register: 1, wait: 200 ms, window: 5 s}
together: [[flow_rate, forward_total]]
do_not_read: [{table: holding, from: 100, to: 109}]
quantities:
  flow_rate: {table: input, register: 0, type: float32, unit: gpm, valid: {from: -50, to: 3000}}
  forward_total:
    table: input
    register: 2
    type: uint32
    one_count: 100 gal
    digits: 8
    for_the_books: yes
    display: {one_count: 1 m3, digits: 6}
  trip: {table: input, register: 32, type: uint32, one_count: 1 gal, digits: 8}
  status:
    {table: input, register: 20, type: bits, bits: {0: external_power, 2: {name: empty_pipe, means: not_counting}}}
  mode: {table: input, register: 30, type: uint16, every: 1 h, enumeration: {0: normal, 1: {name: test}}}
"""
SITE = """
site: Quail Flat Orchard
time_zone: America/Denver
lines: {field: {port: /dev/serial/by-path/x, baud: 19200, parity: even, stop_bits: 1}}
wells: {north: {called: Well 1}}
points:
  out: {well: north, line: field, address: 17, map: maps/a.yaml, every: 1 min, pipe: 8 in, running_above: 20 gpm}
permits:
  P-1: {kind: right, authorised: 420 acre_foot, year_starts: 10-01, points: [{point: out, share: 1, from: 2025-10-01}]}
"""
OUT = ("points", "out")
FORWARD = ("quantities", "forward_total")
# (what is replaced, by what, where it is underlined)
PLANTED: list[tuple[str, str, str, tuple[str | int, ...]]] = [
    ("map", "map: bench", "map: a bench", ("map",)),
    ("map", "map: bench\n", "", ()),
    ("map", "map: bench", "map:", ("map",)),
    ("map", "revision: 1", "revision: one", ("revision",)),
    ("map", "revision: 1", "revison: 1", ()),
    ("map", "on_the_wire", "on_the_wires", ("numbering",)),
    ("map", "high_word_first", "big", ("word_order",)),
    ("map", "words_per_read: 64", "words_per_read: 126", ("limits", "words_per_read")),
    ("map", "words_per_read: 64", "words_pr_read: 64", ("limits",)),
    ("map", "longest_delay: 400 ms", "longest_delay: 400", ("limits", "longest_delay")),
    ("map", "longest_delay: 400 ms", "longest_delay: 0 ms", ("limits", "longest_delay")),
    ("map", "longest_delay: 400 ms", "longest_delay: 400 mm", ("limits", "longest_delay")),
    ("map", ", words: 40", "", ("limits", "exact_reads")),
    ("map", "[{table: input, register: 0, words: 40}]", "one", ("limits", "exact_reads")),
    ("map", "table: input, register: 0, words", "register: 0, words", ("limits", "exact_reads", 0)),
    ("map", ", wait: 200 ms", "", ("wake",)),
    ("map", "[[flow_rate, forward_total]]", "[flow_rate, forward_total]", ("together", 0)),
    ("map", "[[flow_rate, forward_total]]", "[[flow_rate]]", ("together", 0)),
    ("map", ", to: 109", "", ("do_not_read", 0)),
    ("map", "do_not_read: [{table: holding, from", "do_not_read: [{from", ("do_not_read", 0)),
    ("map", "flow_rate: {table", "flow rate: {table", ("quantities",)),
    ("map", "flow_rate: {table: input, register: 0, type: float32, ", "flow_rate: {", ("quantities", "flow_rate")),
    ("map", "to: 3000", "to: 3000 gp", ("quantities", "flow_rate", "valid", "to")),
    ("map", "unit: gpm", "unit: gal", ("quantities", "flow_rate", "unit")),
    ("map", "unit: gpm", "unit: 2500/65535 gal/min", ("quantities", "flow_rate", "unit")),
    ("map", "    table: input\n", "", FORWARD),
    ("map", "register: 2\n", "register: 500000\n", (*FORWARD, "register")),
    ("map", "register: 2\n", "register: two\n", (*FORWARD, "register")),
    ("map", "type: uint32\n", "type: unit32\n", (*FORWARD, "type")),
    ("map", "one_count: 100 gal", "one_count: 100 gpm", (*FORWARD, "one_count")),
    ("map", "one_count: 100 gal", "one_count: 0 gal", (*FORWARD, "one_count")),
    ("map", "one_count: 100 gal", "one_count: -1 gal", (*FORWARD, "one_count")),
    ("map", "digits: 8\n", "digits: 21\n", (*FORWARD, "digits")),
    ("map", "digits: 8\n", "digits: 8.5\n", (*FORWARD, "digits")),
    ("map", "for_the_books: yes", "for_the_books: maybe", (*FORWARD, "for_the_books")),
    ("map", ", digits: 6", "", (*FORWARD, "display")),
    ("map", "0: external_power", "lowest: external_power", ("quantities", "status", "bits")),
    ("map", "means: not_counting", "means: bad", ("quantities", "status", "bits", "2")),
    ("map", "every: 1 h", "every: hour", ("quantities", "mode", "every")),
    ("map", "1: {name: test}", "1: {}", ("quantities", "mode", "enumeration", "1")),
    ("map", "revision: 1", "revision: 1\nwithout: [mode]", ()),
    ("site", "site: Quail Flat Orchard", "site:", ("site",)),
    ("site", "America/Denver", "America Denver", ("time_zone",)),
    ("site", "time_zone: America/Denver\n", "", ()),
    ("site", "baud: 19200", "baud: 100", ("lines", "field", "baud")),
    ("site", "baud: 19200, ", "", ("lines", "field")),
    ("site", "port: /dev/serial/by-path/x, ", "", ("lines", "field")),
    ("site", "stop_bits: 1", "tcp_port: 0", ("lines", "field", "tcp_port")),
    ("site", "stop_bits: 1", "rs485: driver", ("lines", "field", "rs485")),
    ("site", "parity: even", "parity: sometimes", ("lines", "field", "parity")),
    ("site", "stop_bits: 1", "stop_bit: 1", ("lines", "field")),
    ("site", "{field: {port: /dev/serial/by-path/x, baud: 19200, parity: even, stop_bits: 1}}", "{}", ("lines",)),
    ("site", "address: 17", "address: 248", (*OUT, "address")),
    ("site", "address: 17", "address: seventeen", (*OUT, "address")),
    ("site", "map: maps/a.yaml", "map: [maps/a.yaml]", (*OUT, "map")),
    ("site", "every: 1 min", "every: 1", (*OUT, "every")),
    ("site", "every: 1 min", "every: 1 minute", (*OUT, "every")),
    ("site", "pipe: 8 in, ", "", OUT),
    ("site", "pipe: 8 in", "pipe: 8", (*OUT, "pipe")),
    ("site", "running_above: 20 gpm", "running_above: -20 gpm", (*OUT, "running_above")),
    ("site", "well: north, ", "", OUT),
    ("site", "kind: right", "kind: left", ("permits",)),
    ("site", "420 acre_foot", "420 ac-ft", ("permits",)),
    ("site", "year_starts: 10-01", "year_starts: 13-01", ("permits",)),
    ("site", "share: 1,", "share: 1.5,", ("permits",)),
    ("site", "2025-10-01", "10/1/2025", ("permits",)),
    ("site", "[{point: out, share: 1, from: 2025-10-01}]", "[]", ("permits",)),
]  # fmt: skip


@pytest.mark.parametrize("version", VERSIONS)
def test_the_files_that_faults_are_planted_in_are_in_order(version: str) -> None:
    assert not faults("map", MAP, version)
    assert not faults("site", SITE, version)


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize(("kind", "right", "wrong", "where"), PLANTED)
def test_a_planted_fault_is_underlined_at_its_place(
    kind: str, right: str, wrong: str, where: tuple[str | int, ...], version: str
) -> None:
    text = {"map": MAP, "site": SITE}[kind]
    assert text.count(right) == 1, "it is planted once"
    planted = text.replace(right, wrong)
    assert not taken(kind, "bench.yaml", planted)
    assert [tuple(fault.absolute_path) for fault in faults(kind, planted, version)][:1] == [where]


# --- variants of one map

VARIANT = "map: tee-k-2\nrevision: 1\nbased_on: tee-k.yaml\n"


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize(
    "differences",
    [
        "", "without: [reverse_total, forward_total.digits]\n", "quantities: {forward_total: {one_count: 1 gal}}\n",
        "quantities: {}\n", "quantities: {status: {bits: {3: {when: 0}}}}\n", "numbering: data_model\n",
        "quantities: {mode: {enumeration: {1: {means: suspect}}}, a: {display: {digits: 5}, low_part: {words: 2}}}\n",
        "wake: {window: 6 s}\n", "limits: {pause: 1 s}\n",
    ],
)  # fmt: skip
def test_a_variant_says_only_what_differs(differences: str, version: str) -> None:
    assert not faults("map", VARIANT + differences, version)


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize(
    ("differences", "where"),
    [
        ("quantities: {forward_total: {one_cont: 1 gal}}\n", ("quantities", "forward_total")),
        ("quantities: {forward_total: {digits: 0}}\n", ("quantities", "forward_total", "digits")),
        ("do_not_read: [{from: 1}]\n", ("do_not_read", 0)),
        ("without: reverse_total\n", ("without",)),
    ],
)
def test_what_differs_is_judged(differences: str, where: tuple[str | int, ...], version: str) -> None:
    assert [tuple(fault.absolute_path) for fault in faults("map", VARIANT + differences, version)] == [where]


def test_a_variant_has_a_name_and_a_revision_of_its_own() -> None:
    for missing in ("map: tee-k-2\n", "revision: 1\n"):
        assert faults("map", VARIANT.replace(missing, ""), "1.2")


# --- what holds without a key

BASES = {
    "MapForm": (MAP, ()),
    "LimitsForm": (MAP, ("limits",)),
    "WakeForm": (MAP, ("wake",)),
    "BitForm": (MAP, ("quantities", "status", "bits", 2)),
    "NamedForm": (MAP, ("quantities", "mode", "enumeration", 1)),
    "QuantityForm": (MAP, ("quantities", "forward_total")),
    "SiteForm": (SITE, ()),
    "LineForm": (SITE, ("lines", "field")),
    "PointForm": (SITE, OUT),
    "WellShareForm": (SITE.replace("well: north", "wells: [{well: north, share: 1}]"), (*OUT, "wells", 0)),
    "PermitForm": (SITE.replace("kind: right", "kind: right, carry_over: 1 m3"), ("permits", "P-1")),
    "ShareForm": (SITE, ("permits", "P-1", "points", 0)),
}


@pytest.mark.parametrize("name", [name for name, key in KEYS.items() if key.key.usual])
def test_without_the_key_holds_what_its_default_says(name: str) -> None:
    key = KEYS[name]
    text, path = BASES[name.split(".", maxsplit=1)[0]]
    if key.name in ("tcp_port", "framing"):  # of a line through a host
        text = text.replace("port: /dev/serial/by-path/x, baud: 19200, parity: even, stop_bits: 1", "host: 192.0.2.10")
    if key.name in ("rts_on_send", "delay_before_send", "delay_after_send"):
        text = text.replace("parity: even, stop_bits: 1", "parity: even, rs485: kernel")
    if key.name in ("offset", "for_the_books"):  # of a number that is no total; of a total that is not for the books
        path = ("quantities", "flow_rate" if key.name == "offset" else "trip")
    assert parsed(text, path, key.name, None) == parsed(text, path, key.name, key.key.usual)


def parsed(text: str, path: tuple[str | int, ...], key: str, value: str | None) -> object:
    """The file with the key so, or without it."""
    plain = yaml.load(text, Loader=yaml.BaseLoader)  # every value a text, as the program reads it
    group = plain
    for step in path:
        group = group[step if isinstance(group, list) else str(step)]
    group.pop(key, None)
    if value is not None:
        group[key] = value
    written = yaml.safe_dump(plain)
    found = parse_site(written, "s", MAPS_OF_SITE.__getitem__) if plain.get("site") else parse_map(written, "m")
    assert found[0] is not None, found[1]
    return found[0]

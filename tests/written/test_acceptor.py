"""What an acceptor takes, its schema takes: of anything that can be written, by either way of an editor's YAML."""

from fractions import Fraction
from typing import Any

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic_core import PydanticCustomError

from tallywell.readings.units import KINDS
from tallywell.registers.quantity import Table
from tallywell.service.site_forms import zone_name
from tallywell.written import fields
from tallywell.written.acceptor import Acceptor
from tallywell.written.located import read_document
from tests.yaml_of_editors import VERSIONS, as_an_editor_has_it

ACCEPTORS: dict[str, Acceptor[Any]] = {
    "text": fields.text,
    "label": fields.label,
    "name": fields.name,
    "yes or no": fields.yes_or_no,
    "yes, no or unknown": fields.yes_no_or_unknown,
    "whole": fields.whole(0, 2000),
    "hexadecimal": fields.whole(0, 465_536, hexadecimal=True),
    "power": fields.whole(2, 10**20, powers=True),
    "decimal": fields.decimal,
    "share": fields.share,
    "day": fields.day,
    "month and day": fields.month_and_day,
    "zone": zone_name,
    "chosen": fields.chosen(Table),
    "volume": fields.measured("volume", above=Fraction(0)),
    "flow": fields.measured("flow rate", least="0 gpm"),
    "length": fields.measured("length", least="1 mm", greatest="20 m"),
    "duration": fields.measured("duration"),
}
VALIDATORS = {name: Draft202012Validator(dict(acceptor.schema)) for name, acceptor in ACCEPTORS.items()}
DIGITS = st.text("0123456789", min_size=1, max_size=4)
NUMBER = st.builds(
    "".join,
    st.tuples(
        st.sampled_from(["", "", "+", "-", "0x"]),
        DIGITS,
        st.sampled_from(["", "", ",000", "_000", ".", ".5", ",5", "e3", "E-2", "e+1", "^8", "/3", ":30"]),
    ),
)
UNIT = st.sampled_from([unit for units in KINDS.values() for unit in units] + ["%", "", "V", "acre-foot"])
WORDS = [
    "yes", "No", "TRUE", "false", "unknown", "on", "y", "N", "~", "null", "coil", "input", "UTC", "America/Denver",
    "EST5EDT", "2025-10-01", "10-01", "02-29", "1_0", ".5", "5.", "2^24", "10^8", "0o17", "0b1", "1:30", "010", "-0",
    "1e999", ".inf", ".nan", "0X1F", "25%", "1/1",
]  # fmt: skip
WRITTEN = st.one_of(
    st.sampled_from(WORDS),
    NUMBER,
    st.builds("{}{}{}".format, NUMBER, st.sampled_from(["", " ", "  "]), UNIT),
    st.text(max_size=6),
)
QUOTE = st.sampled_from(["{}", '"{}"', "' {} '"])


@pytest.mark.parametrize("name", ACCEPTORS)
@settings(max_examples=150)
@given(value=WRITTEN, quote=QUOTE)
@example("1,000", "{}")
@example("0x0064", "{}")
@example("0X0064", "{}")
@example("0.25", "{}")
@example("25 %", "{}")
@example("1/3", "{}")
@example("2^24", "{}")
@example("America/Denver", "{}")
@example("10-01", "{}")
@example("yes", "{}")
@example("2025-10-01", "{}")
@example("-0 gpm", "{}")
@example("1_000.5e-1 acre_foot", "{}")
def test_what_is_taken_the_schema_takes(name: str, value: str, quote: str) -> None:
    text = f"key: {quote.format(value)}\n"
    document = read_document(text, "f")
    if document.faulty or value.lower() == "null":
        return
    try:
        ACCEPTORS[name](document.at(("key",)))
    except PydanticCustomError:
        return
    for version in VERSIONS:
        there = as_an_editor_has_it(text, version)["key"]
        assert VALIDATORS[name].is_valid(there), f"{text!r} is {there!r} by YAML {version}"


WRONG: dict[str, list[str]] = {
    "label": ["", "[a]", "{a: b}"],
    "name": ["two words", "-a", '"a:b"'],
    "yes or no": ["maybe", "1", "unknown"],
    "whole": ["2001", "-1", "8.5", "eight", "1,00", "2^8"],
    "hexadecimal": ["0x80000", "0xG"],
    "power": ["3^2", "1"],
    "decimal": ["1/3", "ten"],
    "share": ["0", "1.01", "a third"],
    "day": ["2025-13-01", "20250101"],
    "month and day": ["1-10", "10-32"],
    "zone": ["America Denver"],
    "chosen": ["coils", "Coil"],
    "volume": ["100", "100 gpm", "0.0 gal", "-1 gal", "1 GAL"],
    "flow": ["-0.1 gpm", "20 gal"],
    "length": ["0 mm", "8"],
    "duration": ["1 m", "1 minute", "min"],
}


@pytest.mark.parametrize(("name", "wrong"), [(name, wrong) for name, all_wrong in WRONG.items() for wrong in all_wrong])
@pytest.mark.parametrize("version", VERSIONS)
def test_what_is_wrong_in_form_the_schema_refuses(name: str, wrong: str, version: str) -> None:
    text = f"key: {wrong}\n"
    with pytest.raises(PydanticCustomError):
        ACCEPTORS[name](read_document(text, "f").at(("key",)))
    assert not VALIDATORS[name].is_valid(as_an_editor_has_it(text, version)["key"])


def test_the_yaml_of_editors_is_that_of_a_parser() -> None:
    """PyYAML's is 1.1, but for y and n, and with dates; what it makes of the rest is another program's reading."""
    words = [
        "yes", "No", "TRUE", "off", "010", "0x1F", "-0b11", "1_000", "1:30", "1.5", ".5", "1e3", "1.5e+3", "~", "null",
        "NO", "8", "-8", "+8", "a", "1.2.3", "08", "0o7", "-.inf",
    ]  # fmt: skip
    text = "".join(f"k{k}: {word}\n" for k, word in enumerate(words))
    assert as_an_editor_has_it(text, "1.1") == yaml.safe_load(text)


def test_an_acceptor_says_in_words_what_it_takes() -> None:
    assert fields.whole(0, 465_536, hexadecimal=True).said == "a whole number, 0 to 465,536, also as `0x001F`"
    assert fields.whole(2, 10**20, powers=True).said == "a whole number, 2 to 10^20, also as `2^24` or `10^8`"
    assert fields.measured("duration", least="1 s", greatest="31 day").said == "a duration, from 1 s to 31 day"
    assert fields.measured("volume", above=Fraction(0)).said == "a volume above 0"
    assert fields.measured("length", greatest="1 m").said == "a length, at most 1 m"
    assert fields.chosen(Table).said == "`holding` `input` `coil` `discrete`"

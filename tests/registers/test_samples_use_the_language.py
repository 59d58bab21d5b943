"""The sample maps use all of the map language between them: a key or word that none shows is one that nobody tries."""

import re
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import get_args

import pytest
import yaml

from tallywell.registers import map_forms
from tallywell.registers.map_forms import (
    BitForm,
    DisplayForm,
    ExactReadForm,
    LimitsForm,
    LowPartForm,
    MapForm,
    NamedForm,
    QuantityForm,
    SpanForm,
    ValidForm,
    WakeForm,
)
from tallywell.registers.numbering import Numbering
from tallywell.registers.quantity import ByteOrder, Direction, Meaning, Setting, Table, WordOrder
from tallywell.written.forms import Form

MAPS = Path(__file__).parents[2] / "configs" / "maps"
EACH = "each"
# Where each form stands in a map; EACH = any key of a group, or any place in a list.
PLACES: dict[tuple[str, ...], type[Form]] = {
    (): MapForm,
    ("limits",): LimitsForm,
    ("limits", "exact_reads", EACH): ExactReadForm,
    ("safe_to_read", EACH): SpanForm,
    ("do_not_read", EACH): SpanForm,
    ("wake",): WakeForm,
    ("quantities", EACH): QuantityForm,
    ("quantities", EACH, "low_part"): LowPartForm,
    ("quantities", EACH, "display"): DisplayForm,
    ("quantities", EACH, "valid"): ValidForm,
    ("quantities", EACH, "bits", EACH): BitForm,
    ("quantities", EACH, "enumeration", EACH): NamedForm,
}
FORMS = sorted(set(PLACES.values()), key=str)
Used = tuple[type[Form], str, object]  # a form, one of its keys, and what is written there


def everything() -> list[Used]:
    found: list[Used] = []
    for path in sorted(MAPS.glob("*.yaml")):
        written = yaml.load(path.read_text(), Loader=yaml.BaseLoader)  # a SafeLoader; all values stay text
        for place, form in PLACES.items():
            found += [(form, key, value) for group in _at(written, place) for key, value in group.items()]
    return found


def _at(written: object, place: tuple[str, ...]) -> Iterator[dict[str, object]]:
    if not place:
        if isinstance(written, dict):
            yield written
        return
    inner: list[object] = []
    if isinstance(written, dict):
        inner = list(written.values()) if place[0] == EACH else [written.get(place[0])]
    elif isinstance(written, list) and place[0] == EACH:
        inner = written
    for one in inner:
        yield from _at(one, place[1:])


USED = everything()


def keys_of(form: type[Form]) -> list[str]:
    return [field.alias or name for name, field in form.model_fields.items()]


def written_at(form: type[Form], key: str) -> list[object]:
    return [value for used, name, value in USED if (used, name) == (form, key)]


def test_every_form_of_the_language_is_looked_for() -> None:
    forms = {
        form
        for form in vars(map_forms).values()
        if isinstance(form, type) and issubclass(form, Form) and form is not Form
    }
    assert forms == set(PLACES.values())


@pytest.mark.parametrize("form", FORMS)
def test_every_key_is_used(form: type[Form]) -> None:
    missing = [key for key in keys_of(form) if not written_at(form, key)]
    assert missing == []


def words() -> list[tuple[type[StrEnum], str]]:
    """Every word of every enumeration that a key of the language takes."""
    found = {
        kind
        for form in PLACES.values()
        for field in form.model_fields.values()
        for kind in get_args(field.annotation)
        if isinstance(kind, type) and issubclass(kind, StrEnum)
    }
    assert {Table, WordOrder, ByteOrder, Numbering, Direction, Meaning, Setting, map_forms.TypeWritten} <= found
    return [(kind, word.value) for kind in sorted(found, key=lambda kind: kind.__name__) for word in kind]


@pytest.mark.parametrize(("kind", "word"), words())
def test_every_word_is_used(kind: type[StrEnum], word: str) -> None:
    """What a bit means and what a value of an enumeration means are two things, so each has to show all."""
    places = [
        (form, field.alias or name)
        for form in set(PLACES.values())
        for name, field in form.model_fields.items()
        if kind in get_args(field.annotation)
    ]
    using = [place for place in places if word in written_at(*place)]
    assert using
    if kind is Meaning:
        assert len(using) == len(places)


def _matches(pattern: str) -> Callable[[object], bool]:
    return lambda value: isinstance(value, str) and re.fullmatch(pattern, value) is not None


@pytest.mark.parametrize(
    ("form", "key", "shows"),
    [
        (LimitsForm, "exact_reads", _matches("one_by_one")),
        (LimitsForm, "exact_reads", lambda value: isinstance(value, list)),
        (QuantityForm, "every", _matches("poll")),
        (QuantityForm, "every", _matches("once")),
        (QuantityForm, "every", _matches("1 h")),
        (QuantityForm, "capacity", _matches(r"2\^[0-9]+")),
        (QuantityForm, "capacity", _matches(r"10\^[0-9]+")),
        (QuantityForm, "capacity", _matches(r"[0-9]+")),
        (QuantityForm, "unit", _matches(r"[0-9]+/[0-9]+ \w+")),  # a ratio
        (QuantityForm, "unit", _matches(r"0\.[0-9]+ .+")),
        (QuantityForm, "unit", _matches(r"[a-zA-Z].*")),
        (QuantityForm, "offset", _matches(r"-.+")),
        (QuantityForm, "no_value", lambda value: "0xFFFF" in list(value)),  # a pattern
        (QuantityForm, "no_value", lambda value: "-9999" in list(value)),  # a number
        (QuantityForm, "expected", lambda value: isinstance(value, str)),
        (QuantityForm, "expected", lambda value: isinstance(value, list) and len(value) > 1),
        (QuantityForm, "bits", lambda value: any(isinstance(bit, str) for bit in value.values())),
        (QuantityForm, "enumeration", lambda value: any(isinstance(name, str) for name in value.values())),
        (QuantityForm, "for_the_books", _matches("yes")),
        (QuantityForm, "resettable", _matches("yes")),
        (BitForm, "when", _matches("0")),
        (BitForm, "when", _matches("1")),
        (LowPartForm, "type", _matches("uint16")),
        (LowPartForm, "type", _matches("float32")),
        (MapForm, "without", lambda value: isinstance(value, list)),
        (MapForm, "together", lambda value: isinstance(value, list) and isinstance(value[0], list)),
    ],
)
def test_every_way_of_writing_is_shown(form: type[Form], key: str, shows: Callable[[object], bool]) -> None:
    assert any(shows(value) for value in written_at(form, key))

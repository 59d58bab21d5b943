"""One small file format and its schema; the real ones are in tests/test_schema.py."""

from typing import Annotated, Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import PlainValidator

from tallywell.written import fields
from tallywell.written.fields import anything, words
from tallywell.written.forms import Form, GroupOf, Key, ListOf, NamesOf, OneOf, keys_of
from tallywell.written.schema import schema_of, schema_with_base

Part = Annotated[Any, PlainValidator(anything)]


class Blade(Form):
    either = (("length", "width"),)

    length: Annotated[int | None, PlainValidator(fields.whole(1, 9)), Key("length: 3", needed=False, usual="3")] = None
    width: Annotated[int | None, PlainValidator(fields.whole(1, 9)), Key("width: 1", "across", needed=False)] = None
    turns: Annotated[str | None, PlainValidator(fields.label), Key(needed=False, unless=("drive", "none"))] = None


class Mill(Form):
    name: Annotated[str | None, PlainValidator(fields.name), Key("name: a", "its name")] = None
    like: Annotated[str | None, PlainValidator(fields.label)] = None
    less: Annotated[Part, Key(needed=False, holds=ListOf(fields.label))] = None
    drive: Annotated[str | None, PlainValidator(words("belt", "none")), Key("drive: belt", needed=False)] = None
    blades: Annotated[Part, Key("blades:", holds=NamesOf(GroupOf(Blade), "^[a-z]+$", least=1))] = None
    spare: Annotated[Part, Key(needed=False, holds=OneOf((words("any"), ListOf(GroupOf(Blade)))))] = None


WHOLE = schema_of(Mill, "Mill", "A mill.")
BASED = schema_with_base(Mill, "Mill", "A mill.", base="like", own=("name",), only="less")
GOOD = {"name": "m", "blades": {"a": {"length": 1}}}


def judged(schema: dict[str, Any], value: dict[str, Any]) -> bool:
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema).is_valid(value)


def test_what_a_key_says_goes_into_the_schema() -> None:
    assert WHOLE["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    blade = WHOLE["properties"]["blades"]["additionalProperties"]["properties"]
    assert blade["width"]["description"] == "across (a whole number, 1 to 9)"
    assert (blade["length"]["examples"], blade["length"]["default"]) == ([3], 3)
    assert WHOLE["properties"]["name"]["examples"] == ["a"]
    assert "examples" not in WHOLE["properties"]["blades"], "an example without a value is none"


@pytest.mark.parametrize(
    ("change", "good"),
    [
        ({}, True),
        ({"like": "x.yaml"}, True),
        ({"colour": "red"}, False),
        ({"blades": {}}, False),
        ({"blades": {"A": {"length": 1}}}, False),
        ({"blades": {"a": {}}}, False),
        ({"blades": {"a": {"width": 2}}}, True),
        ({"blades": {"a": {"width": 12}}}, False),
        ({"blades": ["a"]}, False),
        ({"spare": "any"}, True),
        ({"spare": "some"}, False),
        ({"spare": [{"length": 1}]}, True),
        ({"spare": [{}]}, False),
    ],
)
def test_a_whole_file(change: dict[str, Any], good: bool) -> None:
    assert judged(WHOLE, GOOD | change) is good
    assert judged(BASED, GOOD | change) is good


@pytest.mark.parametrize(
    ("value", "good"),
    [
        ({"name": "m", "like": "x"}, True),
        ({"like": "x"}, False),
        ({"name": "m", "like": "x", "blades": {}}, True),
        ({"name": "m", "like": "x", "blades": {"a": {}}}, True),
        ({"name": "m", "like": "x", "blades": {"a": {"size": 1}}}, False),
        ({"name": "m", "like": "x", "spare": [{}]}, False),
        ({"name": "m", "like": "x", "less": ["b"]}, True),
        ({**GOOD, "less": ["b"]}, False),
    ],
)
def test_a_file_with_a_base(value: dict[str, Any], good: bool) -> None:
    assert judged(BASED, value) is good


@pytest.mark.parametrize(("drive", "good"), [("belt", False), ("none", True), (None, True)])
def test_a_key_that_is_needed_unless_a_word_stands_at_the_top(drive: str | None, good: bool) -> None:
    value: dict[str, Any] = {**GOOD, "spare": [{"length": 2, "turns": "x"}]} | ({"drive": drive} if drive else {})
    assert judged(BASED, value) is good
    with_turns = value | {"blades": {"a": {"length": 1, "turns": "left"}}}
    assert judged(BASED, with_turns)
    assert judged(BASED, with_turns | {"spare": [{"length": 2}]}) is good, "in a list as well"


def test_keys_are_listed_as_they_are_written() -> None:
    assert [key.name for key in keys_of(Mill)] == ["name", "like", "less", "drive", "blades", "spare"]
    assert [key.key.needed for key in keys_of(Mill)] == [True, False, False, False, True, False]

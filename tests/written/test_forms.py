"""One group judged by its form: every fault at once, and the rest of the group still usable."""

from enum import StrEnum
from typing import Annotated

from pydantic import PlainValidator

from tallywell.written import fields
from tallywell.written.fields import whole
from tallywell.written.forms import Form, Key, fill, label_of
from tallywell.written.located import read_document


class Drive(StrEnum):
    SHAFT = "shaft"
    BELT = "belt"


class Driven(Form):
    drive: Annotated[Drive | None, PlainValidator(fields.chosen(Drive)), Key("drive: shaft")] = None


class Pump(Form):
    label: Annotated[str | None, PlainValidator(fields.label), Key("label: Booster")] = None
    stages: Annotated[int | None, PlainValidator(whole(1, 99)), Key("stages: 3")] = None
    year: Annotated[int | None, PlainValidator(whole(1900, 2100))] = None


def filled(text: str) -> tuple[Pump, list[str]]:
    document = read_document(text, "f.yaml")
    return fill(Pump, document, ("pumps", "a")), [str(problem).removeprefix("f.yaml:") for problem in document.problems]


def test_a_good_group() -> None:
    assert filled("pumps:\n  a: {label: B, stages: 4}\n") == (Pump(label="B", stages="4"), [])  # type: ignore[arg-type]  # as written


def test_keys_at_fault_are_none_and_the_rest_is_there() -> None:
    found, problems = filled("pumps:\n  a: {label: B, stages: 400, yaer: 2000, colour: red}\n")
    assert found == Pump(label="B")
    assert problems == [
        '2:25: pumps.a.stages must be a whole number from 1 to 99 (got "400")',
        '2:30: pumps.a: unknown key "yaer"; did you mean "year"?',
        '2:42: pumps.a: unknown key "colour"; known are label, stages, year',
    ]


def test_a_misspelt_key_is_not_missed_besides() -> None:
    assert filled("pumps:\n  a: {label: B, stagse: 4}\n")[1] == [
        '2:17: pumps.a: unknown key "stagse"; did you mean "stages"?'
    ]


def test_a_comma_inside_a_number_is_named() -> None:
    assert filled("pumps:\n  a: {label: B, stages: 4,5 gpm}\n")[1] == [
        '2:27: pumps.a: unknown key "5 gpm"; a comma inside a number? write "20.5", and thousands without one'
    ]


def test_what_is_missed_is_said_at_the_group() -> None:
    assert filled("pumps:\n  a: {stages: 4}\n")[1] == ['2:3: pumps.a needs "label"; add "label: Booster"']


def test_a_comma_inside_a_number_is_one_fault_whatever_stands_before_it() -> None:
    found, problems = filled("pumps:\n  a: {label: B, stages: 0,5 gpm}\n")
    assert found == Pump(label="B")
    assert problems == [
        '2:27: pumps.a: unknown key "5 gpm"; a comma inside a number? write "20.5", and thousands without one'
    ]


def test_what_is_missed_and_is_one_of_few_words_is_said_with_all() -> None:
    document = read_document("pump: {}\n", "f.yaml")
    fill(Driven, document, ("pump",))
    assert [str(each) for each in document.problems] == ['f.yaml:1:1: pump needs "drive"; add "drive: shaft" (or belt)']


def test_what_is_no_group() -> None:
    expected = "pumps.a must be a group of keys (got a list); such as {label: Booster, stages: 3}"
    assert filled("pumps:\n  a: [1]\n") == (Pump(), [f"2:6: {expected}"])


def test_places_have_names_people_know() -> None:
    assert label_of(("points", "north", "display", "digits")) == 'point "north": display.digits'
    assert label_of(("permits", "P-1", "points", 0, "share")) == 'permit "P-1": points.1.share'
    assert label_of(("limits", "pause")) == "limits.pause"
    assert label_of(()) == "the file"

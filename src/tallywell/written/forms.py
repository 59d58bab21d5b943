"""A form is the list of keys that a group may have, each with what it accepts; `fill` judges one written group by it.

All keys of a form are optional to pydantic and `Key(needed=True)` is checked here: so a group with one fault still
yields its other keys, and what hangs together (addresses, references, shares) is judged in the same run.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, PlainValidator, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from tallywell.written.acceptor import Acceptor, Schema
from tallywell.written.fields import nearest, suggestion
from tallywell.written.located import Document, Path, quoted

# In {a: 20,5 gpm} the comma ends the value, and what stands behind it reads as another key.
_AFTER_COMMA = re.compile(r"[0-9]+(\s|\Z)")
_POINT_ADVICE = 'a comma inside a number? write "20.5", and thousands without one'
MOST_OTHERS = 4  # words in one message
GROUPS = {"lines": "line", "wells": "well", "points": "point", "permits": "permit", "quantities": "quantity"}


class Form(BaseModel):
    """One group of keys. Unknown keys are refused, nothing is converted but by what the key itself accepts.

    `such_as`: what to write where the group is missed and none of its keys is needed. `either`: of each of these groups
    one is needed. `along`: keys that are needed where another one stands.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, arbitrary_types_allowed=True)
    such_as: ClassVar[str] = ""
    along: ClassVar[dict[str, tuple[str, ...]]] = {}
    either: ClassVar[tuple[tuple[str, ...], ...]] = ()


@dataclass(frozen=True, slots=True)
class GroupOf:
    """A group with the keys of a form."""

    form: type[Form]


@dataclass(frozen=True, slots=True)
class NamesOf:
    """A group whose keys the user names (`names`: the pattern, ECMA-262, that a name meets); at least so many.

    `known`: names that mean something by themselves, and what a schema asks of some of their keys besides.
    """

    of: "Shape"
    names: str
    least: int = 0
    known: Mapping[str, Mapping[str, Schema]] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class ListOf:
    of: "Shape"
    least: int = 0


@dataclass(frozen=True, slots=True)
class OneOf:
    """Any one of several shapes. `said`: in words, where theirs would be long."""

    of: tuple["Shape", ...]
    said: str = ""


Shape = Acceptor[Any] | GroupOf | NamesOf | ListOf | OneOf


@dataclass(frozen=True, slots=True)
class Key:
    """What a key is for. `example`: what to write where it is missed; `needed` keys are missed.

    `unless`: a key at the top of the file and the word there with which this one is not needed; it is otherwise.
    `says`: what it means, for the reference and for editors. `usual`: what holds without it, as it would be written.
    `holds`: the shape of a part that is read on its own, where the key itself accepts more.
    """

    example: str = ""
    says: str = ""
    needed: bool = True
    unless: tuple[str, str] | None = None
    usual: str = ""
    holds: Shape | None = None


@dataclass(frozen=True, slots=True)
class KeyOfForm:
    """A key of a form with its name as written and what may stand there."""

    name: str
    key: Key
    shape: Shape


def keys_of(form: type[Form]) -> tuple[KeyOfForm, ...]:
    """In the order of the form."""
    return tuple(
        KeyOfForm(field.alias or name, key, key.holds or _acceptor(field))
        for name, field in form.model_fields.items()
        for key in [_key(field) or Key(needed=False)]
    )


def _acceptor(field: FieldInfo) -> Acceptor[Any]:
    found = next(extra.func for extra in field.metadata if isinstance(extra, PlainValidator))
    assert isinstance(found, Acceptor), "a key is judged by an acceptor, which knows its schema"
    return found


Filled = TypeVar("Filled", bound=Form)
Known = TypeVar("Known")


def sure(value: Known | None) -> Known:
    """A needed key of a form in which no fault was found."""
    assert value is not None, "a needed key went missing without a problem"
    return value


def fill(form: type[Filled], document: Document, path: Path) -> Filled:
    """The group at the path as a form; keys at fault are None and have their problems in the document."""
    written = document.at(path)
    if not isinstance(written, dict):
        document.complain(path, f"{label_of(path)} must be a group of keys", f"such as {{{_example(form)}}}")
        return form()
    for key, example in _needed(form).items():
        if key not in written and key not in misspelt(form, written):
            do = f'add "{example}"{_others(form, key, example)}'
            document.complain(path, f'{label_of(path)} needs "{key}"', do, got="", key=True)
    try:
        return form.model_validate(written)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_input=False)
    cut = _cut_by_a_comma(list(written), form)
    for fault in faults:
        if fault["loc"][0] not in cut:
            _complain(document, form, path, fault)
    wrong = {str(fault["loc"][0]) for fault in faults} | cut
    return form.model_validate({key: value for key, value in written.items() if key not in wrong})


def label_of(path: Path) -> str:
    """How a message names a place: `point "north-discharge": address`."""
    if not path:
        return "the file"
    if len(path) > 1 and path[0] in GROUPS:
        rest = ".".join(str(step + 1) if isinstance(step, int) else step for step in path[2:])
        return f"{GROUPS[str(path[0])]} {quoted(str(path[1]))}" + (f": {rest}" if rest else "")
    return ".".join(str(step + 1) if isinstance(step, int) else step for step in path)


def _complain(document: Document, form: type[Form], path: Path, fault: ErrorDetails) -> None:
    key = str(fault["loc"][0])
    if fault["type"] == "extra_forbidden":
        inside = f"{label_of(path)}: " if path else ""
        advice = _POINT_ADVICE if _AFTER_COMMA.match(key) else suggestion(key, _known(form))
        document.complain((*path, key), f"{inside}unknown key {quoted(key)}", advice, got="", key=True)
        return
    said = fault.get("ctx", {})
    what = said.get("what", fault["msg"])
    document.complain((*path, key), f"{label_of((*path, key))} {what}", said.get("do", ""))


def _known(form: type[Form]) -> list[str]:
    return [field.alias or name for name, field in form.model_fields.items()]


def misspelt(form: type[Form], written: Iterable[str]) -> set[str]:
    """Keys that were probably meant by unknown ones: one fault, one message."""
    known = _known(form)
    unknown = (key for key in written if key not in known)
    return {near for key in unknown if (near := nearest(key, known)) is not None}


def _cut_by_a_comma(keys: list[str], form: type[Form]) -> set[str]:
    """Keys whose number ends at a comma, so that its rest reads as another key: one fault, which is told there."""
    known = _known(form)
    return {before for before, key in pairwise(keys) if key not in known and _AFTER_COMMA.match(key)}


def _others(form: type[Form], key: str, example: str) -> str:
    """The other words that may stand there, where they are few: none of them is the usual one for everybody."""
    shape = next(each.shape for each in keys_of(form) if each.name == key)
    words = shape.schema.get("enum", []) if isinstance(shape, Acceptor) else []
    others = [str(word) for word in words if example != f"{key}: {word}"]
    return f" (or {', '.join(others)})" if 0 < len(others) <= MOST_OTHERS else ""


def _needed(form: type[Form]) -> dict[str, str]:
    return {
        field.alias or name: key.example
        for name, field in form.model_fields.items()
        if (key := _key(field)) and key.needed
    }


def _example(form: type[Form]) -> str:
    return ", ".join(_needed(form).values()) or form.such_as


def _key(field: FieldInfo) -> Key | None:
    return next((extra for extra in field.metadata if isinstance(extra, Key)), None)

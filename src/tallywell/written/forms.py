"""A form is the list of keys that a group may have, each with what it accepts; `fill` judges one written group by it.

All keys of a form are optional to pydantic and `Key(needed=True)` is checked here: so a group with one fault still
yields its other keys, and what hangs together (addresses, references, shares) is judged in the same run.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from tallywell.written.fields import nearest, suggestion
from tallywell.written.located import Document, Path, quoted

# In {a: 20,5 gpm} the comma ends the value, and what stands behind it reads as another key.
_AFTER_COMMA = re.compile(r"[0-9]+(\s|\Z)")
_POINT_ADVICE = 'a comma inside a number? write "20.5", and thousands without one'
GROUPS = {"lines": "line", "wells": "well", "points": "point", "permits": "permit", "quantities": "quantity"}


class Form(BaseModel):
    """One group of keys. Unknown keys are refused, nothing is converted but by what the key itself accepts."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True, slots=True)
class Key:
    """What to write where a key is missed; `needed` keys are missed."""

    example: str
    needed: bool = True


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
        if key not in written and key not in _misspelt(form, written):
            document.complain(path, f'{label_of(path)} needs "{key}"', f'add "{example}"', got="", key=True)
    try:
        return form.model_validate(written)
    except ValidationError as error:
        faults = error.errors(include_url=False, include_input=False)
    for fault in faults:
        _complain(document, form, path, fault)
    wrong = {str(fault["loc"][0]) for fault in faults}
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


def _misspelt(form: type[Form], written: Iterable[str]) -> set[str]:
    """Keys that were probably meant by unknown ones: one fault, one message."""
    known = _known(form)
    unknown = (key for key in written if key not in known)
    return {near for key in unknown if (near := nearest(key, known)) is not None}


def _needed(form: type[Form]) -> dict[str, str]:
    return {
        field.alias or name: key.example
        for name, field in form.model_fields.items()
        if (key := _key(field)) and key.needed
    }


def _example(form: type[Form]) -> str:
    keys = [_key(field) for field in form.model_fields.values()]
    return ", ".join(key.example for key in keys if key and key.needed) or ", ".join(key.example for key in keys if key)


def _key(field: FieldInfo) -> Key | None:
    return next((extra for extra in field.metadata if isinstance(extra, Key)), None)

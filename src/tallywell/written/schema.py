"""Forms -> JSON Schema 2020-12, by which an editor completes and underlines.

It is held against what the editor's YAML makes of a file, so it is wider than the truth where it must be: whatever the
program takes, it takes. What hangs together across keys, the program alone judges.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from tallywell.written.acceptor import Acceptor
from tallywell.written.forms import Form, GroupOf, Key, KeyOfForm, ListOf, NamesOf, OneOf, Shape, keys_of
from tallywell.written.located import Plain, read_document

DIALECT = "https://json-schema.org/draft/2020-12/schema"
Json = Any
_WHOLE = re.compile(r"-?(0|[1-9][0-9]*)\Z")


def schema_of(form: type[Form], title: str, says: str) -> dict[str, Json]:
    """The schema of a file in which everything that is needed must stand."""
    return {"$schema": DIALECT, "title": title, "description": says, **_group(form, whole=True)}


def schema_with_base(
    form: type[Form], title: str, says: str, *, base: str, own: Sequence[str], only: str
) -> dict[str, Json]:
    """The schema of a file that may be based on another, named by the key `base`: then only its `own` keys are needed.

    Groups are merged key by key with those of the base, so they may be of any one key; lists replace and are whole.
    `only`: a key that belongs to a file with a base.
    """
    return {
        "$schema": DIALECT,
        "title": title,
        "description": says,
        **_group(form, whole=False),
        "dependentRequired": {only: [base]},
        "if": {"required": [base]},
        "then": {"required": list(own)},
        "else": {**_needs(GroupOf(form), _needed_here, lists=False), **_needs_unless(form)},
    }


def _of(shape: Shape, *, whole: bool) -> dict[str, Json]:
    """`whole`: with the keys that are needed."""
    if isinstance(shape, Acceptor):
        return dict(shape.schema)
    if isinstance(shape, GroupOf):
        return _group(shape.form, whole=whole)
    if isinstance(shape, OneOf):
        return {"anyOf": [_of(one, whole=whole) for one in shape.of]}
    if isinstance(shape, ListOf):
        items = {"type": "array", "items": _of(shape.of, whole=True)}
        return {**items, "minItems": shape.least} if shape.least else items
    names = {"propertyNames": {"pattern": shape.names}, "additionalProperties": _of(shape.of, whole=whole)}
    least = {"minProperties": shape.least} if whole and shape.least else {}
    known = {name: {"properties": dict(keys)} for name, keys in shape.known.items()}
    return {"type": "object", **names, **least, **({"allOf": [{"properties": known}]} if known else {})}


def _group(form: type[Form], *, whole: bool) -> dict[str, Json]:
    properties = {key.name: _property(key, whole=whole) for key in keys_of(form)}
    needs = _needed_here(form) if whole else {}
    return {"type": "object", "properties": properties, "additionalProperties": False, **needs}


def _property(key: KeyOfForm, *, whole: bool) -> dict[str, Json]:
    says = _description(key)
    found: dict[str, Json] = {"description": says} if says else {}
    found |= _of(key.shape, whole=whole)
    example = _example(key.key)
    if example is not None:
        found["examples"] = [example]
    if key.key.usual:
        found["default"] = _json(key.key.usual)
    return found


def _description(key: KeyOfForm) -> str:
    """What it means, and what it takes where a pattern would have to be read for that."""
    takes = key.shape.said if isinstance(key.shape, Acceptor) and "pattern" in key.shape.schema else ""
    return f"{key.key.says} ({takes.replace('`', '')})" if takes and key.key.says else key.key.says


def _needed_here(form: type[Form]) -> dict[str, Json]:
    found = _required(form, lambda key: key.needed)
    if form.along:
        found["dependentRequired"] = {name: list(others) for name, others in form.along.items()}
    groups: list[Json] = [{"anyOf": [{"required": [name]} for name in names]} for names in form.either]
    if len(groups) == 1:
        return {**found, **groups[0]}
    return {**found, "allOf": groups} if groups else found


def _required(form: type[Form], needed: Callable[[Key], bool]) -> dict[str, Json]:
    names = [key.name for key in keys_of(form) if needed(key.key)]
    return {"required": names} if names else {}


def _needs(shape: Shape, here: Callable[[type[Form]], dict[str, Json]], *, lists: bool) -> dict[str, Json]:
    """Only what `here` asks of a form, at any depth; it says nothing of what is no group. `lists`: within lists too."""
    if isinstance(shape, OneOf):
        return {name: value for one in shape.of for name, value in _needs(one, here, lists=lists).items()}
    if isinstance(shape, ListOf):
        inner = _needs(shape.of, here, lists=lists) if lists else {}
        return {"items": inner} if inner else {}
    if isinstance(shape, NamesOf):
        inner = _needs(shape.of, here, lists=lists)
        least = {"minProperties": shape.least} if shape.least else {}
        return {**least, **({"additionalProperties": inner} if inner else {})}
    if not isinstance(shape, GroupOf):
        return {}
    inside = {key.name: inner for key in keys_of(shape.form) if (inner := _needs(key.shape, here, lists=lists))}
    return {**here(shape.form), **({"properties": inside} if inside else {})}


def _needs_unless(form: type[Form]) -> dict[str, Json]:
    """What is needed but with one word at the top of the file."""
    tops = {key.name: key.shape for key in keys_of(form)}

    def unless(name: str, word: str) -> dict[str, Json]:
        shape = tops[name]
        assert isinstance(shape, Acceptor), "a key with words"
        others = [other for other in shape.schema["enum"] if other != word]
        needs = _needs(GroupOf(form), lambda one: _required(one, lambda key: key.unless == (name, word)), lists=True)
        return {"if": {"required": [name], "properties": {name: {"enum": others}}}, "then": needs}

    found = [unless(name, word) for name, word in _exceptions(GroupOf(form))]
    return {"allOf": found} if found else {}


def _exceptions(shape: Shape) -> dict[tuple[str, str], None]:
    """Every `unless` at any depth."""
    if isinstance(shape, OneOf):
        return {found: None for one in shape.of for found in _exceptions(one)}
    if isinstance(shape, ListOf | NamesOf):
        return _exceptions(shape.of)
    if not isinstance(shape, GroupOf):
        return {}
    keys = keys_of(shape.form)
    own = {key.key.unless: None for key in keys if key.key.unless}
    return own | {found: None for key in keys for found in _exceptions(key.shape)}


def _example(key: Key) -> Json:
    """What stands behind the key's name in its example; None where nothing does."""
    written = read_document(key.example, "").group(()) if key.example else {}
    return next((_json(value) for value in written.values() if value is not None), None)


def _json(value: Plain) -> Json:
    """As an editor has it: whole numbers are numbers."""
    if isinstance(value, Mapping):
        return {key: _json(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_json(inner) for inner in value]
    if value is None:
        return None
    return int(value) if _WHOLE.match(value) else _json(read_document(value, "").plain) if value[0] in "[{" else value

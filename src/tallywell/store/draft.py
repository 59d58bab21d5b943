"""What a person typed, as the text of an inbox file, and back. Whoever may write into the inbox may write anything."""

import json
import re
from dataclasses import asdict, dataclass, fields
from uuid import UUID

from tallywell.store.canonical import canonical

MOST_BYTES = 4 * 1024 * 1024  # of a file; a final report of a large site with its days is a tenth of it
NAME = re.compile(r"([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})\.json")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_INT64 = range(-(2**63), 2**63)


@dataclass(frozen=True, slots=True)
class Draft:
    """What a person typed, before the record knows it. `about_ms`: UTC; `point`: its name; `content`: no floats.

    `boot_id`, `boot_ms`, `shown_ms`: the clock when it was typed; they end up in the entry's content under "typed".
    """

    kind: str
    point: str | None
    about_ms: int | None
    author: str
    replaces: str | None
    content: dict[str, object]
    boot_id: str
    boot_ms: int
    shown_ms: int


_TYPES: dict[str, tuple[type, ...]] = {
    "kind": (str,),
    "point": (str, type(None)),
    "about_ms": (int, type(None)),
    "author": (str,),
    "replaces": (str, type(None)),
    "content": (dict,),
    "boot_id": (str,),
    "boot_ms": (int,),
    "shown_ms": (int,),
}


def to_text(draft: Draft) -> str:
    """The file's text. ValueError says what cannot be kept."""
    text = canonical(asdict(draft))
    from_text(text)
    return text


def from_text(text: str) -> Draft:
    """ValueError says what is wrong with it."""
    try:
        found = json.loads(text, parse_float=_no_float, parse_constant=_no_float, object_pairs_hook=_once)
        canonical(found)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    if not isinstance(found, dict):
        raise ValueError("it is not an object")  # noqa: TRY004 - one family for the caller
    _check_names(set(found))
    for name, types in _TYPES.items():
        _check_value(name, found[name], types)
    _check_replaces(found["replaces"])
    if "typed" in found["content"]:
        raise ValueError('content: "typed" is written by the program')
    return Draft(**found)


def _no_float(number: str) -> object:
    raise ValueError(f"{number} is not exact; give a whole number or a text")


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError(f"a name is given twice among {', '.join(sorted(name for name, _ in pairs))}")
    return found


def _check_names(names: set[str]) -> None:
    known = {field.name for field in fields(Draft)}
    if names != known:
        strange, lacking = sorted(names - known), sorted(known - names)
        raise ValueError(f"it lacks {lacking}" if lacking else f"{strange} is not known here")


def _check_value(name: str, value: object, types: tuple[type, ...]) -> None:
    if type(value) not in types:
        raise ValueError(f"{name} is {value!r}, which is no {types[0].__name__}")
    if isinstance(value, int) and value not in _INT64:
        raise ValueError(f"{name} is out of range (got {value})")
    if isinstance(value, str) and (not value or _CONTROL.search(value)):
        raise ValueError(f"{name} is empty or holds a control character (got {value!r})")


def _check_replaces(uuid: str | None) -> None:
    try:
        if uuid is not None and str(UUID(uuid)) == uuid:
            return
    except ValueError:
        pass
    if uuid is not None:
        raise ValueError(f"replaces is not the uuid of an entry (got {uuid!r})")


def kept_content(draft: Draft) -> str:
    """The entry's content: what was said, and under "typed" the clock when it was."""
    typed = {"boot_id": draft.boot_id, "boot_ms": draft.boot_ms, "shown_ms": draft.shown_ms}
    return canonical({**draft.content, "typed": typed})

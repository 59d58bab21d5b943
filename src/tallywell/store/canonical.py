"""One text for one value: what is hashed and compared is written the same way every time."""

import json


def canonical(value: object) -> str:
    """JSON with sorted keys and tight separators, UTF-8 kept. A float, a key that is no text or half a surrogate
    pair raises ValueError with its place: a float has no one spelling, and a lone surrogate cannot be stored.
    """
    _refuse(value, "content")
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _refuse(value: object, place: str) -> None:
    if value is None or isinstance(value, bool | int):
        return
    if isinstance(value, str):
        _refuse_half_pair(value, place)
    elif isinstance(value, dict):
        for key, inner in value.items():
            if not isinstance(key, str):
                raise ValueError(f"{place}: a key must be text (got {key!r})")  # noqa: TRY004 - one family for the caller
            _refuse_half_pair(key, place)
            _refuse(inner, f"{place}.{key}")
    elif isinstance(value, list | tuple):
        for at, inner in enumerate(value):
            _refuse(inner, f"{place}[{at}]")
    else:
        kind = type(value).__name__
        hint = "give a whole number or a text"
        raise ValueError(f"{place}: {kind} has no exact text (got {value!r}); {hint}")  # noqa: TRY004 - as above


def _refuse_half_pair(text: str, place: str) -> None:
    try:
        text.encode()
    except UnicodeEncodeError as error:
        raise ValueError(f"{place}: half a surrogate pair at {error.start} (got {text!r})") from error

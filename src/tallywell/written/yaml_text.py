"""Plain values -> YAML text that reads back as the same values: what `located.read_document` does, undone."""

import re

from tallywell.written.located import Plain

# What needs no quotes anywhere, within {} and [] included; all else gets them, and no rule of YAML is met by chance.
_BARE = re.compile(r"(?:[\w/]|[+-](?=[\w.])|\.(?=\w)|\.{1,2}(?=/))[\w./+^%°*()-]*(?: [\w./+^%°*()-]+)*\Z")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}


def scalar(text: str | None) -> str:
    """One value or key; None is "~"."""
    if text is None:
        return "~"
    if _BARE.match(text) and text.isprintable():
        return text
    return '"' + "".join(map(_character, text)) + '"'


def _character(one: str) -> str:
    """As it is, or escaped by its number (YAML 1.1, 5.6)."""
    if one in _ESCAPES:
        return _ESCAPES[one]
    if one.isprintable():
        return one
    number = ord(one)
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


def flow(value: Plain) -> str:
    """Any value on one line: {a: 1, b: [2, 3]}."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{scalar(key)}: {flow(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow, value)) + "]"
    return scalar(value)

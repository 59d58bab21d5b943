"""What the YAML of an editor makes of a file: values with types, by YAML 1.2's core schema or by the types of YAML 1.1.

Written from YAML 1.2.2, 10.3.2, and the YAML 1.1 type repository (bool, int, float, null), not from memory of a parser.
Dates stay texts, as JSON has none. Keys become texts, as JSON has no others.
"""

import re
from typing import Any

import yaml

_CORE = {
    "null": r"null|Null|NULL|~|",
    "bool": r"true|True|TRUE|false|False|FALSE",
    "int": r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+",
    "float": r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)",
}
_OLD = {
    "null": r"null|Null|NULL|~|",
    "bool": r"y|Y|yes|Yes|YES|n|N|no|No|NO|true|True|TRUE|false|False|FALSE|on|On|ON|off|Off|OFF",
    "int": r"[-+]?0b[0-1_]+|[-+]?0[0-7_]+|[-+]?(?:0|[1-9][0-9_]*)|[-+]?0x[0-9a-fA-F_]+"
    r"|[-+]?[1-9][0-9_]*(?::[0-5]?[0-9])+",
    "float": r"[-+]?(?:[0-9][0-9_]*)?\.[0-9.]*(?:[eE][-+][0-9]+)?|[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+\.[0-9_]*"
    r"|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)",
}
VERSIONS = {"1.2": _CORE, "1.1": _OLD}
_TRUE = {"y", "yes", "true", "on"}


def as_an_editor_has_it(text: str, version: str) -> Any:
    """The file as JSON values; yaml.YAMLError where it is no YAML."""
    return _json(yaml.compose(text, Loader=yaml.SafeLoader), VERSIONS[version])


def _json(node: yaml.Node | None, types: dict[str, str]) -> Any:
    if node is None:
        return None
    if isinstance(node, yaml.MappingNode):
        return {_key(_json(key, types)): _json(value, types) for key, value in node.value}
    if isinstance(node, yaml.SequenceNode):
        return [_json(value, types) for value in node.value]
    assert isinstance(node, yaml.ScalarNode)
    return node.value if node.style else _scalar(node.value, types)


def _key(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    return str(value)


def _scalar(written: str, types: dict[str, str]) -> Any:
    kind = next((kind for kind, form in types.items() if re.fullmatch(form, written)), "str")
    if kind == "null":
        return None
    if kind == "bool":
        return written.lower() in _TRUE
    if kind == "int":
        return _whole(written.replace("_", ""), old=types is _OLD)
    return _decimal(written.lower().replace("_", "")) if kind == "float" else written


def _whole(written: str, *, old: bool) -> int:
    sign, digits = (-1 if written.startswith("-") else 1), written.lstrip("+-")
    if digits[:2] in ("0x", "0o", "0b"):
        return sign * int(digits, 0)
    if ":" in digits:
        return sign * int(_sexagesimal(digits))
    return sign * int(digits, 8 if old and len(digits) > 1 and digits[0] == "0" else 10)


def _decimal(written: str) -> float | str:
    try:
        if ":" in written:
            return _sexagesimal(written)
        return float(written.replace(".inf", "inf").replace(".nan", "nan"))
    except ValueError:  # "." and "1.2.3" match the form of 1.1, and are no numbers
        return written


def _sexagesimal(written: str) -> float:
    total = 0.0
    for part in written.lstrip("+-").split(":"):
        total = total * 60 + float(part)
    return -total if written.startswith("-") else total

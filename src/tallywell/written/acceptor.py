"""An acceptor: what judges one written value, together with what it says of itself to editors and to the reference.

A schema (JSON Schema 2020-12) is held against what an editor's YAML makes of a value, not against what was written: the
core schema of YAML 1.2 (10.3.2) and the types of YAML 1.1 turn 8 and 0x0064 into numbers and leave 1,000 a text, and
only one of them makes yes a boolean. So a schema takes every form that a right value can have by then.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, Generic, TypeVar

from tallywell.readings import units

Value = TypeVar("Value")
Schema = Mapping[str, Any]

# Patterns are ECMA-262's, which JSON Schema asks for (core, 6.4), and are searched for, hence the ends.
_DIGITS = "[0-9]+(?:[,_][0-9]{3,})*"
_NUMBER = rf"(?:{_DIGITS}(?:\.(?:{_DIGITS})?)?|\.{_DIGITS})(?:[eE][+-]?[0-9]{{1,3}})?"
_WHOLE = "[+-]?[0-9]+(?:[,_][0-9]{3})*"
_HEXADECIMAL = "0[xX][0-9A-Fa-f]{1,16}"
_POWER = r"(?:2|10)\^[0-9]{1,2}"
_SHARE = r"[0-9]{1,9}\s*/\s*[0-9]{1,9}|[0-9]+(?:\.[0-9]+)?\s*%"
_MONTH_AND_DAY = "(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])"
NAME = "[A-Za-z0-9][A-Za-z0-9_.-]{0,63}"


@dataclass(frozen=True, slots=True)
class Acceptor(Generic[Value]):
    """Call it with the plain value: it gives what was meant, or raises a refusal. `said`: what it takes, in words."""

    accept: Callable[[object], Value]
    said: str
    schema: Schema = field(hash=False)

    def __call__(self, value: object) -> Value:
        return self.accept(value)


def accepts(said: str, schema: Schema) -> Callable[[Callable[[object], Value]], Acceptor[Value]]:
    """Makes an acceptor of the function under it."""
    return lambda accept: Acceptor(accept, said, schema)


def pattern(expression: str) -> str:
    """The whole of a text, blanks at its ends aside."""
    return rf"^\s*(?:{expression})\s*$"


# Any text: what looks like a number or a boolean is one by now. Nothing ("key:" alone) is none.
TEXT: Schema = {"type": ["string", "number", "boolean"]}
OF_A_NAME: Schema = {**TEXT, "pattern": f"^{NAME}$"}
NUMBER: Schema = {"type": ["number", "string"], "pattern": pattern(f"[+-]?{_NUMBER}")}
FACTOR: Schema = {**NUMBER, "exclusiveMinimum": 0, "pattern": pattern(rf"(?=[^A-Za-z]*[1-9])\+?{_NUMBER}")}
NUMBER_OR_PATTERN: Schema = {**NUMBER, "pattern": pattern(f"[+-]?{_NUMBER}|{_HEXADECIMAL}")}
DATE: Schema = {"type": "string", "pattern": f"^[0-9]{{4}}-{_MONTH_AND_DAY}$"}
MONTH_AND_DAY: Schema = {"type": "string", "pattern": f"^{_MONTH_AND_DAY}$"}
SHARE: Schema = {
    "type": ["number", "string"],
    "exclusiveMinimum": 0,
    "maximum": 1,
    "pattern": pattern(rf"{_SHARE}|\+?{_NUMBER}"),
}


def yes_no_schema(*others: str) -> Schema:
    """yes and no are texts to YAML 1.2 and booleans to 1.1, true and false booleans to both."""
    words = ("yes", "no", *others)
    letters = "|".join("".join(f"[{letter.upper()}{letter}]" for letter in word) for word in (*words, "true", "false"))
    return {"anyOf": [{"enum": list(words)}, {"type": "boolean"}, {"type": "string", "pattern": f"^(?:{letters})$"}]}


def whole_schema(least: int, greatest: int, *, hexadecimal: bool = False, powers: bool = False) -> Schema:
    """A number between the two; as a text (1,000 or 0X64 or 2^24) only its form is told."""
    forms = [_WHOLE, *([_HEXADECIMAL] if hexadecimal else []), *([_POWER] if powers else [])]
    ends = {"minimum": least, "maximum": greatest}
    return {"type": ["integer", "string"], **ends, "pattern": pattern("|".join(forms))}


# Keys of a group are texts to JSON, whatever they look like.
WHOLE_KEY = pattern(_WHOLE)
PATTERN_KEY = pattern(f"{_WHOLE}|{_HEXADECIMAL}")


def measured_schema(kind: str, low: Fraction | None = None, *, above: bool = False) -> Schema:
    """A number with a unit of the kind; no minus where that would be too little. How great it is, no pattern tells."""
    known = "|".join(sorted(units.KINDS[kind], key=len, reverse=True))
    sign = ""
    if low is not None and low >= 0:
        above_zero = above or low > 0
        sign = r"(?!\s*-)(?=[^A-Za-z]*[1-9])" if above_zero else r"(?!\s*-[^A-Za-z]*[1-9])"
    return {"type": "string", "pattern": rf"^{sign}\s*[+-]?{_NUMBER}\s*(?:{known})\s*$"}


def unit_schema(kind: str) -> Schema:
    """A unit of the kind, or so many of it, also as a ratio: "gpm", "0.1 gpm", "2500/65535 gpm"."""
    known = "|".join(sorted(units.KINDS[kind], key=len, reverse=True))
    number = r"[0-9.][0-9.,_eE+-]*\s*"
    return {"type": "string", "pattern": pattern(rf"(?:{number}(?:/\s*{number})?)?(?:{known})")}

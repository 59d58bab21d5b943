"""One quantity as written, with where it stands: what the files that judge its parts hand on to one another."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

from pydantic_core import PydanticCustomError

from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.registers.map_forms import QuantityForm
from tallywell.registers.quantity import Table, ValueType
from tallywell.written import fields
from tallywell.written.forms import label_of, misspelt
from tallywell.written.located import Document, Path

Accepted = TypeVar("Accepted")
_NUMBER = r"[0-9][0-9.,_eE+-]*|\.[0-9]+"
_UNIT = re.compile(rf"(?:({_NUMBER})\s*(?:/\s*({_NUMBER}))?\s*)?((?!/\s*[0-9.])\D.*)\Z")


@dataclass(frozen=True, slots=True)
class Written:
    """`words`: how many it has at its register, bits in a table of bits; 0 where that is not known for a fault."""

    document: Document
    path: Path
    name: str
    form: QuantityForm
    type: ValueType
    table: Table | None
    words: int

    @property
    def is_bits_table(self) -> bool:
        return self.table is not None and self.table.is_bits

    @property
    def width(self) -> int:
        """How many bits its pattern has."""
        return self.words if self.is_bits_table else 16 * self.words

    def has(self, key: str) -> bool:
        return self.document.at((*self.path, key)) is not None

    def complain(self, key: str, what: str, do: str = "", *, got: str | None = None, warning: bool = False) -> None:
        path = (*self.path, key)
        self.document.complain(path, f"{label_of(path)} {what}", do, got=got, warning=warning)

    def needs(self, key: str, example: str, why: str) -> None:
        is_misspelt = key in misspelt(QuantityForm, self.document.group(self.path))
        if not self.has(key) and not is_misspelt:  # one that is there and at fault has its problem already
            what = f'{label_of(self.path)} needs "{key}"{why}'
            self.document.complain(self.path, what, f'add "{example}"', got="", key=True)

    def refuses(self, key: str, why: str, do: str = "remove it") -> None:
        """Where the key is at fault itself, that was said already."""
        if self.has(key) and getattr(self.form, key) is not None:
            self.complain(key, why, do)


def accept(document: Document, path: Path, acceptor: Callable[[object], Accepted]) -> Accepted | None:
    """One value that is no key of a form; None where it is at fault, which is noted."""
    try:
        return acceptor(document.at(path))
    except PydanticCustomError as error:
        said: Mapping[str, str] = error.context or {}
        document.complain(path, f"{label_of(path)} {said.get('what', '')}", said.get("do", ""))
        return None


def kind_of_unit(written: str | None) -> str | None:
    """ "flow rate" of "0.1 gpm"; None where the unit is no known one."""
    found = _UNIT.match(written) if written else None
    return next((kind for kind, known in units.KINDS.items() if found and found[3] in known), None)


def unit_of(written: Written, kind: str | None) -> Measure | None:
    """A unit of a kind, "gpm", or so many of it: "0.1 gpm", "2500/65535 gpm". Kind None: any text, such as "V"."""
    found = _UNIT.match((written.form.unit or "")[: fields.MOST_IN_NUMBER])
    number = _number(found) if found else None
    if found and number and number > 0 and (kind is None or found[3] in units.KINDS[kind]):
        return Measure(number, found[3], number * (units.KINDS[kind][found[3]] if kind else 1))
    if kind is None:
        written.complain("unit", "must be a unit, or a number above 0 and a unit", 'such as "V" or "0.1 V"')
        return None
    near = fields.nearest_unit(found[3], kind) if found and number else None
    known = f"known are {', '.join(units.KINDS[kind])}"
    written.complain("unit", f"must be a unit of {kind}", f'did you mean "{near}"?' if near else known)
    return None


def _number(found: re.Match[str]) -> Fraction | None:
    """The number before a unit, 1 where there is none; None where it cannot be read."""
    try:
        number = units.number(found[1]) if found[1] else Fraction(1)
        return number / units.number(found[2]) if found[2] else number
    except (ValueError, ZeroDivisionError):
        return None

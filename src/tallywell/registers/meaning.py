"""What a quantity's number stands for: its kind, unit, step, offset and capacity, judged with one another."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.registers.map_forms import QuantityForm
from tallywell.registers.numbers import bounds_of_pattern, pattern_of_number
from tallywell.registers.quantity import Kind, ValueType
from tallywell.written import fields
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path

TOTALS = ("forward_total", "reverse_total", "net_total")
_UNIT = re.compile(r"(?:([0-9][0-9.,_eE+-]*|\.[0-9]+)\s*)?(\D.*)\Z")


@dataclass(frozen=True, slots=True)
class Written:
    """One quantity as written, where it stands, and its type."""

    document: Document
    path: Path
    name: str
    form: QuantityForm
    type: ValueType

    def complain(self, key: str, what: str, do: str = "", *, warning: bool = False) -> None:
        path = (*self.path, key)
        self.document.complain(path, f"{label_of(path)} {what}", do, warning=warning)

    def needs(self, key: str, example: str, why: str) -> None:
        if self.document.at((*self.path, key)) is None:  # one that is there and at fault has its problem already
            what = f'{label_of(self.path)} needs "{key}"{why}'
            self.document.complain(self.path, what, f'add "{example}"', got="", key=True)

    def refuses(self, key: str, why: str, do: str = "remove it") -> None:
        if self.document.at((*self.path, key)) is not None:
            self.complain(key, why, do)


@dataclass(frozen=True, slots=True)
class QuantityMeaning:
    """number in `unit` = raw x step + offset; `si_per_unit` None where the unit is free text."""

    kind: Kind
    unit: str = ""
    step: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    si_per_unit: Fraction | None = None
    capacity: int | None = None
    unit_kind: str | None = None

    def number(self, value: object) -> Fraction:
        """A written number of this quantity, bare (in its own unit) or with a unit of the same kind."""
        if self.unit_kind is None or self.si_per_unit is None:
            return fields.decimal(value)
        try:
            return units.number(fields.text(value))
        except ValueError:
            return fields.measured(self.unit_kind)(value).si / self.si_per_unit


def meaning_of(written: Written) -> QuantityMeaning:
    kind = _kind(written)
    judge: dict[Kind, Callable[[Written], QuantityMeaning]] = {
        Kind.TOTAL: _total,
        Kind.BITS: _bits,
        Kind.FLOW: _flow,
        Kind.OTHER: _other,
    }
    if kind is not Kind.TOTAL:
        for key in ("one_count", "digits", "capacity", "for_the_books"):
            written.refuses(key, "belongs to a total only")
    if kind is not Kind.BITS:
        written.refuses("bits", "belongs to bits, bits32, uint16 or uint32 without a unit only")
    return judge[kind](written)


def _kind(written: Written) -> Kind:
    form = written.form
    unsigned = written.type in (ValueType.UINT16, ValueType.UINT32)
    if form.type is not None and form.type.is_bits:
        return Kind.BITS
    if written.name in TOTALS or written.document.at((*written.path, "one_count")) is not None:
        return Kind.TOTAL
    if unsigned and form.unit is None and (form.bits is not None or written.name == "status"):
        return Kind.BITS
    if written.name == "flow_rate" or _kind_of_unit(form.unit) == "flow rate":
        return Kind.FLOW
    return Kind.TOTAL if form.for_the_books else Kind.OTHER


def _bits(written: Written) -> QuantityMeaning:
    if written.name in (*TOTALS, "flow_rate"):
        written.complain("type", "must be a number's type", "write uint32 or float32, as the manual says")
    for key in ("unit", "offset", "valid"):
        written.refuses(key, "has no meaning for bits")
    return QuantityMeaning(Kind.BITS)


def _flow(written: Written) -> QuantityMeaning:
    if written.form.unit is None:
        written.needs("unit", "unit: gpm", "")
        return QuantityMeaning(Kind.FLOW, unit_kind="flow rate")
    found = _unit(written, "flow rate")
    return _with_unit(written, Kind.FLOW, found, "flow rate")


def _other(written: Written) -> QuantityMeaning:
    if written.form.unit is None:
        return QuantityMeaning(Kind.OTHER, offset=written.form.offset or Fraction(0))
    kind = _kind_of_unit(written.form.unit)
    found = _unit(written, kind) if kind else _free_unit(written)
    return _with_unit(written, Kind.OTHER, found, kind)


def _with_unit(written: Written, kind: Kind, unit: Measure | None, unit_kind: str | None) -> QuantityMeaning:
    offset = written.form.offset or Fraction(0)
    if unit is None:
        return QuantityMeaning(kind, offset=offset, unit_kind=unit_kind)
    per_unit = units.KINDS[unit_kind][unit.unit] if unit_kind else None
    return QuantityMeaning(kind, unit.unit, unit.number, offset, per_unit, unit_kind=unit_kind)


def _total(written: Written) -> QuantityMeaning:
    """A total counts one_count; as a float it has a unit besides (the volume of 1.0), as an integer it has none."""
    form = written.form
    written.refuses(
        "offset", "has no meaning for a total", "remove it; a first count is noted when a meter is installed"
    )
    written.needs("one_count", "one_count: 100 gal", " (the volume of one count)")
    if written.type.is_float:
        written.needs("unit", "unit: gal", " (the volume of 1.0)")
        unit = _unit(written, "volume") if form.unit else None
    else:
        written.refuses("unit", "has no meaning for an integer total", "remove it; one_count says what a count is")
        unit = form.one_count
    capacity = _capacity(written, unit)
    if unit is None:
        return QuantityMeaning(Kind.TOTAL, capacity=capacity, unit_kind="volume")
    per_unit = units.VOLUMES[unit.unit]
    return QuantityMeaning(Kind.TOTAL, unit.unit, unit.number, Fraction(0), per_unit, capacity, "volume")


def _capacity(written: Written, unit: Measure | None) -> int | None:
    """The count at which the totalizer goes round: 10^digits, as stated, or 2^bits of an integer type."""
    form = written.form
    if form.digits is not None and form.capacity is not None:
        written.complain("capacity", "is stated beside digits", "keep one of them")
    stated = 10**form.digits if form.digits is not None else form.capacity
    if written.type.is_float:
        return _capacity_of_float(written, stated, unit)
    most = 1 << written.type.bits
    if written.type.is_signed and not (written.name == "net_total" and stated in (None, most)):
        most //= 2  # a count that turned negative is refused as out of range
    if stated is not None and stated > most:
        key = "digits" if form.digits is not None else "capacity"
        what = f"is more than {written.type} can count ({most - 1:,} at most)"
        fits = len(str(most)) - 1
        written.complain(key, what, f"write at most {fits} digits, or remove it: the capacity is then {most:,}")
    if stated is None and written.name != "net_total" and (written.type.is_signed or form.for_the_books):
        do = 'add "digits: 8", as on the face of the meter'
        path = written.path
        signed = "it is signed and has" if written.type.is_signed else "it has"
        do += "" if written.type.is_signed else f'; or "capacity: {most}", if the manual says so'
        what = f"{label_of(path)} is taken to go round at {most:,}, as {signed} no digits"
        if all(written.document.at((*path, key)) is None for key in ("digits", "capacity")):
            written.document.complain(path, what, do, got="", key=True, warning=True)
    return most if stated is None else stated


def _capacity_of_float(written: Written, stated: int | None, unit: Measure | None) -> int | None:
    if written.document.at((*written.path, "capacity")) is None:
        written.needs("digits", "digits: 8", " (a float does not say where it goes round)")
    one_count = written.form.one_count
    if stated is None or unit is None or one_count is None:
        return stated
    key = "digits" if written.form.digits is not None else "capacity"
    per_raw = unit.si / one_count.si
    try:
        last = pattern_of_number((stated - 1) / per_raw, written.type)
    except ValueError:
        written.complain(key, f"is more than {written.type} can hold", "write the digits of the meter's face")
        return stated
    low, high = (edge * per_raw for edge in bounds_of_pattern(last, written.type))
    if high - low > 1:
        what = f"is finer than {written.type} can tell: near the last count one step is {round(high - low):,} counts"
        written.complain(key, what, "the reports carry that step; read an integer total if there is one", warning=True)
    return stated


def _kind_of_unit(written: str | None) -> str | None:
    found = _UNIT.match(written) if written else None
    return next((kind for kind, known in units.KINDS.items() if found and found[2] in known), None)


def _unit(written: Written, kind: str) -> Measure | None:
    """A unit of a kind, "gpm", or so many of it, "0.1 gpm"."""
    text = (written.form.unit or "")[: fields.MOST_IN_NUMBER]
    found = _UNIT.match(text)
    try:
        number = units.number(found[1]) if found and found[1] else Fraction(1)
    except ValueError:
        found, number = None, Fraction(0)
    if found and found[2] in units.KINDS[kind] and number > 0:
        return Measure(number, found[2], number * units.KINDS[kind][found[2]])
    near = fields.nearest_unit(found[2], kind) if found else None
    known = f"known are {', '.join(units.KINDS[kind])}"
    written.complain("unit", f"must be a unit of {kind}", f'did you mean "{near}"?' if near else known)
    return None


def _free_unit(written: Written) -> Measure | None:
    """Any text, such as "V" or "0.1 degC": shown, not computed with."""
    found = _UNIT.match((written.form.unit or "")[: fields.MOST_IN_NUMBER])
    try:
        number = units.number(found[1]) if found and found[1] else Fraction(1)
    except ValueError:
        found, number = None, Fraction(0)
    if found is None or number <= 0:
        written.complain("unit", "must be a unit, or a number above 0 and a unit", 'such as "V" or "0.1 V"')
        return None
    return Measure(number, found[2], number)

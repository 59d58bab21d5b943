"""What a quantity's number stands for: its kind, unit, step and offset, and which keys its kind has."""

from dataclasses import dataclass, replace
from fractions import Fraction

from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.registers.capacity import capacity_of, low_part_of
from tallywell.registers.numbering import Numbering
from tallywell.registers.quantity import Direction, Factor, Kind, LowPart, ValueType
from tallywell.registers.written_quantity import Written, kind_of_unit, unit_of
from tallywell.written import fields

DIRECTIONS = {
    "forward_total": Direction.FORWARD,
    "reverse_total": Direction.REVERSE,
    "net_total": Direction.NET,
}


@dataclass(frozen=True, slots=True)
class QuantityMeaning:
    """number in `unit` = raw x factor x step + offset; `si_per_unit` None where the unit is free text.

    The step of an integer total that another register scales is that of a factor of 1 only once the factor is known.
    """

    kind: Kind
    unit: str = ""
    step: Fraction = Fraction(1)
    offset: Fraction = Fraction(0)
    si_per_unit: Fraction | None = None
    capacity: int | None = None
    unit_kind: str | None = None
    direction: Direction | None = None
    low_part: LowPart | None = None

    def number(self, value: object) -> Fraction:
        """A written number of this quantity, bare (in its own unit) or with a unit of the same kind."""
        if self.unit_kind is None or self.si_per_unit is None:
            return fields.decimal(value)
        try:
            return units.number(fields.text(value))
        except ValueError:
            return fields.measured(self.unit_kind)(value).si / self.si_per_unit


def meaning_of(written: Written, numbering: Numbering | None) -> QuantityMeaning:
    kind = _kind(written)
    _refuse(written, kind)
    if kind is Kind.TOTAL:
        return _total(written, numbering)
    if kind is Kind.FLOW:
        return _flow(written)
    return _other(written) if kind is Kind.OTHER else QuantityMeaning(kind)


def _kind(written: Written) -> Kind:
    form = written.form
    if written.type is ValueType.TEXT:
        return Kind.TEXT
    if form.type is not None and form.type.is_bits:
        return Kind.BITS
    if written.name in DIRECTIONS or written.has("one_count"):
        return Kind.TOTAL
    return Kind.ENUMERATION if written.has("enumeration") else _kind_of_number(written)


def _kind_of_number(written: Written) -> Kind:
    """Of numbers that neither count by one_count nor have names."""
    form, unsigned = written.form, written.type in (ValueType.UINT16, ValueType.UINT32)
    if unsigned and form.unit is None and (form.bits is not None or written.name == "status"):
        return Kind.BITS
    if written.name == "flow_rate" or (kind_of_unit(form.unit) == "flow rate" and not written.has("setting")):
        return Kind.FLOW  # a cutoff that is set is no flow
    return Kind.TOTAL if form.for_the_books else Kind.OTHER


_OF_A_TOTAL = ("one_count", "digits", "capacity", "for_the_books", "low_part", "direction", "resettable", "display")
_OF_A_NUMBER = ("unit", "offset", "valid", "scale_from", "exponent_from")
_NO_NUMBER = {Kind.BITS: "bits", Kind.TEXT: "a text", Kind.ENUMERATION: "an enumeration"}
SETTINGS = (Kind.TEXT, Kind.ENUMERATION, Kind.OTHER)
SCALABLE = (Kind.TOTAL, Kind.FLOW, Kind.OTHER)


def _refuse(written: Written, kind: Kind) -> None:
    """Keys that another kind of quantity has."""
    if kind in _NO_NUMBER and written.name in (*DIRECTIONS, "flow_rate"):
        written.complain("type", "must be a number's type", "write uint32 or float32, as the manual says")
    if kind is not Kind.TOTAL:
        for key in _OF_A_TOTAL:
            written.refuses(key, "belongs to a total only")
    if kind is not Kind.BITS:
        written.refuses("bits", "belongs to bits, bits32, uint16 or uint32 without a unit only")
    if kind is not Kind.ENUMERATION or written.type.is_float:
        written.refuses("enumeration", "belongs to a whole number without a unit and without bits only")
    if kind in _NO_NUMBER:
        for key in _OF_A_NUMBER:
            written.refuses(key, f"has no meaning for {_NO_NUMBER[kind]}")
    _refuse_as_setting(written, kind)
    if kind is Kind.TEXT or written.is_bits_table:
        written.refuses("no_value", f"has no meaning for {'a text' if kind is Kind.TEXT else 'single bits'}")
    if written.is_bits_table:
        for key in ("word_order", "byte_order"):
            written.refuses(key, "has no meaning for single bits")


def _refuse_as_setting(written: Written, kind: Kind) -> None:
    if kind not in SETTINGS:
        written.refuses("setting", "belongs to a text, an enumeration, or a number that is no flow rate and no total")
    if not written.has("setting") or kind not in SETTINGS:
        written.refuses("expected", "belongs to a setting only", 'remove it, or add "setting: unit"')
    elif kind is Kind.OTHER and (written.has("scale_from") or written.has("exponent_from")):
        written.refuses("expected", "has no meaning for a number that another register multiplies")


def factor_of(written: Written) -> Factor | None:
    """What multiplies it, as far as the quantity itself says it."""
    form = written.form
    if form.scale_from is not None and form.exponent_from is not None:
        written.complain("exponent_from", "is stated beside scale_from", "keep one of them")
        return None
    if form.exponent_from is not None:
        return Factor(form.exponent_from, exponent=True)
    return None if form.scale_from is None else Factor(form.scale_from, exponent=False)


def _flow(written: Written) -> QuantityMeaning:
    if written.form.unit is None:
        written.needs("unit", "unit: gpm", "")
        return QuantityMeaning(Kind.FLOW, unit_kind="flow rate")
    found = unit_of(written, "flow rate")
    return _with_unit(written, Kind.FLOW, found, "flow rate")


def _other(written: Written) -> QuantityMeaning:
    if written.form.unit is None:
        return QuantityMeaning(Kind.OTHER, offset=written.form.offset or Fraction(0))
    kind = kind_of_unit(written.form.unit)
    return _with_unit(written, Kind.OTHER, unit_of(written, kind), kind)


def _with_unit(written: Written, kind: Kind, unit: Measure | None, unit_kind: str | None) -> QuantityMeaning:
    offset = written.form.offset or Fraction(0)
    if unit is None:
        return QuantityMeaning(kind, offset=offset, unit_kind=unit_kind)
    per_unit = units.KINDS[unit_kind][unit.unit] if unit_kind else None
    return QuantityMeaning(kind, unit.unit, unit.number, offset, per_unit, unit_kind=unit_kind)


def _is_under_unit(written: Written) -> bool:
    """Whether what one count is stands under unit, where a number with a unit of another kind of quantity would."""
    in_unit = not written.type.is_float and not written.has("one_count")
    return in_unit and kind_of_unit(written.form.unit) == "volume"


def _counted_under_unit(written: Written) -> QuantityMeaning:
    do = f'write "one_count: {written.form.unit}": one_count says what a count is'
    written.complain("unit", "has no meaning for an integer total", do)
    return QuantityMeaning(Kind.TOTAL, unit_kind="volume")


def _total(written: Written, numbering: Numbering | None) -> QuantityMeaning:
    """A total counts one_count; as a float it has a unit besides (the volume of 1.0), as an integer it has none."""
    form = written.form
    written.refuses(
        "offset", "has no meaning for a total", "remove it; a first count is noted when a meter is installed"
    )
    if _is_under_unit(written):
        return _counted_under_unit(written)
    written.needs("one_count", "one_count: 100 gal", " (the volume of one count)")
    if written.type.is_float:
        written.needs("unit", "unit: gal", " (the volume of 1.0)")
        unit = unit_of(written, "volume") if form.unit else None
    else:
        written.refuses("unit", "has no meaning for an integer total", "remove it; one_count says what a count is")
        unit = form.one_count
    direction, low_part = _direction(written), low_part_of(written, numbering)
    if low_part is not None and direction is Direction.NET:
        do = "map the forward and the reverse total, or the high part alone"
        written.complain("low_part", "cannot belong to a net total: where the sign of the low part is, is not told", do)
    capacity = capacity_of(written, direction, unit, low_part)
    found = QuantityMeaning(Kind.TOTAL, capacity=capacity, unit_kind="volume", direction=direction, low_part=low_part)
    if unit is None:
        return found
    return replace(found, unit=unit.unit, step=unit.number, si_per_unit=units.VOLUMES[unit.unit])


def _direction(written: Written) -> Direction:
    by_name, stated = DIRECTIONS.get(written.name), written.form.direction
    if by_name is not None and stated not in (None, by_name):
        written.complain("direction", f"is {by_name} by the quantity's name", "remove it, or rename the quantity")
    return by_name or stated or Direction.FORWARD

"""What a healthy meter shows where no water is in question: status words, modes, names, settings. Pure."""

from fractions import Fraction

from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Setting

ON_WHEN_WELL = frozenset({"external_power"})  # conditions that hold in a healthy meter; no other does
SERIALS = frozenset({Setting.SERIAL, Setting.SENSOR_SERIAL})

Shown = int | Fraction | str


def still(register_map: RegisterMap, quantity: Quantity, address: int) -> Shown:
    """A bit pattern for bits, a text for text, and a number in the quantity's unit for the rest.

    A setting that must read as something for the map to be right reads so. A serial number is made of the address, so
    that no two meters of a line have the same.
    """
    if quantity.kind is Kind.BITS:
        return _all_well(quantity)
    if quantity.expected:
        return quantity.expected[0]
    if quantity.kind is Kind.TEXT:
        return _text(quantity, address)
    if quantity.kind is Kind.ENUMERATION:
        return quantity.enumeration[0].number
    return address if quantity.setting in SERIALS else _number(register_map, quantity)


def _all_well(quantity: Quantity) -> int:
    return sum(1 << bit.number for bit in quantity.bits if (bit.name in ON_WHEN_WELL) == (bit.when == 1))


def _text(quantity: Quantity, address: int) -> str:
    if quantity.setting in SERIALS:
        text = f"{quantity.name[:1].upper()}{address:05}"
    else:
        text = quantity.name.upper().replace("_", " ")
    return text[: 2 * quantity.words].rstrip()


def _number(register_map: RegisterMap, quantity: Quantity) -> Fraction:
    """What scales another stands at its least; whatever else as near to zero as it may."""
    low, high = quantity.valid.low, quantity.valid.high
    if any(other.factor and other.factor.quantity == quantity.name for other in register_map.quantities.values()):
        return Fraction(1) if low is None else low
    return max(low or Fraction(0), Fraction(0)) if high is None or high >= 0 else high

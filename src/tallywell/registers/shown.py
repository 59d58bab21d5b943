"""Numbers as people read them. Nothing is computed from these texts."""

from decimal import Context, Decimal
from fractions import Fraction

from tallywell.registers.numbers import pattern_of_number
from tallywell.registers.quantity import Quantity, ValueType

# Decimal digits that tell any two floats apart (IEEE 754-2019, 5.12.2).
_DIGITS = {ValueType.FLOAT32: 9, ValueType.FLOAT64: 17}
_INTEGER_DIGITS = 40


def number_shown(number: Fraction, quantity: Quantity) -> str:
    """ "842.1 gpm": the shortest decimal number that the same words would be sent for, with its unit."""
    decimal = _shortest(number, quantity) if quantity.type.is_float else _rounded(number, _INTEGER_DIGITS)
    return f"{_plain(decimal)} {quantity.unit}".rstrip()


def bits_shown(pattern: int, quantity: Quantity) -> str:
    """The names of the bits that are set, the lowest first; a bit without a name by its number."""
    named = {bit.number: bit.name for bit in quantity.bits}
    present = (number for number in range(quantity.type.bits) if pattern >> number & 1)
    return ", ".join(named.get(number, f"bit {number}") for number in present) or "no bit set"


def _shortest(number: Fraction, quantity: Quantity) -> Decimal:
    digits = _DIGITS[quantity.type]
    pattern = _pattern(number, quantity)
    for fewer in range(1, digits):
        decimal = _rounded(number, fewer)
        if _pattern(Fraction(decimal), quantity) == pattern:
            return decimal
    return _rounded(number, digits)


def _pattern(number: Fraction, quantity: Quantity) -> int | None:
    try:
        return pattern_of_number((number - quantity.offset) / quantity.step, quantity.type)
    except ValueError:  # rounded up beyond the greatest float
        return None


def _rounded(number: Fraction, digits: int) -> Decimal:
    return Context(prec=digits).divide(Decimal(number.numerator), Decimal(number.denominator))


def _plain(decimal: Decimal) -> str:
    """With groups of thousands; far from 1 with an exponent."""
    if decimal and not -9 < decimal.adjusted() < 21:
        return str(decimal.normalize())
    text = f"{decimal:,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text

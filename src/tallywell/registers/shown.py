"""Numbers as people read them. Nothing is computed from these texts."""

from decimal import Context, Decimal
from fractions import Fraction

from tallywell.registers.numbers import pattern_of_number
from tallywell.registers.quantity import Quantity, ValueType

# Decimal digits that tell any two floats apart (IEEE 754-2019, 5.12.2).
_DIGITS = {ValueType.FLOAT32: 9, ValueType.FLOAT64: 17}
_INTEGER_DIGITS = 40


def number_shown(number: Fraction, quantity: Quantity, factor: Fraction = Fraction(1)) -> str:
    """ "842.1 gpm": the shortest decimal number that the same words would be sent for, with its unit.

    A number of whole steps that ends, such as 842.1, is shown as it is.
    """
    if quantity.type.is_float or not _ends(number):
        decimal = _shortest(number, quantity, factor)
    else:
        decimal = _rounded(number, _INTEGER_DIGITS)
    return f"{_plain(decimal)} {quantity.unit}".rstrip()


def bits_shown(pattern: int, quantity: Quantity) -> str:
    """The names of the conditions that hold, the lowest bit first; a bit that is set and has no name by its number."""
    named = {bit.number: bit for bit in quantity.bits}
    told = []
    for number in range(quantity.width):
        bit, is_set = named.get(number), pattern >> number & 1
        if bit is None and is_set:
            told.append(f"bit {number}")
        elif bit is not None and is_set == bit.when:
            told.append(bit.name)
    return ", ".join(told) or ("no condition holds" if pattern else "no bit set")


def _ends(number: Fraction) -> bool:
    """Whether its decimal digits come to an end: no prime factor but 2 and 5 is in the denominator."""
    return bool(10 ** number.denominator.bit_length() % number.denominator == 0)


def _shortest(number: Fraction, quantity: Quantity, factor: Fraction) -> Decimal:
    digits = _DIGITS.get(quantity.type, _INTEGER_DIGITS)
    pattern = _pattern(number, quantity, factor)
    for fewer in range(1, digits):
        decimal = _rounded(number, fewer)
        if _pattern(Fraction(decimal), quantity, factor) == pattern:
            return decimal
    return _rounded(number, digits)


def _pattern(number: Fraction, quantity: Quantity, factor: Fraction) -> int | None:
    try:
        raw = (number - quantity.offset) / (quantity.step * factor)
        return pattern_of_number(raw, quantity.type, quantity.length)
    except ValueError:  # rounded up beyond the greatest number of the type
        return None


def _rounded(number: Fraction, digits: int) -> Decimal:
    return Context(prec=digits).divide(Decimal(number.numerator), Decimal(number.denominator))


def _plain(decimal: Decimal) -> str:
    """With groups of thousands; far from 1 with an exponent."""
    if decimal and not -9 < decimal.adjusted() < 21:
        return str(decimal.normalize())
    text = f"{decimal:,f}"
    return text.rstrip("0").rstrip(".") if "." in text else text

"""What one register multiplies another by: the number that it holds, 10 to the power of it, or what its code means."""

from fractions import Fraction

from tallywell.registers.quantity import Factor, Quantity, RegisterMap

# Wider than any meter's units are apart, and narrow enough that a torn exponent makes no number of a thousand digits.
MOST_EXPONENT = 30


def factor_of(factor: Factor, number: Fraction) -> Fraction | None:
    """The factor by the number of the register that holds it; None where that number can be none."""
    if factor.codes:
        return next((times for code, times in factor.codes if code == number), None)
    if not factor.exponent:
        return number if number > 0 else None
    if number.denominator != 1 or abs(number) > MOST_EXPONENT:
        return None
    return Fraction(10) ** number.numerator


def farthest(register_map: RegisterMap, total: Quantity) -> int:
    """At how many counts a total goes round; where another register scales it, with that at its greatest, if known."""
    capacity, factor = total.scale.capacity, total.factor
    if factor is None or total.type.is_float:
        return capacity
    highest = register_map.quantities[factor.quantity].valid.high
    greatest = None if highest is None else factor_of(factor, highest)
    if factor.codes:
        greatest = max(times for _, times in factor.codes)
    return capacity if greatest is None else int(capacity * greatest / factor.least)

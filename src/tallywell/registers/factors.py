"""What one register multiplies another by: the number that it holds, or 10 to the power of it."""

from fractions import Fraction

from tallywell.registers.quantity import Factor

# Wider than any meter's units are apart, and narrow enough that a torn exponent makes no number of a thousand digits.
MOST_EXPONENT = 30


def factor_of(factor: Factor, number: Fraction) -> Fraction | None:
    """The factor by the number of the register that holds it; None where that number can be none."""
    if not factor.exponent:
        return number if number > 0 else None
    if number.denominator != 1 or abs(number) > MOST_EXPONENT:
        return None
    return Fraction(10) ** number.numerator

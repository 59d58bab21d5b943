"""Exact fractions as decimal text: rounded once, half to even, here and nowhere earlier."""

from fractions import Fraction


def decimal(value: Fraction, places: int, *, grouped: bool = True) -> str:
    """`value` with exactly `places` decimals, half to even; thousands are parted by commas if `grouped`."""
    scaled = round(value * 10**places)  # Fraction.__round__ is exact and rounds half to even
    whole, part = divmod(abs(scaled), 10**places)
    sign = "-" if scaled < 0 else ""
    text = f"{whole:,}" if grouped else str(whole)
    return f"{sign}{text}.{part:0{places}d}" if places else f"{sign}{text}"


def rounded(value: Fraction, places: int) -> Fraction:
    """The exact value of what `decimal` prints: to tell whether printed rows add up to a printed total."""
    return Fraction(round(value * 10**places), 10**places)


def plain(value: Fraction, *, grouped: bool = False) -> str:
    """A number as short as it can be written exactly; one without a finite decimal form keeps its bar (288/77)."""
    twos_and_fives, places = value.denominator, 0
    while twos_and_fives % 10 == 0:
        twos_and_fives //= 10
        places += 1
    for prime in (2, 5):
        while twos_and_fives % prime == 0:
            twos_and_fives //= prime
            places += 1
    if twos_and_fives != 1:
        return f"{value.numerator}/{value.denominator}"
    return decimal(value, places, grouped=grouped)


def per_cent(share: Fraction, places: int = 1) -> str:
    """A share as a percentage that never says 100 when something is missing, nor 0 when something is there."""
    text = decimal(share * 100, places)
    if share < 1 and text == decimal(Fraction(100), places):
        return f"over {decimal(Fraction(100) - Fraction(1, 10**places), places)} %"
    if share > 0 and text == decimal(Fraction(0), places):
        return f"under {decimal(Fraction(1, 10**places), places)} %"
    return f"{text} %"

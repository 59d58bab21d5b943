"""Words <-> bit patterns <-> exact numbers. Integer arithmetic only, so no platform's float comes between.

Two steps: put words and bytes in order (a bit pattern, highest bit first), then read the pattern by its type.
Floats are IEEE 754-2019 binary32 and binary64 (3.4): sign, biased exponent, fraction. Packed BCD has a decimal digit in
each half of a byte, the highest first; modulo-10000 has four decimal digits in each word, as a binary number.
"""

from dataclasses import dataclass
from fractions import Fraction

from tallywell.registers.quantity import ByteOrder, ValueType, WordOrder


@dataclass(frozen=True, slots=True)
class _Binary:
    """An IEEE 754 binary format: bits of the exponent and of the fraction (table 3.5)."""

    exponent: int
    fraction: int

    @property
    def least(self) -> int:
        """The power of two of the last bit of a subnormal number."""
        return 2 - (1 << (self.exponent - 1)) - self.fraction

    @property
    def infinity(self) -> int:
        """The pattern of positive infinity; every greater one without the sign is no number (NaN)."""
        return ((1 << self.exponent) - 1) << self.fraction

    @property
    def sign(self) -> int:
        return 1 << (self.exponent + self.fraction)


_FORMATS = {ValueType.FLOAT32: _Binary(8, 23), ValueType.FLOAT64: _Binary(11, 52)}


def pattern_of_words(words: bytes, word_order: WordOrder, byte_order: ByteOrder) -> int:
    """The bit pattern of the words of one value as they came on the wire."""
    return int.from_bytes(_in_order(words, word_order, byte_order), "big")


def words_of_pattern(pattern: int, words: int, word_order: WordOrder, byte_order: ByteOrder) -> bytes:
    """The inverse: the words as they go on the wire."""
    return _in_order(pattern.to_bytes(2 * words, "big"), word_order, byte_order)


def _in_order(words: bytes, word_order: WordOrder, byte_order: ByteOrder) -> bytes:
    """Both reorderings undo themselves, so one function serves both ways."""
    if word_order is WordOrder.HIGH_WORD_FIRST and byte_order is ByteOrder.HIGH_BYTE_FIRST:
        return words
    each = [words[at : at + 2] for at in range(0, len(words), 2)]
    if word_order is WordOrder.LOW_WORD_FIRST:
        each.reverse()
    if byte_order is ByteOrder.LOW_BYTE_FIRST:
        each = [word[::-1] for word in each]
    return b"".join(each)


def number_of_pattern(pattern: int, kind: ValueType) -> Fraction | None:
    """The exact number; None for infinity and for what is no number: NaN, or words that are no decimal digits."""
    if kind.is_decimal:
        return _of_digits(pattern, kind)
    if not kind.is_float:
        top = 1 << (kind.bits - 1)
        return Fraction(pattern - 2 * top if kind.is_signed and pattern >= top else pattern)
    binary = _FORMATS[kind]
    size = pattern & (binary.sign - 1)
    if size >= binary.infinity:
        return None
    return _size(size, binary) * (-1 if pattern & binary.sign else 1)


def _of_digits(pattern: int, kind: ValueType) -> Fraction | None:
    """BCD written in hexadecimal reads as the number; modulo-10000 has the digits to the base 10,000."""
    if kind is ValueType.BCD:
        digits = f"{pattern:x}"
        return Fraction(int(digits)) if digits.isdecimal() else None
    number, weight = 0, 1
    while pattern:
        pattern, word = divmod(pattern, 1 << 16)
        if word > 9999:
            return None
        number, weight = number + word * weight, weight * 10_000
    return Fraction(number)


def bounds_of_pattern(pattern: int, kind: ValueType) -> tuple[Fraction, Fraction]:
    """Half a step below and above a finite number: what rounds to it. For an integer type both are the number itself.

    Just below a power of two the step is half of that above. The step above the greatest number is that below it.
    """
    number = number_of_pattern(pattern, kind)
    assert number is not None, "infinity has no neighbours"
    if not kind.is_float:
        return number, number
    binary = _FORMATS[kind]
    size = pattern & (binary.sign - 1)
    inner = _size(size - 1, binary) if size else -_size(1, binary)
    near, far = (_size(size, binary) + inner) / 2, (_size(size, binary) + _size(size + 1, binary)) / 2
    return (-far, -near) if pattern & binary.sign else (near, far)


def _size(size: int, binary: _Binary) -> Fraction:
    """The magnitude of a pattern without its sign; the pattern of infinity goes on as the next power of two."""
    exponent, fraction = size >> binary.fraction, size & ((1 << binary.fraction) - 1)
    significand = fraction | (1 << binary.fraction) if exponent else fraction
    power = binary.least + max(exponent - 1, 0)
    return Fraction(significand << power) if power >= 0 else Fraction(significand, 1 << -power)


def pattern_of_number(number: Fraction, kind: ValueType, words: int | None = None) -> int:
    """The pattern nearest to a number, half to even; ValueError where the type cannot hold it.

    `words`: of a decimal type, how many it has.
    """
    if kind.is_float:
        return _nearest_float(number, _FORMATS[kind])
    whole = round(number)
    low, high = limits(kind, words)
    if not low <= whole <= high:
        raise ValueError(f"{whole} does not fit into {kind} ({low} to {high})")
    if kind is ValueType.BCD:
        return int(str(whole), 16)
    if kind is ValueType.MODULO_10000:
        return _modulo_10000(whole)
    return whole & ((1 << kind.bits) - 1)


def _modulo_10000(whole: int) -> int:
    pattern, shift = 0, 0
    while whole:
        whole, word = divmod(whole, 10_000)
        pattern, shift = pattern | word << shift, shift + 16
    return pattern


def limits(kind: ValueType, words: int | None = None) -> tuple[int, int]:
    """The least and the greatest number of an integer type; of a decimal type with so many `words`."""
    if kind.is_decimal:
        assert words is not None, f"{kind} has as many words as the map says"
        return 0, 10 ** (4 * words) - 1
    return (-(1 << (kind.bits - 1)), (1 << (kind.bits - 1)) - 1) if kind.is_signed else (0, (1 << kind.bits) - 1)


def _nearest_float(number: Fraction, binary: _Binary) -> int:
    """To the nearest, ties to even (IEEE 754-2019, 4.3.1). Patterns of rising numbers rise, so a carry is right."""
    size = abs(number)
    lead = size.numerator.bit_length() - size.denominator.bit_length()
    lead -= size < Fraction(2) ** lead  # the power of two at or below the number
    power = max(lead - binary.fraction, binary.least) if size else binary.least
    significand = round(size / Fraction(2) ** power)
    pattern = significand + ((power - binary.least) << binary.fraction)
    if pattern >= binary.infinity:
        raise ValueError(f"the number is too great for a float of {binary.exponent + binary.fraction + 1} bits")
    return pattern | (binary.sign if number < 0 else 0)


def no_number(kind: ValueType) -> int:
    """The quiet NaN that most machines send; ValueError for an integer type."""
    if not kind.is_float:
        raise ValueError(f"{kind} has no pattern for what is no number")
    return _FORMATS[kind].infinity | (1 << (_FORMATS[kind].fraction - 1))


def infinity(kind: ValueType, *, negative: bool = False) -> int:
    """The pattern of infinity; ValueError for an integer type."""
    if not kind.is_float:
        raise ValueError(f"{kind} has no infinity")
    return _FORMATS[kind].infinity | (_FORMATS[kind].sign if negative else 0)

"""The face of a meter: what a person reads there, and what it is in the books' counts.

A face shows digits; the last digit stands for `one_count` (the form's *multiplier*). The books count registers. The two
need not be the same step, so everything between them is an exact fraction, and a digit that has not turned is a bound.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total
from tallywell.readings.units import Measure, number
from tallywell.reports.decimals import plain

# Commas between thousands only: with any comma taken, the decimal comma of 12,5 would make it 125.
_DIGITS = re.compile(r"([0-9][0-9_ ]*|[0-9]{1,3}(,[0-9]{3})+)(\.[0-9]+)?\Z")


@dataclass(frozen=True, slots=True)
class Face:
    """`one_count`: the volume of the last digit, as written; `digits`: how many there are, leading zeros included."""

    one_count: Measure
    digits: int

    @property
    def capacity(self) -> int:
        """The count at which the face goes round: 10^digits (not 10^digits - 1)."""
        return int(10**self.digits)


def shown(face: Face, count: int, scale: Scale) -> str:
    """The digits that the face shows while the register holds `count`: those that have fully turned, zeros in front."""
    turned = count * scale.one_count_m3 // face.one_count.si
    return f"{turned % face.capacity:0{face.digits}d}"


def shown_within(face: Face, total: Total, scale: Scale) -> str:
    """The digits that the face shows while the register holds `total`: "00092540", or "00092540 to 00092549" where one
    step of the register, or what its words leave open, is more than one step of the face.
    """
    one = scale.one_count_m3 / face.one_count.si
    least, greatest = total.low * one // 1, _ceiling((total.high + 1) * one) - 1
    digits = [f"{turned % face.capacity:0{face.digits}d}" for turned in (least, greatest)]
    return digits[0] if greatest <= least else " to ".join(digits)


def face_count(face: Face, text: str) -> int:
    """What a person copied from the face, as a whole number of the face's last digit.

    Without a decimal point these are the digits as they stand ("00092545"); with one, a volume in the face's unit
    ("92.545"). ValueError says what is wrong.
    """
    bare = text.strip()
    if not _DIGITS.match(bare):
        raise ValueError(f"{text!r} is not what a face shows; copy the digits, such as {'0' * (face.digits - 1)}7")
    value = number(re.sub(r"[,_ ]", "", bare))
    count = value / face.one_count.number if "." in bare else value
    if count.denominator != 1:
        step = f"{plain(face.one_count.number)} {face.one_count.unit}"
        raise ValueError(
            f"{text!r} is no whole number of the face's last digit ({step}); copy the digits as they stand"
        )
    if count >= face.capacity and "." in bare:
        most = f"{plain(face.capacity * face.one_count.number)} {face.one_count.unit}"
        raise ValueError(f"{text!r} is a volume, and the face goes to {most}; copy the digits without a point")
    if count >= face.capacity:
        raise ValueError(f"{text!r} has more than the face's {face.digits} digits; copy the total, not the rate")
    return int(count)


def in_books(face: Face, count: int, scale: Scale) -> Total:
    """The books' counts for a count of the face. A digit about to turn lies between the bounds."""
    step = face.one_count.si / scale.one_count_m3
    return Total(round(count * step), count * step.numerator // step.denominator, _ceiling((count + 1) * step))


def face_capacity_in_books(face: Face, scale: Scale) -> Fraction:
    """After how many of the books' counts the face goes round."""
    return face.capacity * face.one_count.si / scale.one_count_m3


def _ceiling(value: Fraction) -> int:
    return -(-value.numerator // value.denominator)

"""The sums that `explain` prints, done again with whole numbers."""

import re
from fractions import Fraction
from functools import cache

from tallywell.readings.units import FLOWS, GALLON


@cache
def a_second() -> Fraction:
    """Counts of 100 gal that pass in a second at most: 8 in at 10 m/s, with 355/113 for pi."""
    bore = Fraction(254, 10_000) * 8
    return Fraction(355, 113) * (bore / 2) ** 2 * 10 * FLOWS["m3/s"] / (100 * GALLON)


def whole(text: str) -> int:
    return int(text.replace(",", ""))


def summed(expression: str) -> int:
    """Of whole numbers with + - and x alone."""
    bare = re.sub(r"\([^)]*\)", "", expression).replace(",", "").replace("x", "*")
    assert re.fullmatch(r"[-+*\d ]+", bare), expression
    return int(eval(bare))  # digits and signs alone, as just asserted


def sums_are_true(lines: list[str]) -> int:
    """How many were checked."""
    checked = 0
    for place, line in enumerate(lines):
        if found := re.fullmatch(
            r"  ([\d,]+) \+ ([\d,]+) x ([\d,]+) ms / ([\d,]+) ms, rounded down to whole counts", line
        ):
            first, risen, part, length = map(whole, found.groups())
            (count,) = re.findall(r": ([\d,]+) counts", lines[place - 2])
            assert first + risen * part // length == whole(count), line
        elif found := re.fullmatch(r"  [a-z' ,0-9]+: ([-+x\d, ]+) = (-?[\d,]+) counts", line):
            assert summed(found[1]) == whole(found[2]), line
        elif found := re.fullmatch(r"  at (?:least|most) (-?[\d,]+) counts: (.+)", line):
            assert summed(found[2]) == whole(found[1]), line
        elif found := re.fullmatch(
            r"  at (?:least|most) (-?[\d,]+) = (-?[\d,]+) of .+ ([-+]) ([\d,]+), the most that passes in ([\d,]+) ms "
            r"\((.+)\)",
            line,
        ):
            assert summed(f"{found[2]} {found[3]} {found[4]}") == whole(found[1]), line
            assert sum(whole(part.split()[0]) for part in found[6].split(", ")) == whole(found[5]), line
            assert a_second() * whole(found[5]) // 1000 + 1 == whole(found[4]), line
        else:
            continue
        checked += 1
    return checked

"""A volume with the bounds of what may have flowed."""

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Volume:
    """A volume and the bounds of what may have flowed, m3.

    `unread_ms`: time before the first or after the last reading; what flowed then is unknown and in none of the three.
    """

    m3: Fraction
    low_m3: Fraction
    high_m3: Fraction
    unread_ms: int = 0

    def __add__(self, other: "Volume") -> "Volume":
        unread_ms = self.unread_ms + other.unread_ms
        return Volume(self.m3 + other.m3, self.low_m3 + other.low_m3, self.high_m3 + other.high_m3, unread_ms)

    def __mul__(self, share: Fraction) -> "Volume":
        return Volume(self.m3 * share, self.low_m3 * share, self.high_m3 * share, self.unread_ms)


NO_VOLUME = Volume(Fraction(0), Fraction(0), Fraction(0))


@dataclass(frozen=True, slots=True)
class Total:
    """What was metered and what people estimated, together. An estimate has no bounds, so the sum of both has none.

    `metered_m3` None: nothing was metered. `added_m3`: estimates in addition to it. `instead_m3`: estimates in place of
    `replaced_m3` of it. m3 = metered + added - replaced + instead.
    """

    metered_m3: Fraction | None
    added_m3: Fraction
    instead_m3: Fraction
    replaced_m3: Fraction

    @property
    def m3(self) -> Fraction:
        return (self.metered_m3 or Fraction(0)) + self.added_m3 - self.replaced_m3 + self.instead_m3

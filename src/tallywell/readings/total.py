"""A totalizer value in whole counts."""

import math
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Total:
    """`count` with the least and greatest whole count that the words can stand for. All three are integers."""

    count: int
    low: int
    high: int

    def __post_init__(self) -> None:
        if not self.low <= self.count <= self.high:
            raise ValueError(f"a total lies between its bounds, not {self.low} <= {self.count} <= {self.high}")

    @classmethod
    def exact(cls, count: int) -> "Total":
        return cls(count, count, count)

    def __mul__(self, ratio: Fraction) -> "Total":
        """The same volume in counts of another size; `ratio`: how many of those one count is."""
        low, high = math.floor(self.low * ratio), math.ceil(self.high * ratio)
        return Total(round(self.count * ratio), low, high)

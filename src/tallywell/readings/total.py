"""A totalizer value in whole counts."""

from dataclasses import dataclass


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

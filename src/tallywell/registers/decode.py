"""Words -> values, by the map. Never an exception for what a meter sends: a value that cannot be kept has a fault."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.registers.quantity import RegisterMap


@dataclass(frozen=True, slots=True)
class Value:
    """One quantity as it came. `raw`: its own words as on the wire. `number`: exact, in `unit`; `si`: m3, m3/s, m or s.

    With a `fault` (no_value, out_of_range, plan_mismatch) neither `total` nor `si` is given; `number` may be, to be shown.
    `total` is given for totals, `bits` (the names of the bits that are set) for status words. `shown` is for people.
    """

    quantity: str
    raw: bytes
    unit: str = ""
    number: Fraction | None = None
    si: Fraction | None = None
    total: Total | None = None
    bits: frozenset[str] = frozenset()
    fault: Fault | None = None
    shown: str = ""


@dataclass(frozen=True, slots=True)
class Decoded:
    """One pass decoded: `values` by quantity name, only of those reads that came (or all, each with plan_mismatch).

    `not_counting`: names of set bits by which the meter itself says that it is not counting.
    """

    values: Mapping[str, Value] = field(hash=False)
    books: Value | None = None
    not_counting: frozenset[str] = frozenset()


def decode(register_map: RegisterMap, reads: Sequence[Read], got: int, raw: bytes) -> Decoded:
    """Decode one stored pass. `got` bit k = read k came; `raw` = only the words of those reads, in the plan's order."""
    raise NotImplementedError

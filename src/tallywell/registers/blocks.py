"""Quantities -> the fewest reads that bring them."""

from collections.abc import Iterable, Sequence

from tallywell.readings.exchange import Read
from tallywell.registers.quantity import RegisterMap


def reads(register_map: RegisterMap, names: Iterable[str] | None = None) -> tuple[Read, ...]:
    """The plan for the named quantities (default: all): the read with the books' total first, then by table and register."""
    raise NotImplementedError


def books_read(register_map: RegisterMap, plan: Sequence[Read]) -> int | None:
    """Which read of the plan holds the books' total; None where none does."""
    raise NotImplementedError

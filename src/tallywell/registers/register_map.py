"""Register map text -> RegisterMap and every fault in it, each with its place."""

from tallywell.readings.problems import Problem
from tallywell.registers.quantity import Quantity, RegisterMap

__all__ = ["Quantity", "RegisterMap", "parse_map"]


def parse_map(text: str, file: str) -> tuple[RegisterMap | None, tuple[Problem, ...]]:
    """Read a register map. The map is None when a Problem that is no warning was found; `file` only names the text."""
    raise NotImplementedError

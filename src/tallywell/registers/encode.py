"""Values -> words: the inverse of decode, for the simulator and for tests."""

from fractions import Fraction

from tallywell.registers.quantity import RegisterMap


def encode(register_map: RegisterMap, quantity: str, value: int | float | Fraction) -> bytes:
    """The words of `value` as they go on the wire.

    `value` is a whole count for a total, the bit pattern for bits, and the number in the quantity's unit for the rest.
    ValueError where the type cannot hold it.
    """
    raise NotImplementedError

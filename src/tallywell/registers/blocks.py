"""Quantities -> the fewest reads that bring them.

Two quantities share a read when their registers touch or overlap, or where no more registers lie between them than the
map's `padding` allows: many meters refuse a read that runs over a register they do not have.
"""

from collections.abc import Iterable, Sequence

from tallywell.readings.exchange import Read
from tallywell.registers.decode import holds
from tallywell.registers.quantity import Quantity, RegisterMap


def reads(register_map: RegisterMap, names: Iterable[str] | None = None) -> tuple[Read, ...]:
    """The plan for the named quantities (default: all): the read with the books' total first, then by register."""
    wanted = list(register_map.quantities.values())
    if names is not None:
        wanted = [register_map.quantities[name] for name in names]
    plan: list[Read] = []
    for function in (4, 3):
        ordered = sorted((q.register, q.end) for q in wanted if q.table.function == function)
        plan += _joined(function, ordered, register_map)
    first = books_read(register_map, plan)
    return tuple(plan) if first is None else (plan[first], *plan[:first], *plan[first + 1 :])


def _joined(function: int, spans: Sequence[tuple[int, int]], register_map: RegisterMap) -> list[Read]:
    """Joined from the lowest register up, as long as a read takes; this is the fewest, as the spans go in order."""
    limits = register_map.limits
    plan: list[Read] = []
    for start, end in spans:
        before = plan[-1] if plan else None
        if before is not None and start <= before.register + before.words + limits.padding:
            words = max(end, before.register + before.words) - before.register
            if words <= limits.words_per_read:
                plan[-1] = Read(function, before.register, words)
                continue
        plan.append(Read(function, start, end - start))
    return plan


def books_read(register_map: RegisterMap, plan: Sequence[Read]) -> int | None:
    """Which read of the plan holds the books' total; None where none does."""
    books: Quantity | None = register_map.books
    if books is None:
        return None
    return next((k for k, read in enumerate(plan) if holds(read, books)), None)

"""Which reads a map permits: where one may begin and end, what it may run over, how long it may be.

A read begins where a quantity of the map begins and ends where one ends, or at a register that is safe to read: some
meters refuse half a value, and `padding` is read in passing only. It never touches a register of `do_not_read`.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from tallywell.readings.exchange import MOST_BITS, MOST_WORDS, Read
from tallywell.registers.in_two import InTwo, Place, in_two
from tallywell.registers.quantity import Quantity, RegisterMap, Span, Table


@dataclass(frozen=True, slots=True)
class Choice:
    """A read that brings the needed places up to before number `following`, counted from some first one."""

    read: Read
    following: int


def most_of(register_map: RegisterMap, table: Table) -> int:
    """How many registers (bits of a table of bits) one read may bring."""
    limits = register_map.limits
    return min(limits.bits_per_read, MOST_BITS) if table.is_bits else min(limits.words_per_read, MOST_WORDS)


def places(register_map: RegisterMap, table: Table, names: Iterable[str]) -> tuple[Place, ...]:
    """What must come in one answer each: every group of `together` and, besides them, every quantity with its low part.

    By register, each once. A group counts as far as its quantities are among the names. What takes two requests is not
    among them: `divided` has it.
    """
    quantities = [q for q in map(register_map.quantities.__getitem__, names) if q.table is table]
    quantities = [q for q in quantities if _divided(register_map, q) is None]
    groups = [[q for q in quantities if q.name in group] for group in merged(register_map.together)]
    grouped = {quantity.name for group in groups for quantity in group}
    groups += [[quantity] for quantity in quantities if quantity.name not in grouped]
    return tuple(sorted({_place(group) for group in groups if group}))


def divided(register_map: RegisterMap, table: Table, names: Iterable[str]) -> tuple[InTwo, ...]:
    """What must come in two requests: by the high part's register, each once."""
    quantities = (q for q in map(register_map.quantities.__getitem__, names) if q.table is table)
    found = {two for q in quantities if (two := _divided(register_map, q)) is not None}
    return tuple(sorted(found, key=lambda two: two.places))


def _divided(register_map: RegisterMap, quantity: Quantity) -> InTwo | None:
    """Of a group everything is of one instant, so no part of it comes in two requests."""
    if any(quantity.name in group for group in register_map.together):
        return None
    return in_two(quantity, register_map.limits, register_map.do_not_read)


def _place(quantities: Sequence[Quantity]) -> Place:
    return min(q.first for q in quantities), max(q.end for q in quantities)


def merged(together: Iterable[frozenset[str]]) -> list[frozenset[str]]:
    """Groups with a quantity in common are one: it cannot stand in two answers and be of one instant with both."""
    merged: list[frozenset[str]] = []
    for group in together:
        joined = [other for other in merged if other & group]
        merged = [other for other in merged if other not in joined]
        merged.append(group.union(*joined))
    return merged


@dataclass(frozen=True, slots=True)
class Permitted:
    """The reads of one table, as sets of registers held in integers (bit r = register r).

    A read may begin at a register of `begins`, end before one of `ends`, be `most` long and run over all but
    `barred`; or, where `only` is not None, be one of these.
    """

    table: Table
    most: int
    begins: int
    ends: int
    barred: int
    only: tuple[Place, ...] | None = None

    def holds(self, place: Place) -> bool:
        """Whether some read brings all of it."""
        if self.only is not None:
            return any(first <= place[0] and place[1] <= end for first, end in self.only)
        return place[1] - place[0] <= self.most and not _between(self.barred, *place)

    def shortest(self, place: Place) -> Read:
        """The read of just this place; where only given reads are answered, the shortest that holds it."""
        if self.only is None:
            return self.read(*place)
        holding = [(end - first, first) for first, end in self.only if first <= place[0] and place[1] <= end]
        words, first = min(holding)
        return self.read(first, first + words)

    def choices(self, needed: Sequence[Place]) -> list[tuple[Choice, ...]]:
        """For each needed place, the reads that hold it and bring most of those behind it: one for each length.

        `needed`: rising by begin and by end, each held. Fewer places are left behind the read that reaches
        farther, and what covers more places covers fewer as well; so of two equally long reads it is never worse.
        """
        all_ends = [end for _, end in needed]
        return [self._best(place, all_ends) for place in needed]

    def _best(self, place: Place, all_ends: Sequence[int]) -> tuple[Choice, ...]:
        best: dict[int, tuple[int, int, int]] = {}
        for first, end in self._reads_holding(place):
            length = (end - first + 7) // 8 if self.table.is_bits else end - first
            # Of equally long ones that which brings most, then the one with the least and latest beside it.
            rank = (-bisect_right(all_ends, end), end - first, -first)
            if length not in best or rank < best[length]:
                best[length] = rank
        found = (best[length] for length in sorted(best))
        return tuple(Choice(Read(self.table.function, -first, words), -following) for following, words, first in found)

    def _reads_holding(self, place: Place) -> Iterator[Place]:
        """The reads that hold a place; of those of one number of registers the last, which reaches farthest."""
        if self.only is not None:
            yield from (read for read in self.only if read[0] <= place[0] and place[1] <= read[1])
            return
        first, end = place
        lowest = max(_between(self.barred, 0, first).bit_length(), end - self.most, 0)
        barred_behind = self.barred >> end
        room = min((barred_behind & -barred_behind).bit_length() - 1, self.most) if barred_behind else self.most
        ends = self.ends >> end & (2 << room) - 1
        seen = 0
        for begin in _falling(_between(self.begins, lowest, first + 1), lowest):
            lengths = ends << end - begin & (2 << self.most) - 1 & ~seen
            seen |= lengths
            yield from ((begin, begin + length) for length in _rising(lengths))

    def read(self, first: int, end: int) -> Read:
        return Read(self.table.function, first, end - first)


def permitted(register_map: RegisterMap, table: Table) -> Permitted:
    """What the map permits in one table. `exact_reads` and `one_by_one` leave only the reads they name."""
    own: set[Place] = set()
    for quantity in (each for each in register_map.quantities.values() if each.table is table):
        two = _divided(register_map, quantity)
        own.update([_place([quantity])] if two is None else two.places)
    known = sorted(own.union(places(register_map, table, register_map.quantities)))
    safe = _set_of(_spans(register_map.safe_to_read, table)) & ~_set_of(known)
    never = _set_of(_spans(register_map.do_not_read, table))
    allowed = (_set_of(known) | safe | _passed(known, safe, register_map.limits.padding)) & ~never
    barred = ((1 << 0x10000) - 1 & ~allowed) | 1 << 0x10000
    begins = safe | _bits(first for first, _ in known)
    ends = safe << 1 | _bits(end for _, end in known)
    most = most_of(register_map, table)
    return Permitted(table, most, begins, ends, barred, _only(register_map, table, known, never, most))


def _only(
    register_map: RegisterMap, table: Table, known: Sequence[Place], never: int, most: int
) -> tuple[Place, ...] | None:
    limits = register_map.limits
    if not limits.one_by_one and not limits.exact_reads:
        return None
    exact = [(r.register, r.register + r.words) for r in limits.exact_reads if r.function == table.function]
    found = exact if limits.exact_reads else known
    return tuple(sorted({p for p in found if p[1] - p[0] <= most and not _between(never, *p)}))


def _passed(known: Sequence[Place], safe: int, padding: int) -> int:
    """Registers of no quantity, in gaps so narrow that a read may pass over them; safe ones do not count."""
    passed = reach = 0
    for number, (first, end) in enumerate(known):
        gap = (1 << first) - (1 << reach) if number and first > reach else 0
        if (gap & ~safe).bit_count() <= padding:
            passed |= gap
        reach = max(reach, end)
    return passed


def _spans(spans: Iterable[Span], table: Table) -> Iterator[Place]:
    return ((span.first, span.end) for span in spans if span.table is table)


def _set_of(found: Iterable[Place]) -> int:
    registers = 0
    for first, end in found:
        registers |= (1 << end) - (1 << first)
    return registers


def _bits(numbers: Iterable[int]) -> int:
    registers = 0
    for number in numbers:
        registers |= 1 << number
    return registers


def _between(registers: int, first: int, end: int) -> int:
    """The registers from `first` to before `end`, counted from `first`."""
    return registers >> first & (1 << end - first) - 1


def _rising(registers: int) -> Iterator[int]:
    while registers:
        lowest = registers & -registers
        yield lowest.bit_length() - 1
        registers ^= lowest


def _falling(registers: int, first: int) -> Iterator[int]:
    while registers:
        highest = registers.bit_length() - 1
        yield first + highest
        registers ^= 1 << highest


@lru_cache(maxsize=8)
def tables(register_map: RegisterMap) -> Mapping[Table, Permitted]:
    """By table, for those that have quantities, in the order in which a plan asks them.

    Remembered, as it is the same for every set of a map, and a map may have as many sets as quantities.
    """
    order = (Table.INPUT, Table.HOLDING, Table.DISCRETE, Table.COIL)
    used = {quantity.table for quantity in register_map.quantities.values()}
    return {table: permitted(register_map, table) for table in order if table in used}

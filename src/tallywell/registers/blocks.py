"""Quantities -> the cheapest reads that bring them, and what is read together how often."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from tallywell.readings.exchange import Read
from tallywell.registers.decode import bringing
from tallywell.registers.in_two import InTwo, Place, covers
from tallywell.registers.least import least
from tallywell.registers.permitted import Permitted, divided, merged, places, tables
from tallywell.registers.quantity import EACH_POLL, Quantity, RegisterMap, Rhythm


@dataclass(frozen=True, slots=True)
class Costs:
    """What one read costs on the line: `request_ns` for all but its content, `byte_ns` for each byte of content."""

    request_ns: int
    byte_ns: int

    def ns(self, content_bytes: int) -> int:
        return self.request_ns + self.byte_ns * content_bytes


# 19,200 baud with parity, 11 bits a character (Modbus over Serial Line V1.02, 2.5.1): 8 characters of request, 5 of
# the answer around its content, two silences of 3.5; and 20 ms until the meter answers, which is assumed.
USUAL_COSTS = Costs(request_ns=20 * 572_917 + 20_000_000, byte_ns=572_917)


@dataclass(frozen=True, slots=True)
class Chosen:
    """A plan and what it costs. `lengths_differ`: no two reads of one function have answers of one length.

    `proven`: no permitted plan has fewer equal lengths, or as few at less cost. Where it is False, the search was
    ended at its bound of work and this is the best plan that it had found.
    """

    reads: tuple[Read, ...]
    ns: int
    lengths_differ: bool
    proven: bool


def reads(
    register_map: RegisterMap, names: Iterable[str] | None = None, costs: Costs = USUAL_COSTS
) -> tuple[Read, ...]:
    """The cheapest plan for the named quantities (default: all): the read with the books' total first."""
    return chosen(register_map, names, costs).reads


def chosen(
    register_map: RegisterMap,
    names: Iterable[str] | None = None,
    costs: Costs = USUAL_COSTS,
    beside: Sequence[Read] = (),
) -> Chosen:
    """The plan with the fewest equal lengths among the reads of one function and, among those, the least cost.

    An RTU reply names the unit and the function, but not the request: only its length tells that it is of another
    block. How many are equal: the reads whose length another read has already. `beside`: what the same meter is asked
    in other plans; its lengths are taken already.

    With the named quantities come those they need: their factors, and what belongs `together` with them. What takes two
    requests is read by itself: its high part, its low part, its high part again. That is in no comparison, and another
    quantity that lies in these reads has no read of its own.
    """
    groups: list[_Group] = []
    ns, equal, proven = 0, 0, True
    for allowed, needed, twos in _needed(register_map, names):
        used = {read.content_bytes for read in beside if read.function == allowed.table.function}
        apart = _high_low_high(allowed, twos)
        different = {read for group in apart for read in group}
        lengths = {read.content_bytes for read in different}
        equal += len(different) - len(lengths - used)
        rest = [place for place in needed if not any(covers(read, place) for read in different)]
        found = least(allowed.choices(_outermost(rest)), costs.ns, used | lengths)
        groups += apart
        groups += [(read,) for read in sorted((each.read for each in found.path), key=_by_register)]
        ns += found.ns + sum(costs.ns(read.content_bytes) for group in apart for read in group)
        equal, proven = equal + found.equal, proven and found.proven
    return Chosen(_books_first(register_map, groups), ns, equal == 0, proven)


def plain_reads(register_map: RegisterMap, names: Iterable[str] | None = None) -> tuple[Read, ...]:
    """The plan without a thought: one read for each quantity or group, to compare the cheapest with."""
    groups: list[_Group] = []
    for allowed, needed, twos in _needed(register_map, names):
        groups += [group for two in twos for group in _high_low_high(allowed, (two,))]
        groups += [(read,) for read in sorted({allowed.shortest(place) for place in needed}, key=_by_register)]
    return _books_first(register_map, groups)


_Group = tuple[Read, ...]  # reads that follow one another


def _by_register(read: Read) -> tuple[int, int]:
    return read.register, read.words


def _high_low_high(allowed: Permitted, twos: Iterable[InTwo]) -> list[_Group]:
    """Values that have their high part from the same read share the one between them."""
    groups: list[_Group] = []
    for two in twos:
        high, low = allowed.shortest(two.high), allowed.shortest(two.low)
        if groups and groups[-1][0] == high:
            groups[-1] += (low, high)
        else:
            groups.append((high, low, high))
    return groups


def _needed(
    register_map: RegisterMap, names: Iterable[str] | None
) -> Iterator[tuple[Permitted, tuple[Place, ...], tuple[InTwo, ...]]]:
    """By table: what it permits, the places to be read that it permits to read, and what takes two requests."""
    wanted = tuple(register_map.quantities) if names is None else with_needs(register_map, names)
    for table, allowed in tables(register_map).items():
        needed = tuple(place for place in places(register_map, table, wanted) if allowed.holds(place))
        twos = divided(register_map, table, wanted)
        if needed or twos:
            yield allowed, needed, twos


def _outermost(needed: Iterable[Place]) -> list[Place]:
    """Without the places that lie in another: what holds that one holds them. So ends rise with the begins."""
    kept: list[Place] = []
    for first, end in sorted(needed, key=lambda place: (place[0], -place[1])):
        if not kept or end > kept[-1][1]:
            kept.append((first, end))
    return kept


def with_needs(register_map: RegisterMap, names: Iterable[str]) -> tuple[str, ...]:
    """The named quantities with their factors and with what belongs `together` with them, in the map's order."""
    wanted: set[str] = set()
    found = set(names)
    while found:
        wanted |= found
        factors = (register_map.quantities[name].factor for name in found)
        groups = (group for group in register_map.together if group & found)
        found = {factor.quantity for factor in factors if factor}.union(*groups) - wanted
    return tuple(name for name in register_map.quantities if name in wanted)


def _books_first(register_map: RegisterMap, groups: Sequence[_Group]) -> tuple[Read, ...]:
    """The reads with the books' total, those with what else it needs, then the rest in their order.

    A poll is of the time of its books' total, and what scales it is read as near to it as can be.
    """
    books = register_map.books
    needs = [register_map.quantities[name] for name in with_needs(register_map, [books.name] if books else [])]

    def rank(group: _Group) -> int:
        held = [quantity for quantity in needs if bringing(register_map, group, quantity)]
        return 0 if books in held else 1 if held else 2

    first = next((group for group in groups if rank(group) == 0), None)
    ordered = sorted(groups, key=lambda group: 0 if group is first else max(1, rank(group)))
    return tuple(read for group in ordered for read in group)


def books_read(register_map: RegisterMap, plan: Sequence[Read]) -> int | None:
    """Which read of the plan holds the books' total; None where none does. Of a total that takes two requests that of
    its low part: the meter held the value when it gave that.
    """
    books = register_map.books
    found = () if books is None else bringing(register_map, plan, books)
    return found[len(found) // 2] if found else None


@dataclass(frozen=True, slots=True)
class ReadSet:
    """Quantities that are read together, in the map's order, and when."""

    names: tuple[str, ...]
    rhythm: Rhythm


def read_sets(register_map: RegisterMap, every_ns: int) -> tuple[ReadSet, ...]:
    """What a point that is polled every `every_ns` reads when: each poll first, then the oftener before the rarer.

    The set of each poll (EACH_POLL) has the books' total. Quantities that need one another go with the rhythm of
    whichever of them is read oftenest; after silence, where one of them asks for it.
    """
    rhythms = {name: _at_poll(q, every_ns) for name, q in register_map.quantities.items()}
    for names in _bound(register_map):
        joint = min((rhythms[name] for name in names), key=_seldom)
        after = joint != EACH_POLL and any(rhythms[name].after_silence for name in names)
        rhythms.update(dict.fromkeys(names, replace(joint, after_silence=after)))
    names_of: dict[Rhythm, list[str]] = {}
    for name, rhythm in rhythms.items():
        names_of.setdefault(rhythm, []).append(name)
    return tuple(ReadSet(tuple(names_of[rhythm]), rhythm) for rhythm in sorted(names_of, key=_seldom))


@lru_cache(maxsize=64)
def chosen_sets(
    register_map: RegisterMap, every_ns: int, costs: Costs = USUAL_COSTS
) -> tuple[tuple[ReadSet, Chosen], ...]:
    """Every set with its plan. All are of one meter, so each keeps clear of the lengths of those before it, and of the
    read that wakes the meter. A set that asks just what an oftener one asks comes with that one.

    Remembered, as a site asks for the plan of one map for each of its points, and again when it begins to poll.
    """
    found: dict[tuple[Read, ...], tuple[ReadSet, Chosen]] = {}
    beside = [register_map.wake.read] if register_map.wake else []
    for read_set in read_sets(register_map, every_ns):
        plan = chosen(register_map, read_set.names, costs, beside)
        same = found.get(plan.reads)
        found[plan.reads] = read_set if same is None else _with(register_map, same[0], read_set), plan
        beside += plan.reads
    return tuple(found.values())


def _with(register_map: RegisterMap, oftener: ReadSet, other: ReadSet) -> ReadSet:
    """Both in the rhythm of the one that is read oftener; after silence, where either asks for it."""
    names, rhythm = {*oftener.names, *other.names}, oftener.rhythm
    after = rhythm != EACH_POLL and (rhythm.after_silence or other.rhythm.after_silence)
    return ReadSet(
        tuple(name for name in register_map.quantities if name in names), replace(rhythm, after_silence=after)
    )


def _at_poll(quantity: Quantity, every_ns: int) -> Rhythm:
    return EACH_POLL if quantity.for_the_books or quantity.rhythm.every_ns in (0, every_ns) else quantity.rhythm


def _seldom(rhythm: Rhythm) -> tuple[bool, int, bool]:
    return rhythm.every_ns is None, rhythm.every_ns or 0, not rhythm.after_silence


def _bound(register_map: RegisterMap) -> list[frozenset[str]]:
    """Quantities that need one another: groups, and each with its factor."""
    pairs = ((q.name, q.factor.quantity) for q in register_map.quantities.values() if q.factor)
    return merged([*register_map.together, *map(frozenset, pairs)])

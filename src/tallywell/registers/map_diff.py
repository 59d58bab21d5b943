"""How two maps differ by what they mean, whatever their texts look like, and what that does to volumes."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from tallywell.registers.described import (
    besides_described,
    exact,
    limits_described,
    measure_text,
    power,
    quantity_described,
)
from tallywell.registers.quantity import Kind, Quantity, RegisterMap

# With another of these, other words or another reading of them make the count.
_MAKES_THE_COUNT = ("table", "register", "type", "words", "order", "low_part", "scale_from", "exponent_from")
_REFUSES = ("valid", "no_value")
NOTHING = "not stated"


@dataclass(frozen=True, slots=True)
class Change:
    """One key with another value; `of` is the quantity's name, "limits", or "" for the map itself."""

    of: str
    key: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Differences:
    """`renamed`: names before and after of quantities that are otherwise alike. `volumes`: sentences on what the
    differences do to counts and volumes; none where they do nothing.
    """

    added: tuple[Quantity, ...]
    removed: tuple[Quantity, ...]
    renamed: tuple[tuple[str, str], ...]
    changed: tuple[Change, ...]
    volumes: tuple[str, ...]

    @property
    def none(self) -> bool:
        """Whether both maps mean the same; their names and revisions may differ."""
        return not (self.added or self.removed or self.renamed or self.changed)


def differences(before: RegisterMap, after: RegisterMap) -> Differences:
    gone = {name: q for name, q in before.quantities.items() if name not in after.quantities}
    new = {name: q for name, q in after.quantities.items() if name not in before.quantities}
    renamed = tuple(_renamed(gone, new))
    for old, fresh in renamed:
        del gone[old], new[fresh]
    pairs = [(q, after.quantities[name]) for name, q in before.quantities.items() if name in after.quantities]
    changed = [change for old, fresh in pairs for change in _changes(old, fresh)]
    changed += _compared("limits", limits_described(before.limits), limits_described(after.limits))
    changed += _compared("", besides_described(before), besides_described(after))
    volumes = tuple(_volumes(before, after, pairs, renamed))
    return Differences(tuple(new.values()), tuple(gone.values()), renamed, tuple(changed), volumes)


def _renamed(gone: Mapping[str, Quantity], new: Mapping[str, Quantity]) -> Iterator[tuple[str, str]]:
    taken: set[str] = set()
    for old, quantity in gone.items():
        same = next((n for n, q in new.items() if n not in taken and replace(quantity, name=n) == q), None)
        if same is not None:
            taken.add(same)
            yield old, same


def _changes(before: Quantity, after: Quantity) -> list[Change]:
    return _compared(before.name, quantity_described(before), quantity_described(after))


def _compared(of: str, before: Mapping[str, str], after: Mapping[str, str]) -> list[Change]:
    return [
        Change(of, key, before.get(key, NOTHING), after.get(key, NOTHING))
        for key in dict.fromkeys([*before, *after])
        if before.get(key) != after.get(key)
    ]


# --- what it does to volumes


def _volumes(
    before: RegisterMap,
    after: RegisterMap,
    pairs: list[tuple[Quantity, Quantity]],
    renamed: tuple[tuple[str, str], ...],
) -> Iterator[str]:
    yield from _books(before.books, after.books, dict(renamed))
    for old, new in pairs:
        if old.kind is Kind.TOTAL and new.kind is Kind.TOTAL:
            yield from _total(old, new)
        elif old.kind is Kind.FLOW and new.kind is Kind.FLOW:
            yield from _flow(old, new)


def _books(before: Quantity | None, after: Quantity | None, renamed: Mapping[str, str]) -> Iterator[str]:
    old, new = (None if books is None else books.name for books in (before, after))
    if old == new or (old is not None and renamed.get(old) == new):
        return
    if new is None or old is None:
        yield f"there is no total for the books any more; it was {old}" if old else f"the books are made of {new}"
        return
    yield f"the books are made of {new} where they were of {old}: counts of the two cannot be set against each other"


def _total(old: Quantity, new: Quantity) -> Iterator[str]:
    was, now = quantity_described(old), quantity_described(new)
    keys = [key for key in _MAKES_THE_COUNT if was.get(key) != now.get(key)]
    if keys:
        yield (
            f"{new.name}: its count is made otherwise ({', '.join(keys)}), so that a count read under one map "
            "does not follow one read under the other"
        )
    if old.one_count and new.one_count and old.one_count.si != new.one_count.si:
        times = new.one_count.si / old.one_count.si
        yield (
            f"{new.name}: one count is {measure_text(new.one_count)} where it was {measure_text(old.one_count)}: "
            f"the same count stands for {_times(times)} the volume"
        )
    if old.capacity != new.capacity and old.capacity and new.capacity:
        yield (
            f"{new.name}: it goes round at {power(new.capacity)} counts where it did at {power(old.capacity)}: "
            "what is added at a rollover is another volume"
        )
    if any(was.get(key) != now.get(key) for key in _REFUSES):
        yield f"{new.name}: other readings of it are refused as no value or out of range"
    if old.direction != new.direction:
        yield f"{new.name}: it counts water the other way ({new.direction}, it was {old.direction})"


def _flow(old: Quantity, new: Quantity) -> Iterator[str]:
    was, now = quantity_described(old), quantity_described(new)
    if any(was.get(key) != now.get(key) for key in (*_MAKES_THE_COUNT, "unit", "offset")):
        yield f"{new.name}: greatest rates and hours pumped follow from other numbers; volumes do not depend on it"


def _times(ratio: Fraction) -> str:
    """ "10 times", "1/10 of", or rounded where neither is whole."""
    if ratio.denominator == 1:
        return f"{ratio.numerator:,} times"
    if ratio.numerator == 1:
        return f"1/{ratio.denominator:,} of"
    return f"{float(ratio):.6g} times" if exact(ratio).count("/") else f"{exact(ratio)} times"

"""What is judged across a whole map, once each quantity is read: each check one function, each fault at its place."""

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tallywell.readings.exchange import Read
from tallywell.registers.decode import holds
from tallywell.registers.in_two import can_be_in_two, in_two
from tallywell.registers.quantity import EACH_POLL, TABLE_OF, Kind, Limits, Quantity, Span, Table, Wake
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path, quoted

Placed = Sequence[tuple[Path, Span]]
_NOT_RUNNING_ON = re.compile(r"batch|trip|daily|today|resettable|partial", re.IGNORECASE)


def judge_books(document: Document, quantities: Mapping[str, Quantity]) -> None:
    totals = [quantity for quantity in quantities.values() if quantity.kind is Kind.TOTAL]
    chosen = [quantity for quantity in totals if quantity.for_the_books]
    asked = any(
        document.at(("quantities", name, "for_the_books")) is not None for name in document.group(("quantities",))
    )
    if totals and not chosen and not (asked and document.faulty):
        group = ("quantities", totals[0].name)
        do = 'add "for_the_books: yes" to the one that the reports are made from'
        document.complain(group, "no total is for the books", do, got="", key=True)
    for extra in chosen[1:]:
        path = ("quantities", extra.name, "for_the_books")
        what = f"{label_of(path)}: {quoted(chosen[0].name)} is for the books already"
        document.complain(path, what, "keep one: two totals would count the same water twice")
    for books in chosen[:1]:
        _judge_choice(document, books)


def _judge_choice(document: Document, books: Quantity) -> None:
    """Whether volumes can be made from this total."""
    path: Path = ("quantities", books.name)
    at = (*path, "for_the_books")
    if books.is_net:
        what = f"{label_of(path)} can decrease, and a decrease is never counted"
        document.complain(at, what, "take the forward total, if the meter has one", got="", warning=True)
    named = _NOT_RUNNING_ON.search(books.name) and document.at((*path, "resettable")) is None
    if books.resettable or named:
        what = f"{label_of(path)} can be set to zero by hand" if books.resettable else f"{label_of(path)} may be reset"
        do = "take a total that nobody can reset" if books.resettable else 'if it cannot be, write "resettable: no"'
        document.complain(at, what, do, got="", warning=True)
    if books.rhythm != EACH_POLL:
        every = (*path, "every")
        what = f"{label_of(every)}: the total for the books is read at each poll"
        document.complain(every, what, 'remove it; the site file says how often ("every" of the point)')


@dataclass(frozen=True, slots=True)
class _Part:
    """A run of words (or bits) of a quantity: those at its register, or its low part; `path`: where that is written."""

    span: Span
    quantity: Quantity
    path: Path


def _parts(quantity: Quantity) -> Iterator[_Part]:
    path, low = ("quantities", quantity.name), quantity.low_part
    end = quantity.register + quantity.words
    yield _Part(Span(quantity.table, quantity.register, end), quantity, (*path, "register"))
    if low is not None:
        yield _Part(Span(quantity.table, low.register, low.end), quantity, (*path, "low_part", "register"))


def judge_overlaps(document: Document, quantities: Mapping[str, Quantity]) -> None:
    """Two quantities may show the same words in two ways; sharing only some of them is a slip in a register number."""
    parts = [part for quantity in quantities.values() for part in _parts(quantity)]
    for table in Table:
        farthest: list[_Part] = []  # the one part, of those that begin before, that ends last
        placed = sorted((part for part in parts if part.span.table is table), key=lambda part: part.span.first)
        for _, beside in itertools.groupby(placed, key=lambda part: part.span.first):
            here = list(beside)
            for before, after in itertools.product(farthest, here):
                _judge_inside(document, before, after)
            farthest = [max(farthest + here, key=lambda part: part.span.end)]
    for quantity in quantities.values():
        _judge_own_parts(document, *_parts(quantity))


def _judge_own_parts(document: Document, high: _Part, low: _Part | None = None) -> None:
    if low is not None and _meets(high.span, low.span):
        document.complain(low.path, f"{label_of(low.path)}: the two parts overlap", _CORRECT)


def _judge_inside(document: Document, before: _Part, after: _Part) -> None:
    if after.span.first < before.span.end and before.quantity is not after.quantity:
        counted = f"{before.span.end - before.span.first} {'bits' if before.span.table.is_bits else 'words'}"
        what = f"{label_of(after.path)} lies inside {quoted(before.quantity.name)}, which has {counted}"
        document.complain(after.path, what, _CORRECT, warning=True)


_CORRECT = "correct one of the register numbers or types"


def _most(limits: Limits, table: Table) -> tuple[int, str]:
    return (limits.bits_per_read, "bits_per_read") if table.is_bits else (limits.words_per_read, "words_per_read")


def judge_lengths(document: Document, limits: Limits, barred: Placed, quantities: Mapping[str, Quantity]) -> None:
    """A value is read at once, or a number in two requests; more of them, and no part of it would be of one instant."""
    told = set[str]()
    for quantity in sorted(quantities.values(), key=lambda quantity: quantity.first - quantity.end):
        most, key = _most(limits, quantity.table)
        length = quantity.end - quantity.first
        if length <= most or key in told or in_two(quantity, limits, [span for _, span in barred]):
            continue
        told.add(key)
        _complain_of_length(document, quantity, key, length)


def _complain_of_length(document: Document, quantity: Quantity, key: str, length: int) -> None:
    path: Path = ("limits", key)
    what = f"{label_of(path)}: {quoted(quantity.name)} has {length} {key.removesuffix('_per_read')} and is read at once"
    least = length
    if quantity.is_net:
        what += ": it may fall, so that two requests would not tell what it was"
    elif can_be_in_two(quantity) and quantity.low_part is None:
        least = (length + 1) // 2
        what = f"{what.removesuffix('at once')}in two requests at most"
    elif can_be_in_two(quantity) and quantity.low_part is not None:
        least = max(quantity.words, quantity.low_part.words)
        what = f"{label_of(path)}: a part of {quoted(quantity.name)} has {least} words, and each is read at once"
    else:
        what += " or not at all"
    document.complain(path, what, f'write at least "{least}"')


def judge_in_two(document: Document, limits: Limits, barred: Placed, quantities: Mapping[str, Quantity]) -> None:
    """Equal high parts prove a number whole that only rises. One that fluctuates about a carry may have gone there and
    back; of a float that is a hundredth of the value at most, of an integer 65,536 raw counts and more.
    """
    for quantity in quantities.values():
        steady = quantity.kind is Kind.TOTAL or quantity.setting is not None or quantity.type.is_float
        judged = quantity.valid.low is not None and quantity.valid.high is not None
        if steady or judged or not in_two(quantity, limits, [span for _, span in barred]):
            continue
        path: Path = ("quantities", quantity.name)
        what = f"{label_of(path)} takes two requests, and may change there and back between them"
        document.complain(path, what, 'add "valid", so that a false number is refused', got="", key=True, warning=True)


def judge_together(
    document: Document, limits: Limits, barred: Placed, groups: Sequence[tuple[Path, tuple[Quantity, ...]]]
) -> None:
    for path, group in groups:
        first, end = min(quantity.first for quantity in group), max(quantity.end for quantity in group)
        most, key = _most(limits, group[0].table)
        reads = [read for read in limits.exact_reads if all(holds(read, quantity) for quantity in group)]
        what, do = "", "correct the group"
        if len({quantity.table for quantity in group}) > 1:
            what = "are in different tables, and one read brings one table"
        elif len({quantity.rhythm for quantity in group}) > 1:
            what, do = "are not read at the same times", 'give them the same "every"'
        elif end - first > most:
            what, do = f"are {end - first} apart from end to end", f"limits.{key} allows {most}"
        elif limits.one_by_one:
            what, do = "cannot come in one read, as exact_reads says one_by_one", "remove one of the two"
        elif limits.exact_reads and not reads:
            what, do = "are in no read of limits.exact_reads together", "add the read that brings them"
        elif any(in_two(quantity, limits, [span for _, span in barred]) for quantity in group):
            what = "cannot come in one read, as do_not_read lies within one of them"
        if what:
            names = " and ".join(quoted(quantity.name) for quantity in group[:2])
            document.complain(path, f"{label_of(path)}: {names} {what}", do, got="")


def judge_wake(document: Document, limits: Limits, wake: Wake | None) -> None:
    if wake is not None and wake.read.words > limits.words_per_read:
        path: Path = ("wake", "words")
        what = f"{label_of(path)} is more than limits.words_per_read allows, {limits.words_per_read}"
        document.complain(path, what, "one is enough to wake a meter")


def judge_barred(
    document: Document, barred: Placed, quantities: Mapping[str, Quantity], limits: Limits, wake: Wake | None
) -> None:
    """No read may touch these registers: not for a quantity, not to wake the meter, not in an exact read."""
    for path, span in barred:
        parts = (part for quantity in quantities.values() for part in _parts(quantity))
        touched = next((part.quantity for part in parts if _meets(span, part.span)), None)
        if touched is not None:
            what = f"{label_of(path)} touches {quoted(touched.name)}, which is read"
            document.complain(path, what, "correct the span, or the register of the quantity", got="")
        if wake is not None and _meets(span, _of_read(wake.read)):
            document.complain(path, f"{label_of(path)} touches the read that wakes the meter", "correct one", got="")
    for k, read in enumerate(limits.exact_reads):
        at: Path = ("limits", "exact_reads", k)
        if any(_meets(span, _of_read(read)) for _, span in barred):
            document.complain(at, f"{label_of(at)} touches registers of do_not_read", "correct one of them", got="")


def judge_between(document: Document, barred: Placed, groups: Sequence[tuple[Path, tuple[Quantity, ...]]]) -> None:
    """One read brings a group with all that lies between, so nothing barred may lie there."""
    for (path, span), (_, group) in itertools.product(barred, groups):
        between = Span(
            group[0].table, min(quantity.first for quantity in group), max(quantity.end for quantity in group)
        )
        if _meets(span, between) and not any(_meets(span, _span(quantity)) for quantity in group):
            names = " and ".join(quoted(quantity.name) for quantity in group[:2])
            what = f"{label_of(path)} lies between {names}, which must come in one read"
            document.complain(path, what, "correct the span, or the group in together", got="")


def judge_safe(document: Document, safe: Placed, barred: Placed) -> None:
    for path, span in safe:
        if any(_meets(span, other) for _, other in barred):
            document.complain(path, f"{label_of(path)} has registers of do_not_read", "correct one of them", got="")


def judge_exact(document: Document, limits: Limits, quantities: Mapping[str, Quantity]) -> None:
    """Every quantity must come by one of the reads that the meter answers."""
    written = document.at(("limits", "exact_reads"))
    if not isinstance(written, list) or len(limits.exact_reads) != len(written):
        return  # none, or some are at fault and might have brought the rest
    for name, quantity in quantities.items():
        if not any(holds(read, quantity) for read in limits.exact_reads) and not in_two(quantity, limits, ()):
            path: Path = ("quantities", name, "register")
            what = f"{label_of(path)}: no read of limits.exact_reads brings it whole"
            what += ", and no two do" if can_be_in_two(quantity) else ""
            document.complain(path, what, "add the read that does, or correct the register")


def _span(quantity: Quantity) -> Span:
    return Span(quantity.table, quantity.first, quantity.end)


def _of_read(read: Read) -> Span:
    return Span(TABLE_OF[read.function], read.register, read.register + read.words)


def _meets(one: Span, other: Span) -> bool:
    return one.table is other.table and one.first < other.end and other.first < one.end

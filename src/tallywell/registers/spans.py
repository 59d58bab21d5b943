"""The parts of a map that speak of registers and reads: limits, exact reads, wake, groups, safe and barred spans."""

from collections.abc import Mapping

from tallywell.readings.exchange import Read
from tallywell.readings.units import Measure
from tallywell.registers.map_forms import ONE_BY_ONE, ExactReadForm, LimitsForm, SpanForm, WakeForm
from tallywell.registers.numbering import LAST_REGISTER, Numbering
from tallywell.registers.places import place_of
from tallywell.registers.quantity import Limits, Quantity, Span, Table, Wake
from tallywell.written.fields import suggestion
from tallywell.written.forms import fill, label_of
from tallywell.written.located import Document, Path, quoted


def limits_of(document: Document, numbering: Numbering | None) -> Limits:
    if document.at(("limits",)) is None:
        return Limits()
    form = fill(LimitsForm, document, ("limits",))
    usual = Limits()
    words = form.words_per_read or usual.words_per_read
    bits = form.bits_per_read or usual.bits_per_read
    one_by_one = document.at(("limits", "exact_reads")) == ONE_BY_ONE
    return Limits(
        words_per_read=words,
        longest_delay_ns=_ns(form.longest_delay, usual.longest_delay_ns),
        pause_ns=_ns(form.pause, usual.pause_ns),
        padding=form.padding or usual.padding,
        ready_after_power_up_ns=_ns(form.ready_after_power_up, usual.ready_after_power_up_ns),
        bits_per_read=bits,
        refresh_ns=_ns(form.refresh_interval, usual.refresh_ns),
        one_by_one=one_by_one,
        exact_reads=() if one_by_one else _exact_reads(document, numbering, words, bits),
    )


def _ns(written: Measure | None, usual: int) -> int:
    return usual if written is None else round(written.si * 10**9)


def _exact_reads(document: Document, numbering: Numbering | None, words: int, bits: int) -> tuple[Read, ...]:
    path: Path = ("limits", "exact_reads")
    do = f"such as [{{table: input, register: 0, words: 10}}], or the word {ONE_BY_ONE}"
    found = [_exact_read(document, at, numbering, words, bits) for at in _list(document, path, do)]
    return tuple(read for read in found if read is not None)


def _exact_read(document: Document, path: Path, numbering: Numbering | None, words: int, bits: int) -> Read | None:
    form = fill(ExactReadForm, document, path)
    at = (*path, "register")
    place = place_of(document, at, form.register_, numbering=numbering, table=form.table, words=form.words or 1)
    if place is None or form.words is None:
        return None
    most, limit = (bits, "bits_per_read") if place[0].is_bits else (words, "words_per_read")
    if form.words > most:
        at = (*path, "words")
        document.complain(at, f"{label_of(at)} is more than {limit} allows, {most}", "correct one of them")
        return None
    return _read(place, form.words)


def _read(place: tuple[Table, int], words: int) -> Read | None:
    """None where it reaches past the last register, which is noted."""
    return Read(place[0].function, place[1], words) if place[1] + words - 1 <= LAST_REGISTER else None


def wake_of(document: Document, numbering: Numbering | None) -> Wake | None:
    path: Path = ("wake",)
    if document.at(path) is None:
        return None
    form = fill(WakeForm, document, path)
    place = place_of(
        document,
        (*path, "register"),
        form.register_,
        numbering=numbering,
        table=form.table,
        words=form.words or 1,
    )
    if place is not None and place[0].is_bits:
        at = (*path, "table") if form.table else (*path, "register")
        document.complain(at, f"{label_of(path)} reads words, not single bits", "name a holding or input register")
        return None
    if form.wait is None or form.window is None or place is None:
        return None
    if form.window.si <= form.wait.si:
        do = "it counts from the same read, so it must be longer"
        document.complain((*path, "window"), "wake.window ends before wait does", do)
    read = _read(place, form.words or 1)
    return None if read is None else Wake(read, _ns(form.wait, 0), _ns(form.window, 0))


def spans_of(document: Document, key: str, numbering: Numbering | None) -> tuple[tuple[Path, Span], ...]:
    """`safe_to_read` or `do_not_read`: each span with its place in the document."""
    do = "such as [{table: holding, from: 40, to: 49}]"
    found = ((at, _span(document, at, numbering)) for at in _list(document, (key,), do))
    return tuple((at, span) for at, span in found if span is not None)


def _span(document: Document, path: Path, numbering: Numbering | None) -> Span | None:
    """Both ends are written; the second belongs to the span."""
    form = fill(SpanForm, document, path)
    first = place_of(document, (*path, "from"), form.from_, numbering=numbering, table=form.table)
    if first is None:
        return None
    last = place_of(document, (*path, "to"), form.to, numbering=numbering, table=form.table or first[0])
    if last is None:
        return None
    if first[1] > last[1]:
        at = (*path, "to")
        document.complain(at, f"{label_of(at)} is below from", "write the lower register as from")
        return None
    return Span(first[0], first[1], last[1] + 1)


def together_of(
    document: Document, quantities: Mapping[str, Quantity]
) -> tuple[tuple[Path, tuple[Quantity, ...]], ...]:
    """Each group of quantities that must come in one answer, with its place; without those that are at fault."""
    do = "such as [[forward_total, total_exponent]]"
    found, seen = [], set[str]()
    groups = _list(document, ("together",), do)
    if any(isinstance(document.at(path), str) for path in groups):
        document.complain(("together",), "together must be a list of lists", do)
        return ()
    for path in groups:
        places = _list(document, path, do)
        names = [name for at in places if (name := _name(document, at, quantities, seen)) is not None]
        if len(places) < 2 and isinstance(document.at(path), list):
            document.complain(path, f"{label_of(path)} needs two quantities or more", "name what must come with it")
        if len(names) == len(places) > 1:
            found.append((path, tuple(quantities[name] for name in names)))
    return tuple(found)


def _name(document: Document, path: Path, quantities: Mapping[str, Quantity], seen: set[str]) -> str | None:
    name = document.at(path)
    if not isinstance(name, str) or name not in quantities:
        if not isinstance(name, str) or document.at(("quantities", name)) is None:
            document.complain(path, f"{label_of(path)} names no quantity", suggestion(str(name), quantities))
        return None
    if name in seen:
        do = "write one group of all that must come together"
        document.complain(path, f"{label_of(path)}: {quoted(name)} is named before", do, got="")
        return None
    seen.add(name)
    return name


def _list(document: Document, path: Path, do: str) -> list[Path]:
    """The places of a list's values; empty where there is none, which is noted if something else stands there."""
    found = document.at(path)
    if found is not None and not isinstance(found, list):
        document.complain(path, f"{label_of(path)} must be a list", do)
    return [(*path, k) for k in range(len(found))] if isinstance(found, list) else []

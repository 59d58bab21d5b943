"""What words mean by a map, as `tallywell map try` shows it."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from tallywell.commandline.map_file import Written
from tallywell.readings import units
from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.registers.decode import decode
from tallywell.registers.described import reads_text
from tallywell.registers.factors import factor_of
from tallywell.registers.fitting import Arrangement, arrangements, number_in, odd
from tallywell.registers.quantity import TABLE_OF, ByteOrder, Kind, Quantity, RegisterMap
from tallywell.registers.shown import number_shown
from tallywell.reports.face import shown_within
from tallywell.reports.table import Column, table
from tallywell.service.following import face_by_map
from tallywell.service.reading_table import values_table


class Trial:
    """The words, where they stand, and the values of the quantities that lie in them whole."""

    def __init__(
        self,
        found: RegisterMap,
        written: Written,
        content: bytes,
        read: Read,
        about: Quantity | None,
        *,
        kind_shown: str,
    ) -> None:
        """`about`: what a display's number is about, where somebody said it. `kind_shown`: of the display's unit."""
        self.map, self.written, self.content, self.read = found, written, content, read
        self.table = TABLE_OF[read.function]
        every = decode(found, (read,), 1, content).values
        self.values = {name: value for name, value in every.items() if value.fault is not Fault.PLAN_MISMATCH}
        self.lack_a_factor = [value.about for value in every.values() if value.fault is Fault.PLAN_MISMATCH]
        self.about = self._as_multiplied(about or self._likeliest(kind_shown))

    @property
    def end(self) -> int:
        return self.read.register + self.read.words

    def touched(self) -> list[Quantity]:
        """The quantities of which the words hold all or some, in the map's order."""
        quantities = (q for q in self.map.quantities.values() if q.table is self.table)
        return [q for q in quantities if q.first < self.end and q.end > self.read.register]

    def _as_multiplied(self, about: Quantity | None) -> Quantity | None:
        """A quantity that another register multiplies, with what that one reads; as it is where that is not known."""
        if about is None or about.factor is None:
            return about
        scaler = self.values.get(about.factor.quantity)
        if scaler is None or scaler.fault is not None or scaler.number is None:
            return about
        times = factor_of(about.factor, scaler.number)
        return about if times is None else replace(about, step=about.step * times, factor=None)

    def _likeliest(self, kind_shown: str) -> Quantity | None:
        """What a display's number is about, where nobody said it: one whose unit is of the display's kind, if any."""
        numbers = [q for q in self.touched() if q.kind in (Kind.TOTAL, Kind.FLOW, Kind.OTHER)]
        if kind_shown:
            numbers = [q for q in numbers if q.unit in units.KINDS[kind_shown]]
        return next((q for q in numbers if q.for_the_books), numbers[0] if numbers else None)


def head(trial: Trial) -> str:
    read = trial.read
    unit = "bit" if trial.table.is_bits else "word"
    first = trial.written.register(read.register, trial.table)
    as_written = f" ({first} as the map counts)" if first != read.register else ""
    at = f"{read.words} {unit}{'' if read.words == 1 else 's'} from {trial.table} {read.register}{as_written} on"
    return f"{trial.map.name} ({trial.map.revision}): {at}"


def values_lines(trial: Trial) -> Iterator[str]:
    yield from values_table(trial.map, trial.values.values())
    yield from _face(trial)
    for quantity in trial.touched():
        if quantity in trial.lack_a_factor and quantity.factor:
            yield f"  {quantity.name}: is multiplied by {quantity.factor.quantity}, which is not among these"
        elif quantity.name not in trial.values:
            yield f"  {_too_few(trial, quantity)}"
    if not trial.touched():
        yield f"  no quantity of the map lies here; of {trial.table} it has {_ranges(trial)}"


def _too_few(trial: Trial, quantity: Quantity) -> str:
    given = min(quantity.end, trial.end) - max(quantity.first, trial.read.register)
    needed = quantity.end - quantity.first
    unit = "bit" if quantity.table.is_bits else "word"
    return (
        f"{quantity.name}: too few {unit}s; it has {needed} from {quantity.table} {quantity.first} on, and {given} "
        f"{'is' if given == 1 else 'are'} given"
    )


def _ranges(trial: Trial) -> str:
    def place(quantity: Quantity) -> tuple[int, int]:
        return quantity.first, quantity.end - quantity.first

    there = sorted({place(q) for q in trial.map.quantities.values() if q.table is trial.table})
    return reads_text(Read(trial.read.function, *one) for one in there) or "nothing"


def _face(trial: Trial) -> Iterator[str]:
    books = trial.map.books
    value = trial.values.get(books.name) if books else None
    if books is None or value is None or value.total is None:
        return
    face, stated = face_by_map(trial.map, books)
    by = "" if stated else ", if it shows the register as it is"
    yield f"  the face should show {shown_within(face, value.total, books.scale)}{by}"


# --- other ways to read the same words


def odd_lines(trial: Trial) -> Iterator[str]:
    """What numbers that look odd would be in the other arrangements of their words."""
    for value in trial.values.values():
        why = odd(value)
        if why is not None:
            yield from ("", f"{value.quantity} looks odd ({why}). The same words in other arrangements:")
            yield from _other_arrangements(trial, value.about)
            yield "If one of them is what the display shows, --should-be and that number says what to write."


def _other_arrangements(trial: Trial, quantity: Quantity) -> list[str]:
    rows, seen = [], set()
    for how in arrangements(len(trial.content) // 2, trial.read.register):
        number = number_in(trial.content, trial.read.register, how)
        if (how.register, how.words) != (quantity.register, quantity.words) or number is None:
            continue
        if (number, how.word_order, how.byte_order) not in seen:
            seen.add((number, how.word_order, how.byte_order))
            other = _as_if(quantity, how)
            there = number_shown(number * quantity.step + quantity.offset, other)
            order = ", ".join(orders(how)) or "one word"
            rows.append((str(how.type), order, number_shown(number, _bare(other)), there))
    columns = [Column("type"), Column("order"), Column("number", right=True), Column("by the map's unit", right=True)]
    return table(columns, rows)


def _as_if(quantity: Quantity, how: Arrangement) -> Quantity:
    length = how.words if how.type.is_decimal else None
    return replace(quantity, type=how.type, length=length, low_part=None, factor=None)


def _bare(quantity: Quantity) -> Quantity:
    return replace(quantity, unit="", step=Fraction(1), offset=Fraction(0))


def orders(how: Arrangement) -> list[str]:
    words = [str(how.word_order)] if how.is_ordered else []
    return words + ([str(how.byte_order)] if how.byte_order is ByteOrder.LOW_BYTE_FIRST else [])

"""Where a totalizer goes round to zero, judged against what its words can count; and the lower of two registers."""

from fractions import Fraction

from tallywell.readings.units import Measure
from tallywell.registers.lengths import words_of
from tallywell.registers.map_forms import LowPartForm
from tallywell.registers.numbering import Numbering
from tallywell.registers.numbers import bounds_of_pattern, limits, pattern_of_number
from tallywell.registers.places import place_of
from tallywell.registers.quantity import Direction, LowPart, ValueType
from tallywell.registers.written_quantity import Written
from tallywell.written.forms import fill, label_of


def capacity_of(written: Written, direction: Direction, unit: Measure | None, low_part: LowPart | None) -> int | None:
    """In counts: 10^digits, as stated, or all that the words can count. None where it cannot be told."""
    form = written.form
    if form.digits is not None and form.capacity is not None:
        written.complain("capacity", "is stated beside digits", "keep one of them")
    stated = 10**form.digits if form.digits is not None else form.capacity
    _judge_last_count(written, stated)
    if written.type.is_float:
        return _of_float(written, stated, unit)
    if not written.words or (written.has("low_part") and low_part is None):
        return stated
    most = _most(written, stated, is_net=direction is Direction.NET) * (low_part.capacity if low_part else 1)
    _judge_stated(written, stated, most, low_part)
    if stated is None and direction is not Direction.NET:
        _judge_missing(written, most)
    return most if stated is None else stated


def _most(written: Written, stated: int | None, *, is_net: bool) -> int:
    """A signed total that is no net total turns negative at half its type's range, and is refused as out of range."""
    if written.type.is_signed and is_net and stated in (None, 1 << written.width):
        return 1 << written.width
    return limits(written.type, written.words)[1] + 1


def _judge_stated(written: Written, stated: int | None, most: int, low_part: LowPart | None) -> None:
    if stated is None or stated <= most:
        return
    key = "digits" if written.form.digits is not None else "capacity"
    counter = f"{written.type} with its low part" if low_part else str(written.type)
    what = f"is more than {counter} can count ({most - 1:,} at most)"
    do = f"write at most {len(str(most)) - 1} digits, or remove it: the capacity is then {most:,}"
    written.complain(key, what, do)


def _judge_missing(written: Written, most: int) -> None:
    """A decimal register goes round at its own digits; a binary one seldom does so at its bits."""
    if written.type.is_decimal or not (written.type.is_signed or written.form.for_the_books):
        return
    signed = "it is signed and has" if written.type.is_signed else "it has"
    do = 'add "digits: 8", as on the face of the meter'
    do += "" if written.type.is_signed else f'; or "capacity: {most}", if the manual says so'
    what = f"{label_of(written.path)} is taken to go round at {most:,}, as {signed} no digits"
    if not written.has("digits") and not written.has("capacity"):
        written.document.complain(written.path, what, do, got="", key=True, warning=True)


def _judge_last_count(written: Written, stated: int | None) -> None:
    """8 nines are the last count; the register goes round with the count after it."""
    if stated is None or written.form.capacity is None or stated < 99:
        return
    if set(str(stated)) == {"9"} or stated & (stated + 1) == 0:
        what = "looks like the last count that it can show, and capacity is one more: the counts from 0 to there"
        written.complain("capacity", what, f'write "{stated + 1}" if so', warning=True)


def _of_float(written: Written, stated: int | None, unit: Measure | None) -> int | None:
    if not written.has("capacity"):
        written.needs("digits", "digits: 8", " (a float does not say where it goes round)")
    one_count = written.form.one_count
    elsewhere = any(written.has(key) for key in ("scale_from", "exponent_from", "low_part"))
    if stated is None or unit is None or one_count is None or elsewhere:
        return stated
    key = "digits" if written.form.digits is not None else "capacity"
    per_raw = unit.si / one_count.si
    try:
        last = pattern_of_number((stated - 1) / per_raw, written.type)
    except ValueError:
        written.complain(key, f"is more than {written.type} can hold", "write the digits of the meter's face")
        return stated
    low, high = (edge * per_raw for edge in bounds_of_pattern(last, written.type))
    _judge_step(written, key, high - low)
    return stated


def _judge_step(written: Written, key: str, step: Fraction) -> None:
    if step > 1:
        what = f"is finer than {written.type} can tell: near the last count one step is {round(step):,} counts"
        written.complain(key, what, "the reports carry that step; read an integer total if there is one", warning=True)


def low_part_of(written: Written, numbering: Numbering | None) -> LowPart | None:
    """The lower of two registers; None where there is none, or where it is at fault."""
    if not written.has("low_part"):
        return None
    path = (*written.path, "low_part")
    form = fill(LowPartForm, written.document, path)
    if form.type is None:
        return None
    if form.type.is_bits or form.type.value_type is ValueType.TEXT:
        at = (*path, "type")
        what = f"{label_of(at)} must be a number's type"
        written.document.complain(at, what, "write uint16 or float32, as the manual says")
        return None
    kind = form.type.value_type
    words = words_of(written.document, path, form.type, form.words)
    place = place_of(
        written.document,
        (*path, "register"),
        form.register_,
        numbering=numbering,
        table=written.table,
        words=words or 1,
    )
    if not words or place is None or form.capacity is None or not _fits(written, kind, words, form.capacity):
        return None
    return LowPart(place[1], kind, form.capacity, None if kind.has_fixed_words else words, form.word_order)


def _fits(written: Written, kind: ValueType, words: int, capacity: int) -> bool:
    """Whether the low part can go with its high part."""
    path = (*written.path, "low_part")
    if written.type.is_float:
        written.complain("low_part", "needs a high part that counts", "map the float alone", got=str(written.type))
        return False
    if not kind.is_float and capacity > limits(kind, words)[1] + 1:
        at = (*path, "capacity")
        what = f"{label_of(at)} is more than {kind} can count ({limits(kind, words)[1]:,} at most)"
        written.document.complain(at, what, "write after how many counts it carries into the high part")
        return False
    return True

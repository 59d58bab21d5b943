"""Which arrangement of words agrees with a display, as `tallywell map try --should-be` shows it."""

from fractions import Fraction

from tallywell.commandline.map_trial import Trial, orders
from tallywell.registers.described import exact
from tallywell.registers.fitting import Arrangement, Match, Wanted, agrees, matches
from tallywell.registers.quantity import ByteOrder, Factor, Kind, Quantity, Table, ValueType
from tallywell.registers.shown import number_shown
from tallywell.reports.table import Column, table

MOST_MATCHES = 6


def searched(trial: Trial, wanted: Wanted) -> tuple[list[str], bool]:
    """What agrees with the display, and whether the map as it is does."""
    shown = _display(wanted)
    value = trial.values.get(trial.about.name) if trial.about else None
    if value is not None and agrees(value, wanted):
        return ["", f"{value.quantity} agrees with the display ({shown}): the map is right here."], True
    if trial.table.is_bits:
        return ["", "a display's number is no bit; leave out --should-be"], False
    found = matches(trial.content, trial.read.register, wanted, trial.about)
    name = f"{trial.about.name} does not agree with the display ({shown})" if trial.about else f"The display: {shown}"
    if not found:
        return ["", f"{name}, and no type, order or register among these words gives it.", *_advice(trial)], False
    count = len(found)
    which = "One arrangement does" if count == 1 else f"{count} arrangements do, the nearest to the map first"
    lines = ["", f"{name}. {which}:", *_match_rows(trial, found[:MOST_MATCHES], wanted)]
    if count > 1:
        lines.append("Where several agree, only a second reading with other digits tells which is right.")
    return [*lines, "", *_to_write(trial, found[0])], False


def _display(wanted: Wanted) -> str:
    return f"{exact(wanted.number)} {wanted.unit}".rstrip()


def _match_rows(trial: Trial, found: list[Match], wanted: Wanted) -> list[str]:
    rows = []
    for match in found:
        how = match.arrangement
        kind = f"{_type(how.type, how.words)}{_low(trial, how)}"
        register = f"{trial.table} {trial.written.register(how.register, trial.table)}"
        raw = number_shown(match.raw, _number_quantity(match))
        rows.append((register, kind, ", ".join(orders(how)) or "one word", raw, _scale(match, wanted)))
    columns = [
        Column("register"), Column("type"), Column("order"), Column("number", right=True), Column("the display shows"),
    ]  # fmt: skip
    return table(columns, rows)


def _type(kind: ValueType, words: int) -> str:
    return str(kind) if kind.has_fixed_words else f"{kind}, {words} word{'' if words == 1 else 's'}"


def _low(trial: Trial, how: Arrangement) -> str:
    """The low part's type; where it stands before the high one, its register, too."""
    if how.low_type is None:
        return ""
    before = f" at {trial.written.register(how.low_register, trial.table)}" if how.low_register < how.register else ""
    return f" x {how.low_capacity:,} + {_type(how.low_type, how.low_words)}{before}"


def _number_quantity(match: Match) -> Quantity:
    how = match.arrangement
    length = how.words if how.type.is_decimal else None
    return Quantity("number", Kind.OTHER, Table.INPUT, how.register, how.type, length=length)


def _scale(match: Match, wanted: Wanted) -> str:
    cut = "" if match.exact else ", cut off"
    if match.unit:
        return f"the number x {_ten(match.power)} {match.unit}{cut}"
    return ("the number itself" if not match.power else f"the number x {_ten(match.power)}") + cut


def _ten(power: int) -> str:
    return exact(Fraction(10) ** power)


def _to_write(trial: Trial, match: Match) -> list[str]:
    keys, about = _keys(trial, match), trial.about
    if about is not None and about.factor is not None and match.unit == about.unit:
        return _with_factor(trial, about, about.factor, match, keys)
    if about is not None and not keys:
        do = f'type the unit with the number, such as --should-be "{exact(about.step)} {about.unit}"'
        return [
            f"Register, type and order of {about.name} are right; what one count is, or the map's display, is not:",
            f"{do}." if about.unit else "look at its unit.",
        ]
    said = ", ".join(f"{key}: {text}" for key, text in keys.items())
    if about is None:
        return ["To write in the map:", f"  {{table: {trial.table}, {said}}}"]
    return ["To write in the map:", f"  {about.name}: {{{said}}}{_besides(about, match)}"]


def _keys(trial: Trial, match: Match) -> dict[str, str]:
    """The keys of the quantity that must say something else; where there is no such quantity, those of a new one."""
    how, about = match.arrangement, trial.about
    keys: dict[str, str] = {}
    if about is None or how.register != about.register:
        keys["register"] = str(trial.written.register(how.register, trial.table))
    if about is None or how.type is not about.type:
        keys["type"] = str(how.type)
    if how.type.is_decimal and (about is None or how.words != about.words or how.type is not about.type):
        keys["words"] = str(how.words)
    if how.is_ordered and (about is None or how.word_order is not about.word_order):
        keys["word_order"] = str(how.word_order)
    low_bytes = how.byte_order is ByteOrder.LOW_BYTE_FIRST
    if low_bytes if about is None else how.byte_order is not about.byte_order:
        keys["byte_order"] = str(how.byte_order)
    if how.low_type and not (about is not None and _is_low_part(about, how)):
        at = trial.written.register(how.low_register, trial.table)
        words = "" if how.low_type.has_fixed_words else f"words: {how.low_words}, "
        keys["low_part"] = f"{{register: {at}, type: {how.low_type}, {words}capacity: {how.low_capacity}}}"
    if _is_other_unit(about, match):
        is_count = about is not None and about.kind is Kind.TOTAL and not how.type.is_float
        keys["one_count" if is_count else "unit"] = f"{_ten(match.power).replace(',', '')} {match.unit}"
    return keys


def _is_low_part(about: Quantity, how: Arrangement) -> bool:
    low = about.low_part
    there = None if low is None else (low.type, low.words, low.capacity, low.register)
    return there == (how.low_type, how.low_words, how.low_capacity, how.low_register)


def _is_other_unit(about: Quantity | None, match: Match) -> bool:
    if about is None or match.unit != about.unit:
        return bool(match.unit)
    return about.factor is None and bool(match.unit) and about.step != Fraction(10) ** match.power


def _with_factor(trial: Trial, about: Quantity, factor: Factor, match: Match, keys: dict[str, str]) -> list[str]:
    """Where another register multiplies, and what it reads is not known, the display says what it must be."""
    said = ", ".join(f"{key}: {text}" for key, text in keys.items())
    times = Fraction(10) ** match.power / about.step
    must = _must_read(factor, times)
    value = trial.values.get(factor.quantity)
    there = "it is not among these words"
    if value is not None:
        there = f"here it reads {value.shown}"
    right = f"is right where {factor.quantity} reads {must}; {there}."
    if not said:
        return [f"{about.name} {right}"]
    return ["To write in the map:", f"  {about.name}: {{{said}}}{_besides(about, match)}", f"That {right}"]


def _must_read(factor: Factor, times: Fraction) -> str:
    if factor.codes:
        code = next((code for code, factor_ in factor.codes if factor_ == times), None)
        return f"a code for {exact(times)}, which the map does not have" if code is None else str(code)
    return exact(Fraction(_power_of(times)) if factor.exponent else times)


def _power_of(times: Fraction) -> int:
    """Of ten; both a step that a power of ten multiplies and what the display shows are such."""
    return len(str(times.numerator)) - len(str(times.denominator))


def _besides(about: Quantity, match: Match) -> str:
    """What must go or come besides: a float total says the volume of 1.0 and an integer one does not; no total has more
    digits than its words can count.
    """
    how = match.arrangement
    besides = ["without low_part"] if about.low_part and not how.low_type else []
    if about.kind is Kind.TOTAL and about.type.is_float and not how.type.is_float:
        besides.append("without unit, as it is an integer")
    if about.kind is Kind.TOTAL and how.type.is_float and not about.type.is_float and not match.unit:
        besides.append("with unit: the volume of 1.0")
    if how.most is not None and about.capacity is not None and about.capacity > how.most:
        besides.append(f"with fewer digits, as it goes round at {how.most:,}")
    elif about.capacity is not None and not how.type.is_float and match.raw >= about.capacity:
        besides.append(f"with digits: {len(str(match.raw.numerator))} or more")
    return "".join(f", and {one}" for one in besides)


def _advice(trial: Trial) -> list[str]:
    last = trial.written.register(trial.end - 1, trial.table)
    first = trial.written.register(trial.read.register, trial.table)
    return [
        f"Only the words of {trial.table} {first} to {last} were searched: give those beside them, too.",
        "Take words and display at the same moment, while the pump rests.",
    ]

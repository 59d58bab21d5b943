"""What a map says, in full and with defaults applied, by the keys of the map file: for people, and to compare two maps.

Numbers are exact. Registers are as on the wire.
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal, localcontext
from fractions import Fraction

from tallywell.readings.exchange import Read
from tallywell.readings.units import Measure
from tallywell.registers.decode import bringing
from tallywell.registers.quantity import (
    EACH_POLL,
    ONCE,
    TABLE_OF,
    Bit,
    ByteOrder,
    Kind,
    Limits,
    Meaning,
    Named,
    Quantity,
    Range,
    RegisterMap,
    Rhythm,
    Span,
    Wake,
    WordOrder,
)

_MS, _S = 1_000_000, 1_000_000_000
_TIMES = ((86_400 * _S, "day"), (3_600 * _S, "h"), (60 * _S, "min"), (_S, "s"), (_MS, "ms"))


def quantity_described(quantity: Quantity) -> dict[str, str]:
    """Everything that a quantity says, by key; what has no meaning for it, or stands at nothing, is left out."""
    said = {**_placed(quantity), **_counted(quantity), **_judged(quantity)}
    return {key: text for key, text in said.items() if text}


def limits_described(limits: Limits) -> dict[str, str]:
    """All limits by key."""
    exact = "one quantity a read" if limits.one_by_one else reads_text(limits.exact_reads)
    return {
        "words_per_read": str(limits.words_per_read),
        "bits_per_read": str(limits.bits_per_read),
        "longest_delay": duration(limits.longest_delay_ns),
        "pause": duration(limits.pause_ns),
        "padding": str(limits.padding),
        "exact_reads": exact or "any",
        "ready_after_power_up": duration(limits.ready_after_power_up_ns),
        "refresh_interval": duration(limits.refresh_ns) if limits.refresh_ns else "not stated",
    }


def besides_described(register_map: RegisterMap) -> dict[str, str]:
    """What belongs to no quantity alone, by key; what the map does not have is left out."""
    together = sorted(" and ".join(sorted(group)) for group in register_map.together)
    said = {
        "wake": _wake(register_map.wake),
        "together": "; ".join(together),
        "safe_to_read": _spans(register_map.safe_to_read),
        "do_not_read": _spans(register_map.do_not_read),
    }
    return {key: text for key, text in said.items() if text}


def exact(number: Fraction) -> str:
    """A number as short as it can be written exactly, with groups of thousands: 2,500/65,535 where it has no end."""
    with localcontext(prec=60):
        decimal = Decimal(number.numerator) / Decimal(number.denominator)
        if Fraction(decimal) != number:
            return f"{number.numerator:,}/{number.denominator:,}"
        text = f"{decimal:,f}"
        return text.rstrip("0").rstrip(".") if "." in text else text


def measure_text(measure: Measure) -> str:
    return f"{exact(measure.number)} {measure.unit}"


def duration(ns: int) -> str:
    """In the greatest unit that leaves nothing over."""
    size, unit = next((size, unit) for size, unit in _TIMES if ns % size == 0 or size == _MS)
    return f"{exact(Fraction(ns, size))} {unit}" if ns else "0 s"


def reads_text(reads: Iterable[Read]) -> str:
    """ "input 0 to 9, holding 100"."""
    return ", ".join(_span(Span(TABLE_OF[r.function], r.register, r.register + r.words)) for r in reads)


def in_two_text(register_map: RegisterMap, plans: Iterable[Sequence[Read]]) -> str:
    """What takes two requests in these plans, and what that means; "" where nothing does."""
    asked = [plan for plan in plans if len(set(plan)) < len(plan)]  # the high part is asked for twice
    every = register_map.quantities.values()
    names = [q.name for q in every if any(len(bringing(register_map, plan, q)) > 1 for plan in asked)]
    if not names:
        return ""
    *rest, last = names
    who = f"{', '.join(rest)} and {last} take" if rest else f"{last} takes"
    return (
        f"{who} two requests{' each' if rest else ''}: the high part is read again behind the low part, and where it "
        "reads otherwise then, the value is refused as torn."
    )


def power(number: int) -> str:
    """10^8 and 2^32 rather than a row of digits."""
    for base in (10, 2):
        exponent, rest = 0, number
        while rest % base == 0:
            exponent, rest = exponent + 1, rest // base
        if rest == 1 and exponent > 3:
            return f"{base}^{exponent}"
    return f"{number:,}"


def type_text(quantity: Quantity) -> str:
    """The type as a map says it."""
    return "bits" if quantity.kind is Kind.BITS else str(quantity.type)


def order_text(quantity: Quantity) -> str:
    """In which order words and bytes come; "" where there is but one."""
    if quantity.table.is_bits:
        return ""
    low = quantity.low_part
    several = quantity.words > 1 or (low is not None and low.words > 1 and low.word_order is None)
    return _order(quantity.word_order if several and quantity.kind is not Kind.TEXT else None, quantity.byte_order)


def low_order_text(quantity: Quantity) -> str:
    """The same of its low part."""
    low = quantity.low_part
    several = low is not None and low.words > 1
    return _order(quantity.low_word_order if several else None, quantity.byte_order)


def _order(word_order: WordOrder | None, byte_order: ByteOrder) -> str:
    parts = [str(word_order)] if word_order else []
    return ", ".join([*parts, str(byte_order)] if byte_order is ByteOrder.LOW_BYTE_FIRST else parts)


def _placed(quantity: Quantity) -> dict[str, str]:
    low = quantity.low_part
    part = (
        ""
        if low is None
        else f"register {low.register} on the wire, {low.type}, {low.words} words, capacity {low.capacity:,}"
        + (f", {low.word_order}" if low.word_order and low.words > 1 else "")
    )
    return {
        "table": str(quantity.table),
        "register": str(quantity.register),
        "type": type_text(quantity),
        "words": str(quantity.words),
        "order": order_text(quantity),
        "low_part": part,
    }


def _counted(quantity: Quantity) -> dict[str, str]:
    is_total = quantity.kind is Kind.TOTAL
    factor = quantity.factor
    least = f" (at least {exact(factor.least)})" if factor and factor.least != 1 else ""
    by = f"{factor.quantity}{least}" if factor else ""
    if factor and factor.codes:
        by += f" ({', '.join(f'{code}: {exact(times)}' for code, times in factor.codes)})"
    said = {
        "unit": _unit(quantity),
        "offset": f"{exact(quantity.offset)} {quantity.unit}".rstrip() if quantity.offset else "",
        "scale_from": by if factor and not factor.exponent else "",
        "exponent_from": by if factor and factor.exponent else "",
    }
    if not is_total:
        return said
    display = quantity.display
    return said | {
        "one_count": measure_text(quantity.one_count) if quantity.one_count else "",
        "capacity": power(quantity.capacity) if quantity.capacity else "",
        "direction": str(quantity.direction or ""),
        "resettable": "yes" if quantity.resettable else "no",
        "for_the_books": "yes" if quantity.for_the_books else "no",
        "display": f"{display.digits} digits of {measure_text(display.one_count)}" if display else "",
    }


def _unit(quantity: Quantity) -> str:
    """What 1 on the wire is; an integer total says it by one_count."""
    if not quantity.unit or (quantity.kind is Kind.TOTAL and not quantity.type.is_float):
        return ""
    return quantity.unit if quantity.step == 1 else f"{exact(quantity.step)} {quantity.unit}"


def _judged(quantity: Quantity) -> dict[str, str]:
    return {
        "valid": _range(quantity.valid, quantity.unit),
        "no_value": ", ".join(f"0x{pattern:0{max(quantity.width // 4, 1)}X}" for pattern in quantity.no_value),
        "bits": ", ".join(map(_bit, quantity.bits)),
        "enumeration": ", ".join(map(_named, quantity.enumeration)),
        "every": _rhythm(quantity.rhythm),
        "setting": str(quantity.setting or ""),
        "expected": ", ".join(exact(e) if isinstance(e, Fraction) else f'"{e}"' for e in quantity.expected),
    }


def _range(valid: Range, unit: str) -> str:
    parts = []
    if valid.low is not None:
        parts.append(f"from {exact(valid.low)}")
    if valid.high is not None:
        parts.append(f"to {exact(valid.high)}")
    return f"{' '.join(parts)} {unit}".rstrip() if parts else ""


def _bit(bit: Bit) -> str:
    means = "" if bit.means is Meaning.INFORMATION else f" ({bit.means})"
    return f"{bit.number} {bit.name}{means}" + ("" if bit.when else " when 0")


def _named(named: Named) -> str:
    means = "" if named.means is Meaning.INFORMATION else f" ({named.means})"
    factor = "" if named.factor is None else f" (factor {exact(named.factor)})"
    return f"{named.number} {named.name}{means}{factor}"


def _rhythm(rhythm: Rhythm) -> str:
    if rhythm == EACH_POLL:
        return "poll"
    if rhythm == ONCE:
        return "once"
    every = "once" if rhythm.every_ns is None else duration(rhythm.every_ns)
    return f"{every}, and after silence" if rhythm.after_silence else every


def _wake(wake: Wake | None) -> str:
    if wake is None:
        return ""
    return f"{reads_text((wake.read,))}, wait {duration(wake.wait_ns)}, window {duration(wake.window_ns)}"


def _spans(spans: Iterable[Span]) -> str:
    return ", ".join(map(_span, sorted(spans, key=lambda span: (span.table, span.first))))


def _span(span: Span) -> str:
    last = span.end - 1
    return f"{span.table} {span.first}" + (f" to {last}" if last > span.first else "")

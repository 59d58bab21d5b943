"""What a map tells of the pump beside the books' total: a run signal, a counter of hours, a total of reverse flow.

All of it is only read. The site file names the run signal and the hour meter; a reverse total is one by its direction.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.units import DURATIONS
from tallywell.registers.decode import Value
from tallywell.registers.quantity import Direction, Kind, Quantity, RegisterMap


@dataclass(frozen=True, slots=True)
class RunSignal:
    """The pump runs while `condition` of `quantity` holds; "": while that number is not 0."""

    quantity: str
    condition: str

    def runs(self, values: Mapping[str, Value]) -> bool | None:
        """None where the quantity did not come or has no value, or a number without a name."""
        value = values.get(self.quantity)
        if value is None or value.fault is not None:
            return None
        if value.about.kind is Kind.BITS:
            return self.condition in value.bits
        if value.about.kind is Kind.ENUMERATION:
            return None if value.text is None else value.text == self.condition
        return None if value.number is None else value.number != 0


def run_signals(found: RegisterMap) -> dict[str, RunSignal]:
    """All that `pump_running` may name: a condition where its name stands once in the map, "quantity.condition", and a
    quantity that has one condition, or is a bare number.
    """
    every = {name: conditions_of(quantity) for name, quantity in found.quantities.items()}
    named = [condition for conditions in every.values() for condition in conditions]
    signals: dict[str, RunSignal] = {}
    for name, conditions in every.items():
        one = [RunSignal(name, condition) for condition in conditions]
        signals |= {f"{name}.{signal.condition}": signal for signal in one}
        signals |= {signal.condition: signal for signal in one if named.count(signal.condition) == 1}
    for name, quantity in found.quantities.items():
        own = every[name]
        if quantity.kind is Kind.BITS and len(own) == 1:
            signals[name] = RunSignal(name, own[0])
        elif quantity.kind is Kind.OTHER and not quantity.unit:
            signals[name] = RunSignal(name, "")
    return signals


def conditions_of(quantity: Quantity) -> tuple[str, ...]:
    """The names of its bits or of its values."""
    return (*(bit.name for bit in quantity.bits), *(named.name for named in quantity.enumeration))


def is_duration(quantity: Quantity) -> bool:
    return quantity.kind is Kind.OTHER and quantity.unit in DURATIONS


def hours_ms(values: Mapping[str, Value], name: str | None) -> int | None:
    """What the hour meter shows, in whole ms."""
    value = values.get(name) if name else None
    return None if value is None or value.si is None else int(value.si * 1000)


def hour_meter_step_ms(found: RegisterMap, name: str | None, every_ms: int) -> int:
    """By how much a reading of the hour meter may be off: one step of it (of a float none is stated), and where it is
    polled by itself one poll's time.
    """
    quantity = found.quantities.get(name or "")
    if quantity is None or quantity.si_per_unit is None:
        return 0
    step = 0 if quantity.type.is_float else int(quantity.step * quantity.si_per_unit * 1000)
    apart = found.books is not None and quantity.rhythm != found.books.rhythm
    return step + every_ms if apart else step


def reverse_total(found: RegisterMap) -> Quantity | None:
    """The total of reverse flow beside the books' own."""
    reverse = (q for q in found.totals if q.direction is Direction.REVERSE and not q.for_the_books)
    return next((q for q in reverse if not q.resettable), None)


def reverse_m3(values: Mapping[str, Value], name: str) -> Fraction | None:
    value = values.get(name)
    if value is None or value.total is None or value.scale is None:
        return None
    return value.total.count * value.scale.one_count_m3

"""Quantities that another register multiplies: the other one is found and judged, and the least factor put in."""

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from tallywell.registers.described import exact
from tallywell.registers.factors import MOST_EXPONENT
from tallywell.registers.factors import factor_of as factor_of_number
from tallywell.registers.quantity import Factor, Kind, Quantity
from tallywell.written.fields import suggestion
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path, quoted

_KINDS = {
    Kind.TOTAL: "a total",
    Kind.FLOW: "a flow rate",
    Kind.BITS: "a status word",
    Kind.ENUMERATION: "an enumeration",
    Kind.TEXT: "a text",
}


def scaled(document: Document, quantities: Mapping[str, Quantity]) -> dict[str, Quantity]:
    """All quantities, those with a factor with what it can least be; faults are noted, one for each cause."""
    ranges_judged: set[str] = set()
    return {name: _scaled(document, quantities, quantity, ranges_judged) for name, quantity in quantities.items()}


def _scaled(document: Document, quantities: Mapping[str, Quantity], quantity: Quantity, judged: set[str]) -> Quantity:
    factor = quantity.factor
    if factor is None:
        return quantity
    key: Path = ("quantities", quantity.name, "exponent_from" if factor.exponent else "scale_from")
    scaler = quantities.get(factor.quantity)
    if scaler is None:
        _unknown(document, key, factor, quantities)
        return quantity
    if not _can_scale(document, key, quantity, scaler):
        return quantity
    if scaler.kind is Kind.ENUMERATION:
        return _scaled_by_code(document, quantity, factor, scaler, judged)
    least = _least(document, factor, scaler, quantity, judged)
    return quantity if least is None or quantity.kind is not Kind.TOTAL else _counting_from(quantity, factor, least)


def _counting_from(total: Quantity, factor: Factor, least: Fraction) -> Quantity:
    """A total of which one count is the volume of one raw count at the least factor."""
    step = total.step if total.type.is_float else total.step / least
    return replace(total, step=step, factor=replace(factor, least=least))


def _scaled_by_code(
    document: Document, quantity: Quantity, factor: Factor, scaler: Quantity, judged: set[str]
) -> Quantity:
    codes = tuple((named.number, named.factor) for named in scaler.enumeration if named.factor is not None)
    factor = replace(factor, codes=codes)
    if quantity.kind is not Kind.TOTAL:
        return replace(quantity, factor=factor)
    least = min(times for _, times in codes)
    odd = next((times for _, times in codes if (times / least).denominator != 1), None)
    if odd is not None and not quantity.type.is_float and scaler.name not in judged:
        judged.add(scaler.name)
        at: Path = ("quantities", scaler.name, "enumeration")
        what = f"{label_of(at)}: factor {exact(odd)} is no whole number of times the least, {exact(least)}"
        do = f"a total such as {quoted(quantity.name)} counts in the least; correct the factors"
        document.complain(at, what, do, got="")
    return _counting_from(quantity, factor, least)


def _unknown(document: Document, key: Path, factor: Factor, quantities: Mapping[str, Quantity]) -> None:
    """One that is written but at fault has its problems already."""
    if document.at(("quantities", factor.quantity)) is None:
        document.complain(key, f"{label_of(key)} names no quantity", suggestion(factor.quantity, quantities))


def _can_scale(document: Document, key: Path, quantity: Quantity, scaler: Quantity) -> bool:
    what, do = "", "name the quantity that holds the factor"
    is_code = scaler.kind is Kind.ENUMERATION and key[-1] == "scale_from"
    if scaler.name == quantity.name:
        what = "names the quantity itself"
    elif scaler.kind is not Kind.OTHER and not is_code:
        what = f"names {_KINDS[scaler.kind]}, where a plain number is wanted"
    elif scaler.factor is not None:
        what = f"names a quantity that is itself scaled by {quoted(scaler.factor.quantity)}"
    elif scaler.rhythm != quantity.rhythm:
        what = "names a quantity that is not read together with this one"
        do = f'give {quoted(scaler.name)} the same "every" ("poll" is the usual one)'
    if what:
        document.complain(key, f"{label_of(key)} {what}", do)
    return not what and (not is_code or _has_factors(document, key, scaler))


def _has_factors(document: Document, key: Path, scaler: Quantity) -> bool:
    """Whether each of its codes has a factor; what is written and at fault has its problem already."""
    group: Path = ("quantities", scaler.name, "enumeration")
    if len(scaler.enumeration) < len(document.group(group)):
        return False
    bare = [named for named in scaler.enumeration if named.factor is None]
    written = [code for code in document.group(group) if document.at((*group, code, "factor")) is not None]
    if bare and len(bare) + len(written) == len(scaler.enumeration):
        what = f"{label_of(key)} names an enumeration whose value {quoted(bare[0].name)} has no factor"
        document.complain(key, what, f'write it there, such as "{{name: {bare[0].name}, factor: 10}}"')
    elif not scaler.enumeration:
        document.complain(key, f"{label_of(key)} names an enumeration without values", "write its codes with factors")
    return bool(scaler.enumeration) and not bare


def _least(
    document: Document, factor: Factor, scaler: Quantity, quantity: Quantity, judged: set[str]
) -> Fraction | None:
    """The least factor; None where the range of the register that holds it does not tell. Totals must know it."""
    path: Path = ("quantities", scaler.name)
    low, high = scaler.valid.low, scaler.valid.high
    if low is None and quantity.kind is not Kind.TOTAL:
        return None
    least = None if low is None else factor_of_number(factor, low)
    highest = None if high is None else factor_of_number(factor, high)
    at_fault = least is None or (high is not None and highest is None)
    if at_fault and scaler.name not in judged:
        judged.add(scaler.name)
        _judge_range(document, path, factor, quantity, missing=low is None)
    return least


def _judge_range(document: Document, path: Path, factor: Factor, quantity: Quantity, *, missing: bool) -> None:
    example = "valid: {from: -3, to: 3}" if factor.exponent else "valid: {from: 1, to: 1000}"
    kind = f"a whole exponent from -{MOST_EXPONENT} to {MOST_EXPONENT}" if factor.exponent else "a factor above 0"
    if not missing:
        at = (*path, "valid")
        what = f"{label_of(at)} must have {kind} at both ends, as {quoted(quantity.name)} is scaled by it"
        document.complain(at, what, f'such as "{example}"', got="")
        return
    if document.at((*path, "valid", "from")) is None:  # one that is at fault has its problem already
        what = f'{label_of(path)} needs "valid" with its least value, as {quoted(quantity.name)} is scaled by it'
        document.complain(path, what, f'add "{example}"', got="", key=True)

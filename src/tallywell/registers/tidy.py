"""A map's text in the order and layout that all maps can share: to be read, and compared line by line.

Keys stand in the order of the forms, quantities by table and register; lists, bits and enumerations keep the writer's
order. What is meant does not change, and every comment goes with the key that it stands at.
"""

from collections.abc import Callable

from tallywell.registers.map_forms import (
    BitForm,
    DisplayForm,
    ExactReadForm,
    LimitsForm,
    LowPartForm,
    MapForm,
    NamedForm,
    QuantityForm,
    SpanForm,
    ValidForm,
    WakeForm,
)
from tallywell.registers.quantity import RegisterMap, Table
from tallywell.written.commented import Entry, Group, comments_of, read_commented, text_of
from tallywell.written.forms import Form

TABLES = (Table.INPUT, Table.HOLDING, Table.DISCRETE, Table.COIL)  # what most meters have most of comes first
_OF_KEY: dict[str, type[Form]] = {
    "limits": LimitsForm,
    "wake": WakeForm,
    "low_part": LowPartForm,
    "display": DisplayForm,
    "valid": ValidForm,
}
_OF_ITEMS: dict[str, type[Form]] = {
    "quantities": QuantityForm,
    "bits": BitForm,
    "enumeration": NamedForm,
    "exact_reads": ExactReadForm,
    "safe_to_read": SpanForm,
    "do_not_read": SpanForm,
}


def tidy(text: str, register_map: RegisterMap) -> str:
    """The tidy text of a map that was read from `text` without fault. Tidied again, it is the same."""
    commented = read_commented(text)
    _order(commented.root, MapForm)
    for entry in commented.root.entries:
        if entry.key == "quantities" and isinstance(entry.value, Group):
            entry.value.entries.sort(key=_by_register(register_map))
    return text_of(commented, aligned="quantities")


def keeps_comments(before: str, after: str) -> bool:
    """Whether both have the same comments, in whatever order."""
    return sorted(comments_of(before)) == sorted(comments_of(after))


def _by_register(register_map: RegisterMap) -> Callable[[Entry], tuple[int, int]]:
    def place(entry: Entry) -> tuple[int, int]:
        quantity = register_map.quantities[entry.key or ""]
        return TABLES.index(quantity.table), quantity.register

    return place


def _order(group: Group, form: type[Form]) -> None:
    """By the form's keys, at every depth; lists keep their order, which is the writer's."""
    order = {field.alias or name: place for place, (name, field) in enumerate(form.model_fields.items())}
    group.entries.sort(key=lambda entry: order.get(entry.key or "", len(order)))
    for entry in group.entries:
        if not isinstance(entry.value, Group):
            continue
        if entry.key in _OF_KEY:
            _order(entry.value, _OF_KEY[entry.key])
        elif entry.key in _OF_ITEMS:
            _order_items(entry.key, entry.value)


def _order_items(key: str, group: Group) -> None:
    for item in group.entries:
        if isinstance(item.value, Group) and not item.value.is_list:
            _order(item.value, _OF_ITEMS[key])

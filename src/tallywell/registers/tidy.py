"""A map's text in the order and layout that all maps can share: to be read, and compared line by line.

Keys stand in the order of the forms, quantities by table and register; lists, bits and enumerations keep the writer's
order. What is meant does not change, and every comment goes with the key that it stands at.
"""

from collections.abc import Callable

from tallywell.registers.map_forms import MapForm
from tallywell.registers.quantity import RegisterMap, Table
from tallywell.written.commented import Entry, Group, comments_of, read_commented, text_of
from tallywell.written.forms import Form, GroupOf, ListOf, NamesOf, OneOf, Shape, keys_of

TABLES = (Table.INPUT, Table.HOLDING, Table.DISCRETE, Table.COIL)  # what most meters have most of comes first


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
    keys = keys_of(form)
    places = {key.name: place for place, key in enumerate(keys)}
    shapes = {key.name: key.shape for key in keys}
    group.entries.sort(key=lambda entry: places.get(entry.key or "", len(places)))
    for entry in group.entries:
        if isinstance(entry.value, Group) and entry.key in shapes:
            _order_as(entry.value, shapes[entry.key])


def _order_as(group: Group, shape: Shape) -> None:
    """A group of keys by its form; of a list, or of names that the writer gave, each item so."""
    match shape:
        case GroupOf(form) if not group.is_list:
            _order(group, form)
        case ListOf(of) | NamesOf(of):
            for item in group.entries:
                if isinstance(item.value, Group):
                    _order_as(item.value, of)
        case OneOf(shapes):
            for one in shapes:
                _order_as(group, one)

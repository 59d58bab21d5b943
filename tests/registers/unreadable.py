"""What a plan must leave out, said apart from the planner. A parsed map has none: that is a problem there."""

from tallywell.registers.blocks import with_needs
from tallywell.registers.permitted import places, tables
from tallywell.registers.quantity import RegisterMap


def unreadable(register_map: RegisterMap) -> tuple[str, ...]:
    """Quantities that no permitted read holds whole, or not with the rest of their group; no plan brings them."""
    found = []
    for name in register_map.quantities:
        needed = with_needs(register_map, [name])
        allowed = tables(register_map)
        if not all(p.holds(place) for t, p in allowed.items() for place in places(register_map, t, needed)):
            found.append(name)
    return tuple(found)

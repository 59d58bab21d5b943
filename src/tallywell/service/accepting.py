"""What the site file means to the record and to the lines: texts and ids it must know, plans and ports to be opened."""

from collections.abc import Mapping
from hashlib import sha256

from tallywell.readings.exchange import Read
from tallywell.registers.blocks import books_read, chosen_sets
from tallywell.registers.decode import bringing
from tallywell.registers.quantity import EACH_POLL, RegisterMap
from tallywell.schedule.due import Plan, WakeAsk
from tallywell.service.files import Loaded
from tallywell.service.ledger_facts import asks_for_books
from tallywell.service.rows import Keys, PointKeys
from tallywell.service.site import Point, Site
from tallywell.service.world import MS_NS
from tallywell.store.append import Writer


def plans_of(site: Site) -> dict[str, tuple[Plan, ...]]:
    """Every point's plans, its main one first."""
    return {point.name: point_plans(point) for point in site.points.values()}


def point_plans(point: Point) -> tuple[Plan, ...]:
    """One plan for each set of quantities that is due together; the first, with the books' total, is the main one."""
    limits, wake = point.map.limits, _wake_of(point.map)
    plans: list[Plan] = []
    for found, chosen in chosen_sets(point.map, point.every_ms * MS_NS):
        every_ns = point.every_ms * MS_NS if found.rhythm == EACH_POLL else found.rhythm.every_ns
        after, main = found.rhythm.after_silence, not plans
        if chosen.reads:
            delays = limits.longest_delay_ns, limits.pause_ns
            books = books_read(point.map, chosen.reads)
            plans.append(Plan(point.name, point.address, chosen.reads, every_ns, *delays, after, main, wake, books))
    return tuple(plans)


def _wake_of(register_map: RegisterMap) -> WakeAsk | None:
    wake = register_map.wake
    return None if wake is None else WakeAsk(wake.read, wake.wait_ns, wake.window_ns)


def accepted_content(loaded: Loaded, writer: Writer, settings: Mapping[str, int]) -> dict[str, object]:
    """Store the texts of site file and maps; what the event `accepted` says of them.

    `settings`: by point, the number of its newest event of that name, so that each start finds it from the last.
    """
    writer.text("site", loaded.text)
    for text in loaded.maps.values():
        writer.text("map", text)
    return {
        "file": loaded.path.name,
        "site": sha256(loaded.text.encode()).hexdigest(),
        "maps": {name: sha256(text.encode()).hexdigest() for name, text in loaded.maps.items()},
        "settings": dict(settings),
    }


def keys_of(loaded: Loaded, site: Site, plans: Mapping[str, tuple[Plan, ...]], writer: Writer) -> Keys:
    """The record's ids for every plan of every point."""
    found: dict[tuple[str, tuple[Read, ...]], PointKeys] = {}
    for point in site.points.values():
        for plan in plans[point.name]:
            found[point.name, plan.reads] = _keys(loaded, point, plan.reads, writer, main=plan.main)
    return found


def keys_overheard(loaded: Loaded, point: Point, reads: tuple[Read, ...], writer: Writer) -> PointKeys:
    """The same for a plan that is another master's. StorageFault where the record cannot take it in."""
    books = point.map.books
    main = asks_for_books(point.map, reads) if books else True
    return _keys(loaded, point, reads, writer, main=main)


def _keys(loaded: Loaded, point: Point, reads: tuple[Read, ...], writer: Writer, *, main: bool) -> PointKeys:
    text, number = writer.text("map", loaded.maps[point.map_name]), writer.point(point.name)
    held = tuple(q.name for q in point.map.quantities.values() if bringing(point.map, reads, q))
    return PointKeys(number, writer.plan(text, reads), point.map, reads, main, held)

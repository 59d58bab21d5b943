"""What the site file means to the record and to the lines: texts and ids it must know, plans and ports to be opened."""

from hashlib import sha256

from tallywell.line.timing import LineSettings
from tallywell.registers.blocks import reads
from tallywell.schedule.due import Plan
from tallywell.service.files import Loaded
from tallywell.service.rows import PointKeys
from tallywell.service.site import Line, Point, Site
from tallywell.service.world import MS_NS
from tallywell.store.append import Writer


def settings_of(line: Line) -> LineSettings:
    return LineSettings(line.port, line.baud, line.parity.value, line.stop_bits)


def plan_of(point: Point) -> Plan:
    limits = point.map.limits
    return Plan(
        point.name,
        point.address,
        reads(point.map),
        point.every_ms * MS_NS,
        limits.longest_delay_ns,
        limits.pause_ns,
    )


def accepted_content(loaded: Loaded, writer: Writer) -> dict[str, object]:
    """Store the texts of site file and maps; what the event `accepted` says of them."""
    writer.text("site", loaded.text)
    for text in loaded.maps.values():
        writer.text("map", text)
    return {
        "file": loaded.path.name,
        "site": sha256(loaded.text.encode()).hexdigest(),
        "maps": {name: sha256(text.encode()).hexdigest() for name, text in loaded.maps.items()},
    }


def keys_of(loaded: Loaded, site: Site, writer: Writer) -> dict[str, PointKeys]:
    """The record's ids for every point of the site."""
    found = {}
    for point in site.points.values():
        planned = reads(point.map)
        plan = writer.plan(writer.text("map", loaded.maps[point.map_name]), planned)
        found[point.name] = PointKeys(writer.point(point.name), plan, point.map, planned)
    return found

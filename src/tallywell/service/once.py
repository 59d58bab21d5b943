"""Edge: one poll now, without a daemon. The row is kept like any other: each attempt is on record."""

import threading

from tallywell import __version__
from tallywell.readings.exchange import Pass
from tallywell.readings.facts import Anchor, Event, Fact, Poll
from tallywell.schedule.due import LookAgain, Sleep, begin, learned, next_ask
from tallywell.service.accepting import accepted_content, keys_of, plan_of, settings_of
from tallywell.service.anchoring import Dating, look
from tallywell.service.files import Loaded
from tallywell.service.rows import row
from tallywell.service.site import Point, Site
from tallywell.service.world import World
from tallywell.store.append import open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder


def poll_once(loaded: Loaded, site: Site, points: tuple[Point, ...], world: World) -> tuple[Poll, ...]:
    """Poll these points now, store the rows, return them. EdgeFailure where the record or a port cannot be opened."""
    folder = RecordFolder(loaded.record)
    folder.create()
    with open_writer(folder, __version__, world.boot_id) as writer:
        content = canonical(accepted_content(loaded, writer))
        keys = keys_of(loaded, site, writer)
        now, run = world.instant(), writer.run.id
        found = look(Dating(now.wall_minus_boot_ms), now, sync := world.clock.sync())
        facts: list[Fact] = [Event(writer.next_seq(), run, now.boot_ms, now.wall_ms, "accepted", content)]
        if found.anchor:
            facts.append(Anchor(writer.next_seq(), run, now.boot_ms, now.wall_ms, sync.half_width_ms))
        writer.append(facts)
        rows = []
        for point in points:
            done = one_pass(site, point, world)
            rows.append(row(done, keys[point.name], writer.next_seq(), run, found.dating))
            writer.append(rows[-1:])
    return tuple(rows)


def one_pass(site: Site, point: Point, world: World) -> Pass:
    """One pass over the point's plan on its line."""
    port = world.open_port(settings_of(site.lines[point.line]), world.clock)
    try:
        state = begin((plan_of(point),), world.clock.boot_ns(), 0)
        state, done = learned(state, LookAgain(point.name), world.clock.boot_ns())
        while done is None:
            step = next_ask(state, world.clock.boot_ns())
            if isinstance(step, Sleep):
                world.clock.wait(step.until_ns, threading.Event())
            else:
                state, done = learned(state, port.exchange(step), world.clock.boot_ns())
        if port.trouble is not None:
            world.log(f"line {point.line}: {port.trouble}")
        return done
    finally:
        port.close()

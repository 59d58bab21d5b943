"""Edge: one poll now, without a daemon. The row is kept like any other: each attempt is on record."""

import threading
from collections.abc import Mapping, Sequence

from tallywell import __version__
from tallywell.readings.exchange import Pass
from tallywell.readings.facts import Anchor, Event, Fact, Poll
from tallywell.schedule.due import SILENCE, Plan, Sleep, begin, learned, next_ask
from tallywell.service import sentences
from tallywell.service.accepting import accepted_content, keys_of, keys_overheard, plans_of
from tallywell.service.anchoring import Dating, look
from tallywell.service.files import Loaded
from tallywell.service.hearing import listened_passes
from tallywell.service.rows import row
from tallywell.service.settings import News, known_of, news
from tallywell.service.settings_noted import settings_noted
from tallywell.service.site import Line, Point, Site
from tallywell.service.world import World
from tallywell.store.append import Writer, open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader


def poll_once(loaded: Loaded, site: Site, points: tuple[Point, ...], world: World) -> tuple[Poll, ...]:
    """Poll these points now, all of each, and store the rows; return that of each point's books' total. EdgeFailure
    where the record or a port cannot be opened.
    """
    folder = RecordFolder(loaded.record)
    folder.create()
    with open_writer(folder, __version__, world.boot_id) as writer:
        with Reader(folder) as reader:
            noted = settings_noted(reader)
            ran_before = reader.last_accepted() is not None
        settings = {point: event.seq for point, event in noted.items()}
        content = canonical(accepted_content(loaded, writer, settings))
        plans = plans_of(site)
        keys = keys_of(loaded, site, plans, writer)
        now, run = world.instant(), writer.run.id
        found = look(Dating(now.wall_minus_boot_ms), now, sync := world.clock.sync())
        facts: list[Fact] = [Event(writer.next_seq(), run, now.boot_ms, now.wall_ms, "accepted", content)]
        if found.anchor:
            facts.append(Anchor(writer.next_seq(), run, now.boot_ms, now.wall_ms, sync.half_width_ms))
        writer.append(facts)
        rows: dict[str, Poll] = {}
        owed_until_ns = _owed_until_ns(plans, world) if ran_before else 0
        for point in points:
            known = known_of(noted[point.name].content)[1] if point.name in noted else {}
            owed = world.clock.boot_ns() < owed_until_ns
            for done in passes(site, point, plans[point.name], world, owed=owed):
                own = keys.get((done.point, done.reads)) or keys_overheard(loaded, point, done.reads, writer)
                stored = row(done, own, writer.next_seq(), run, found.dating)
                told = news(point.name, own.map, known, own.decoded(stored).values.values())
                known = told.known
                writer.append([stored, *_events(told, writer, world)])
                if own.main:
                    rows[point.name] = stored
                for said in told.said:
                    world.log(f"{sentences.place(point)}: {said}")
    return tuple(rows[point.name] for point in points)


def _owed_until_ns(plans: Mapping[str, Sequence[Plan]], world: World) -> int:
    """Whoever polled before may have been ended in the middle of an exchange: until when its answer may still come."""
    longest_ns = max(plan.longest_delay_ns for of_point in plans.values() for plan in of_point)
    return world.clock.boot_ns() + longest_ns


def _events(told: News, writer: Writer, world: World) -> list[Event]:
    now, run = world.instant(), writer.run.id
    return [
        Event(writer.next_seq(), run, now.boot_ms, now.wall_ms, name, canonical(content))
        for name, content in told.events
    ]


def passes(site: Site, point: Point, plans: tuple[Plan, ...], world: World, *, owed: bool = False) -> tuple[Pass, ...]:
    """One pass over each of the point's plans on its line, the main one first; of a silent meter that one alone.

    `owed`: its meter may still answer somebody else's request, so that is waited for.
    """
    line = site.lines[point.line]
    if isinstance(line, Line) and line.listen_only:
        return listened_passes(line, point, plans, world)
    port = world.open_port(site.lines[point.line].settings, world.clock)
    found: list[Pass] = []
    try:
        state = begin(plans, world.clock.boot_ns(), 0, at_once=True, owed=owed)
        while len(found) < len(plans) and not (found and found[0].fault in SILENCE):
            step = next_ask(state, world.clock.boot_ns())
            if isinstance(step, Sleep):
                world.clock.wait(step.until_ns, threading.Event())
                continue
            state, done = learned(state, port.exchange(step), world.clock.boot_ns())
            found += [done] if done else []
        if port.trouble is not None:
            world.log(f"line {point.line}: {port.trouble}")
        return tuple(found)
    finally:
        port.close()

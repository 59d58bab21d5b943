"""What the record knows of the meters' settings, found without looking through it. Reads only."""

import json

from tallywell.readings.facts import Event
from tallywell.readings.quantities import SerialRead
from tallywell.service.sentences import SettingChange
from tallywell.service.settings import CHANGED, NOTED, SERIALS, Known, known_of
from tallywell.service.site import Point
from tallywell.store.query import Reader


def settings_noted(reader: Reader) -> dict[str, Event]:
    """The newest event `settings` of each point that has one.

    Each start of a writer puts the numbers of all of them into the event `accepted`: only what came since the last is
    looked through, however long the record is.
    """
    accepted = reader.last_accepted()
    if accepted is None:
        return {}
    found: dict[str, Event] = {}
    for event in reader.events_back(down_to_seq=accepted.seq):
        if event.name == NOTED:
            found.setdefault(known_of(event.content)[0], event)
    for point, seq in json.loads(accepted.content).get("settings", {}).items():
        before = None if point in found else reader.event(seq)
        if before is not None:
            found[point] = before
    return found


def known_settings(reader: Reader) -> dict[str, Known]:
    """What the record knows of each point's settings."""
    return dict(known_of(event.content) for event in settings_noted(reader).values())


def changes_since(reader: Reader, utc_ms: int) -> dict[str, tuple[SettingChange, ...]]:
    """By point, the last change since then of each setting, the oldest first."""
    first, _ = reader.seq_range(utc_ms, utc_ms)
    found: dict[str, tuple[SettingChange, ...]] = {}
    told: set[tuple[str, str]] = set()
    for event in reader.events_back(down_to_seq=first):
        if event.name == CHANGED:
            said, when = json.loads(event.content), reader.when(event)
            at_ms = event.shown_ms if when.utc_ms is None else when.utc_ms
            one = SettingChange(said["quantity"], said["before"], said["after"], at_ms)
            if at_ms >= utc_ms and (said["point"], one.quantity) not in told:
                told.add((said["point"], one.quantity))
                found[said["point"]] = (one, *found.get(said["point"], ()))
    return found


def noted_settings(reader: Reader, point: Point) -> tuple[Known, int] | None:
    """What the record knows of a point's settings, and when that was noted, by its date or what the clock showed."""
    event = settings_noted(reader).get(point.name)
    if event is None:
        return None
    when = reader.when(event)
    return known_of(event.content)[1], event.shown_ms if when.utc_ms is None else when.utc_ms


def serials_read(reader: Reader, point: Point) -> tuple[SerialRead, ...]:
    """The serial numbers that the point's meter gave, each time that any of its settings read otherwise.

    Found from one to the one before by what each start of a writer puts into the event `accepted`: so it costs what
    changed, however long the record is.
    """
    found: list[Event] = []
    below: int | None = None
    while (accepted := reader.last_accepted(below)) is not None:
        since = reader.events_back(below, accepted.seq)
        found += [event for event in since if event.name == NOTED and known_of(event.content)[0] == point.name]
        seq = json.loads(accepted.content).get("settings", {}).get(point.name)
        before = None if seq is None else reader.event(seq)
        if before is None:
            break
        found.append(before)
        below = before.seq
    read = (_serial_read(reader, event) for event in reversed(found))
    return tuple(one for one in read if one.serials)


def _serial_read(reader: Reader, event: Event) -> SerialRead:
    _, known = known_of(event.content)
    serials = tuple((quantity, one.shown) for quantity, one in known.items() if one.setting in SERIALS)
    return SerialRead(event.seq, reader.when(event), serials)

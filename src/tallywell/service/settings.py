"""A meter's identity and settings, read back: what the record knows of them, what changed, what the map is not written
for (pure).

What is kept are the quantities that the map names as a `setting` and those that are read once; only the former can
change, as anything may be read once. A quantity that did not come, or came with a fault, is no change. Neither is one
that a corrected map now reads elsewhere, or whose words are the same and are now shown in another way: that is noted
anew, without a word about the meter.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from tallywell.registers.decode import Value
from tallywell.registers.quantity import ONCE, Quantity, RegisterMap, Setting
from tallywell.registers.shown import number_shown

NOTED, CHANGED, UNEXPECTED = EVENTS = "settings", "setting_changed", "setting_unexpected"
SERIALS = (Setting.SERIAL, Setting.SENSOR_SERIAL)


@dataclass(frozen=True, slots=True)
class Kept:
    """One setting as it was read last: what it is, how it reads, its words (hexadecimal).

    `as_expected` is None where the map does not say how it must read. `at`: function, first register and number of
    words (or bits) that it was read from.
    """

    setting: str
    shown: str
    raw: str
    as_expected: bool | None = None
    at: tuple[int, ...] = ()


Known = Mapping[str, Kept]


@dataclass(frozen=True, slots=True)
class Changed:
    """A setting that reads otherwise than it did."""

    quantity: str
    before: Kept
    after: Kept


@dataclass(frozen=True, slots=True)
class Compared:
    """What is known after a pass. `unexpected`: quantities that now read as the map is not written for."""

    known: Known
    is_new: bool = False
    changed: tuple[Changed, ...] = ()
    unexpected: tuple[str, ...] = ()


def is_kept(quantity: Quantity) -> bool:
    return quantity.setting is not None or quantity.rhythm == ONCE


def compare(register_map: RegisterMap, known: Known, values: Iterable[Value]) -> Compared:
    """What a pass over a point with this map says, beside what is known of the point (empty: nothing yet)."""
    came = {value.quantity: kept(value) for value in values if value.fault is None and is_kept(value.about)}
    if not came:
        return Compared(known)
    now: dict[str, Kept] = {}
    for name in register_map.quantities:
        if name in came:
            now[name] = _settled(known.get(name), came[name])
        elif name in known:
            now[name] = known[name]
    # What reads the same has kept its old words; another place, or the same words shown in another way, is the map's
    # doing.
    settings = [name for name in came if name in known and register_map.quantities[name].setting is not None]
    changed = [Changed(name, known[name], now[name]) for name in settings]
    changed = [one for one in changed if one.after.raw != one.before.raw and one.after.at == one.before.at]
    unexpected = [name for name in came if now[name].as_expected is False and _is_other(known.get(name), now[name])]
    return Compared(now, now != known, tuple(changed), tuple(unexpected))


def kept(value: Value) -> Kept:
    about = value.about
    setting = Setting.OTHER if about.setting is None else about.setting
    at = about.table.function, about.first, about.end - about.first
    return Kept(setting.value, value.shown, value.raw.hex(), value.as_expected if about.expected else None, at)


def _settled(before: Kept | None, after: Kept) -> Kept:
    """What is known now. Other words that read the same, as a text with other blanks behind it, are no news."""
    if before is None or (after.shown, after.at) != (before.shown, before.at):
        return after
    return replace(after, raw=before.raw)


def _is_other(before: Kept | None, after: Kept) -> bool:
    """Whether it reads otherwise than it did, or was expected then."""
    return before is None or before.as_expected is not False or before.shown != after.shown


def events_of(point: str, compared: Compared) -> tuple[tuple[str, dict[str, object]], ...]:
    """Name and content of what is put on record, in order."""
    changes = [
        (CHANGED, {**_about(point, one.quantity, one.after), "before": one.before.shown, "after": one.after.shown})
        for one in compared.changed
    ]
    unexpected = [
        (UNEXPECTED, {**_about(point, name, compared.known[name]), "shown": compared.known[name].shown})
        for name in compared.unexpected
    ]
    noted = [(NOTED, _content(point, compared.known))] if compared.is_new else []
    return (*changes, *unexpected, *noted)


def _about(point: str, quantity: str, one: Kept) -> dict[str, object]:
    return {"point": point, "quantity": quantity, "setting": one.setting}


def _content(point: str, known: Known) -> dict[str, object]:
    values = {
        name: {"setting": one.setting, "shown": one.shown, "raw": one.raw, "as_expected": one.as_expected, "at": one.at}
        for name, one in known.items()
    }
    return {"point": point, "values": values}


def known_of(content: str) -> tuple[str, Known]:
    """The point, and what an event `settings` says of it."""
    read = json.loads(content)
    return read["point"], {
        name: Kept(one["setting"], one["shown"], one["raw"], one.get("as_expected"), tuple(one.get("at", ())))
        for name, one in read["values"].items()
    }


@dataclass(frozen=True, slots=True)
class News:
    """What a pass brought that is new: events for the record, sentences for the log."""

    known: Known
    events: tuple[tuple[str, dict[str, object]], ...] = ()
    said: tuple[str, ...] = ()


def news(point: str, register_map: RegisterMap, known: Known, values: Iterable[Value]) -> News:
    """The same comparison as events and sentences; the point's place goes before each of these."""
    compared = compare(register_map, known, values)
    changed = [change_said(point, one) for one in compared.changed]
    unexpected = [unexpected_said(register_map, name, compared.known[name]) for name in compared.unexpected]
    return News(compared.known, events_of(point, compared), (*changed, *unexpected))


# what is said of it


def change_said(point: str, one: Changed) -> str:
    """What changed, and what to do about it."""
    said = f"{one.quantity} changed from {one.before.shown} to {one.after.shown}"
    if one.after.setting in SERIALS:
        do = (
            f"if another meter hangs there now, note it: `tallywell installation SITE {point} --serial ... --shows ...`"
        )
        return f"{said}; {do}"
    return f"{said}; if nobody did that on purpose, somebody or something set the meter: look at it"


def unexpected_said(register_map: RegisterMap, quantity: str, one: Kept) -> str:
    """What the map is written for, and what to do about it."""
    wanted = expected_shown(register_map, quantity)
    written = f"the map {register_map.name} is written for {wanted}" if wanted else "the map is not written for that"
    return (
        f"{quantity} reads {one.shown}, and {written}: its numbers may be wrong; set the meter back, or correct the map"
    )


def expected_shown(register_map: RegisterMap, name: str) -> str:
    """ "litre", "litre or gallon"; "" where the map does not say, or no longer has such a quantity."""
    quantity = register_map.quantities.get(name)
    if quantity is None:
        return ""
    named = {one.number: one.name for one in quantity.enumeration}
    shown = (
        one if isinstance(one, str) else named.get(int(one)) or number_shown(one, quantity) for one in quantity.expected
    )
    return " or ".join(shown)

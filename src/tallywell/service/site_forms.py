"""The keys of a site file and what each accepts."""

from collections.abc import Callable
from datetime import date
from fractions import Fraction
from typing import Annotated, Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, PlainValidator

from tallywell.readings.units import Measure
from tallywell.service.site import Parity, PermitKind
from tallywell.written import fields
from tallywell.written.fields import anything, chosen, day, label, measured, month_and_day, whole, yes_no_or_unknown
from tallywell.written.forms import Form, Key

Part = Annotated[Any, PlainValidator(anything)]
NOTHING = Fraction(0)
OUTAGE = measured("duration", least="0 s", greatest="3660 day")
# Names that stand for whatever machine the file is read on, or for no place at all.
_NO_PLACES = frozenset({"localtime", "posixrules", "Factory"})


def _accepts(function: Callable[[object], Any]) -> PlainValidator:
    return PlainValidator(function)


def zone_name(value: object) -> str:
    """A zone of the IANA time zone database."""
    found = fields.text(value)
    try:
        if found not in _NO_PLACES and not found.startswith(("posix/", "right/")):
            return ZoneInfo(found).key
    except (KeyError, ValueError, OSError):  # not there; no name at all; a folder of zones, or too long for a path
        pass
    raise fields.refuse("must be a time zone such as America/Denver", _zone_advice(found))


def _zone_advice(wrong: str) -> str:
    zones = sorted(zone for zone in available_timezones() if zone not in _NO_PLACES)
    last = wrong.rsplit("/", maxsplit=1)[-1].replace(" ", "_")
    near = fields.nearest(wrong.replace(" ", "_"), zones)
    same = next((zone for zone in zones if zone.rsplit("/", maxsplit=1)[-1].lower() == last.lower()), near)
    return f'did you mean "{same}"?' if same else "write the region and its great city"


def folder(value: object) -> str:
    """The record's folder, as a path from the site file."""
    found = label(value)
    if "\0" in found or not found.strip("./ "):
        raise fields.refuse("must be a folder of its own", "remove the key: the folder then lies beside this file")
    return found


class SiteForm(Form):
    """The top of a site file."""

    site: Annotated[str | None, _accepts(label), Key("site: Quail Flat Orchard")] = None
    time_zone: Annotated[str | None, _accepts(zone_name), Key("time_zone: America/Denver")] = None
    record: Annotated[str | None, _accepts(folder)] = None
    longest_outage: Annotated[Measure | None, _accepts(OUTAGE)] = None
    lines: Annotated[Part, Key("lines:")] = None
    wells: Annotated[Part, Key("wells:")] = None
    points: Annotated[Part, Key("points:")] = None
    permits: Part = None


class LineForm(Form):
    """One line."""

    port: Annotated[str | None, _accepts(label), Key("port: /dev/serial/by-path/...")] = None
    baud: Annotated[int | None, _accepts(whole(300, 4_000_000)), Key("baud: 19200")] = None
    parity: Annotated[Parity | None, _accepts(chosen(Parity))] = None
    stop_bits: Annotated[int | None, _accepts(whole(1, 2))] = None


class WellForm(Form):
    """One well."""

    called: Annotated[str | None, _accepts(label), Key("called: Well 1", needed=False)] = None
    agency_id: Annotated[str | None, _accepts(label)] = None
    location: Annotated[str | None, _accepts(label)] = None
    source: Annotated[str | None, _accepts(label)] = None


class PointForm(Form):
    """One point."""

    called: Annotated[str | None, _accepts(label)] = None
    well: Annotated[str | None, _accepts(fields.text), Key("well: north")] = None
    line: Annotated[str | None, _accepts(fields.text), Key("line: field")] = None
    address: Annotated[int | None, _accepts(whole(1, 247)), Key("address: 17")] = None
    map: Annotated[str | None, _accepts(label), Key("map: maps/inline-a.yaml")] = None
    every: Annotated[
        Measure | None,
        _accepts(measured("duration", least="1 s", greatest="31 day")),
        Key("every: 1 min"),
    ] = None
    pipe: Annotated[Measure | None, _accepts(measured("length", least="1 mm", greatest="20 m"))] = None
    possible_rate: Annotated[Measure | None, _accepts(measured("flow rate", above=NOTHING))] = None
    running_above: Annotated[Measure | None, _accepts(measured("flow rate", least="0 gpm"))] = None
    display: Part = None
    counts_without_external_power: Annotated[bool | None, _accepts(yes_no_or_unknown)] = None
    longest_outage: Annotated[Measure | None, _accepts(OUTAGE)] = None


class PermitForm(Form):
    """One permit."""

    called: Annotated[str | None, _accepts(label)] = None
    kind: Annotated[PermitKind | None, _accepts(chosen(PermitKind)), Key("kind: right")] = None
    points: Annotated[Part, Key("points: [north-discharge]")] = None
    authorised: Annotated[Measure | None, _accepts(measured("volume", least="0 m3"))] = None
    year_starts: Annotated[tuple[int, int] | None, _accepts(month_and_day)] = None


class ShareForm(Form):
    """A point's share in a permit. `from` is a word of Python, hence the alias."""

    point: Annotated[str | None, _accepts(fields.text), Key("point: north-discharge")] = None
    share: Annotated[Fraction | None, _accepts(fields.share)] = None
    from_: Annotated[date | None, Field(alias="from"), _accepts(day)] = None
    to: Annotated[date | None, _accepts(day)] = None

"""The keys of a site file, what each accepts and what it means. The schema and the reference are made of this."""

from collections.abc import Callable
from datetime import date
from fractions import Fraction
from ipaddress import ip_address
from typing import Annotated, Any, ClassVar
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, PlainValidator

from tallywell.readings.units import Measure
from tallywell.registers.map_forms import NAMES, DisplayForm
from tallywell.service.site import Direction, Framing, Level, Parity, PermitKind
from tallywell.written import acceptor, fields
from tallywell.written.acceptor import Acceptor, accepts
from tallywell.written.fields import (
    anything,
    chosen,
    day,
    label,
    measured,
    month_and_day,
    whole,
    yes_no_or_unknown,
    yes_or_no,
)
from tallywell.written.forms import Form, GroupOf, Key, ListOf, NamesOf, OneOf

# A part with keys of its own: read as its own form, at its own place. Its key says which shape it has.
Part = Annotated[Any, PlainValidator(anything)]
NOTHING_FLOWS = Fraction(0)
OUTAGE = measured("duration", least="0 s", greatest="3660 day")
# Names that stand for whatever machine the file is read on, or for no place at all.
_NO_PLACES = frozenset({"localtime", "posixrules", "Factory"})


NOTHING = Acceptor(anything, "", {"type": "null"})
PERMIT_NAMES = r"^(?=.*\S).{1,100}$"  # the agency's own number, blanks and strokes included


def _accepts(function: Callable[[object], Any]) -> PlainValidator:
    return PlainValidator(function)


# Which names there are, the zone database of the machine says: an older list would strike out a right name.
_ZONE = {"type": "string", "pattern": "^[A-Za-z][A-Za-z0-9_+-]*(?:/[A-Za-z0-9_+-]+)*$"}


@accepts("a zone of the IANA database", _ZONE)
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


@accepts("a path", acceptor.TEXT)
def folder(value: object) -> str:
    """The record's folder, as a path from the site file."""
    found = label(value)
    if "\0" in found or not found.strip("./ "):
        raise fields.refuse("must be a folder of its own", "remove the key: the folder then lies beside this file")
    return found


@accepts("an IP address", acceptor.TEXT)
def host_address(value: object) -> str:
    """The address of one device. A name would have to be looked up, where the one who knows it may be away."""
    found = label(value)
    try:
        address = ip_address(found)
    except ValueError:
        raise fields.refuse("must be an IP address such as 192.0.2.10", "a name is not looked up") from None
    if address.is_multicast or address.is_unspecified or found == "255.255.255.255":
        raise fields.refuse("must be the address of one device", "its settings page or label shows it")
    return str(address)


_ON_A_LINE = whole(1, 247)
_UNITS = {**acceptor.whole_schema(0, 255), "not": {"type": "integer", "minimum": 248, "maximum": 254}}


@accepts("a whole number, 1 to 247; with Modbus TCP also 0 and 255", _UNITS)
def unit_address(value: object) -> int:
    """An address of a serial line (Modbus over Serial Line V1.02, 2.2), or one of the two by which a device is asked
    that is itself on the network (Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2).
    """
    return fields.integer(value) if fields.text(value).strip() in ("0", "255") else _ON_A_LINE(value)


class LineForm(Form):
    """One line: a serial port, or an address on the network."""

    either: ClassVar[tuple[tuple[str, ...], ...]] = (("port", "host"),)
    along: ClassVar[dict[str, tuple[str, ...]]] = {"port": ("baud",)}

    port: Annotated[
        str | None,
        _accepts(label),
        Key(
            "port: /dev/serial/by-path/...",
            "the serial port; a path in /dev/serial/by-path or /dev/serial/by-id stays the same",
            needed=False,
        ),
    ] = None
    baud: Annotated[
        int | None,
        _accepts(whole(300, 4_000_000)),
        Key("baud: 19200", "bits a second, as the meters are set; needed with `port`", needed=False),
    ] = None
    parity: Annotated[
        Parity | None,
        _accepts(chosen(Parity)),
        Key("parity: even", "the parity of a character; always 8 data bits", needed=False, usual="even"),
    ] = None
    stop_bits: Annotated[
        int | None,
        _accepts(whole(1, 2)),
        Key(
            "stop_bits: 1",
            "1 without it, or 2 with parity none, as the standard has it; many meters with parity none use 1, so say "
            "it then",
            needed=False,
        ),
    ] = None

    rs485: Annotated[
        Direction | None,
        _accepts(chosen(Direction)),
        Key(
            "rs485: kernel",
            "with `port`: the driver switches the direction of the pair by RTS (Linux: TIOCSRS485); not for adapters "
            "that do it by themselves, as most on USB",
            needed=False,
        ),
    ] = None
    rts_on_send: Annotated[
        Level | None,
        _accepts(chosen(Level)),
        Key("rts_on_send: high", "with `rs485`: how RTS stands while it sends", needed=False, usual="high"),
    ] = None
    delay_before_send: Annotated[
        Measure | None,
        _accepts(measured("duration", least="0 ms", greatest="100 ms")),
        Key("delay_before_send: 1 ms", "with `rs485`: from RTS to the first bit", needed=False, usual="0 ms"),
    ] = None
    delay_after_send: Annotated[
        Measure | None,
        _accepts(measured("duration", least="0 ms", greatest="100 ms")),
        Key(
            "delay_after_send: 1 ms",
            "with `rs485`: from the last bit to RTS; a meter that answers sooner is not heard",
            needed=False,
            usual="0 ms",
        ),
    ] = None

    listen_only: Annotated[
        bool | None,
        _accepts(yes_or_no),
        Key(
            "listen_only: yes",
            "with `port`: another master asks the meters of this line; nothing is ever sent, and what it asks and is "
            "answered is recorded as far as the maps cover it",
            needed=False,
            usual="no",
        ),
    ] = None

    host: Annotated[
        str | None,
        _accepts(host_address),
        Key("host: 192.0.2.10", "the address of a gateway, or of a meter on the network itself", needed=False),
    ] = None
    tcp_port: Annotated[
        int | None,
        _accepts(whole(1, 65_535)),
        Key("tcp_port: 502", "with `host`: the TCP port", needed=False, usual="502"),
    ] = None
    framing: Annotated[
        Framing | None,
        _accepts(chosen(Framing)),
        Key(
            "framing: tcp",
            "with `host`: `tcp` is Modbus TCP; `rtu` sends the frames of a serial line through a gateway's raw socket",
            needed=False,
            usual="tcp",
        ),
    ] = None


class WellForm(Form):
    """One well."""

    such_as: ClassVar[str] = "called: Well 1"

    called: Annotated[
        str | None, _accepts(label), Key("called: Well 1", "what people call it; without it the key", needed=False)
    ] = None
    agency_id: Annotated[
        str | None,
        _accepts(label),
        Key("agency_id: 23-0417", "the agency's number of the well or point", needed=False),
    ] = None
    location: Annotated[
        str | None,
        _accepts(label),
        Key("location: NE corner of the north block", "where it lies; printed in the CSV as it is", needed=False),
    ] = None
    source: Annotated[
        str | None,
        _accepts(label),
        Key("source: groundwater", "which water it takes; printed in the CSV as it is", needed=False),
    ] = None


class WellShareForm(Form):
    """A well's share in the water of a point. `from` is a word of Python, hence the alias."""

    well: Annotated[str | None, _accepts(fields.text), Key("well: north", "the well, by its key above")] = None
    share: Annotated[
        Fraction | None,
        _accepts(fields.share),
        Key("share: 2/3", "the part of the point's volume that is this well's", needed=False, usual="1"),
    ] = None
    from_: Annotated[
        date | None,
        Field(alias="from"),
        _accepts(day),
        Key("from: 2025-10-01", "the first day that belongs; without it from the beginning", needed=False),
    ] = None
    to: Annotated[
        date | None,
        _accepts(day),
        Key("to: 2026-10-01", "the first day that no longer belongs; without it there is none", needed=False),
    ] = None


class PointForm(Form):
    """One point."""

    either: ClassVar[tuple[tuple[str, ...], ...]] = (("pipe", "possible_rate"), ("well", "wells"))

    called: Annotated[
        str | None, _accepts(label), Key("called: North pump", "a label; without it the key", needed=False)
    ] = None
    well: Annotated[
        str | None,
        _accepts(fields.text),
        Key("well: north", "the well that it belongs to, by its key above", needed=False),
    ] = None
    wells: Annotated[
        Part,
        Key(
            "wells: [{well: north, share: 2/3}, {well: south, share: 1/3}]",
            "instead of `well`, where one meter measures the water of several",
            needed=False,
            holds=ListOf(OneOf((fields.text, GroupOf(WellShareForm))), least=1),
        ),
    ] = None
    line: Annotated[
        str | None, _accepts(fields.text), Key("line: field", "the line that the meter hangs on, by its key above")
    ] = None
    address: Annotated[
        int | None, _accepts(unit_address), Key("address: 17", "the meter's address, once on a line")
    ] = None
    map: Annotated[
        str | None,
        _accepts(label),
        Key("map: maps/inline-a.yaml", "the register map, as a path from the site file"),
    ] = None
    every: Annotated[
        Measure | None,
        _accepts(measured("duration", least="1 s", greatest="31 day")),
        Key(
            "every: 1 min",
            "the time from poll to poll; polls stand on the marks of the wall clock, but for one at once when the "
            "daemon starts",
        ),
    ] = None
    pipe: Annotated[
        Measure | None,
        _accepts(measured("length", least="1 mm", greatest="20 m")),
        Key(
            "pipe: 8 in",
            "the pipe's bore. What can physically pass is taken to be what it carries at 10 m/s; that tells a rollover "
            "from a fault",
            needed=False,
        ),
    ] = None
    possible_rate: Annotated[
        Measure | None,
        _accepts(measured("flow rate", above=NOTHING_FLOWS)),
        Key(
            "possible_rate: 1500 gpm", "what can physically pass, where you know it better than the bore", needed=False
        ),
    ] = None
    running_above: Annotated[
        Measure | None,
        _accepts(measured("flow rate", least="0 gpm")),
        Key(
            "running_above: 20 gpm",
            "the flow rate above which the pump counts as running: hours pumped come from it, unless `pump_running` is "
            "given",
            needed=False,
        ),
    ] = None
    pump_running: Annotated[
        str | None,
        _accepts(label),
        Key(
            "pump_running: status.pump",
            "what of the map says, while it is set, that the pump runs: a bit's name, a value's name of an enumeration "
            "(with its quantity before it, `status.pump`, where the name stands twice), a coil or discrete input, or a "
            "number without unit that is not 0. It is only read, and goes before `running_above`",
            needed=False,
        ),
    ] = None
    hour_meter: Annotated[
        str | None,
        _accepts(label),
        Key(
            "hour_meter: run_hours",
            "the quantity of the map that counts the hours that the pump ran; its unit is a duration. Hours pumped "
            "come from it first of all",
            needed=False,
        ),
    ] = None
    display: Annotated[
        Part,
        Key(
            "display: {one_count: 100 gal, digits: 8}",
            "how the face shows the books' total. Without it what the map says of the face, or else the register's own "
            "step, stands in",
            needed=False,
            holds=GroupOf(DisplayForm),
        ),
    ] = None
    counts_without_external_power: Annotated[
        bool | None,
        _accepts(yes_no_or_unknown),
        Key(
            "counts_without_external_power: yes",
            "what you know of the meter; kept in the record, not used yet",
            needed=False,
            usual="unknown",
        ),
    ] = None
    longest_outage: Annotated[
        Measure | None,
        _accepts(OUTAGE),
        Key("longest_outage: 30 day", "of this point; without it the site's", needed=False),
    ] = None


class ShareForm(Form):
    """A point's share in a permit. `from` is a word of Python, hence the alias."""

    point: Annotated[
        str | None, _accepts(fields.text), Key("point: north-discharge", "the point, by its key above")
    ] = None
    share: Annotated[
        Fraction | None,
        _accepts(fields.share),
        Key("share: 1/3", "the part of the point's volume that counts against this permit", needed=False, usual="1"),
    ] = None
    from_: Annotated[
        date | None,
        Field(alias="from"),
        _accepts(day),
        Key("from: 2025-10-01", "the first day that belongs; without it from the beginning", needed=False),
    ] = None
    to: Annotated[
        date | None,
        _accepts(day),
        Key("to: 2026-10-01", "the first day that no longer belongs; without it there is none", needed=False),
    ] = None


class PermitForm(Form):
    """One permit."""

    called: Annotated[
        str | None, _accepts(label), Key("called: North right", "a label; without it the key", needed=False)
    ] = None
    kind: Annotated[PermitKind | None, _accepts(chosen(PermitKind)), Key("kind: right", "what the paper is")] = None
    points: Annotated[
        Part,
        Key(
            "points: [north-discharge]",
            "the points whose water counts against it; a point alone counts whole",
            holds=ListOf(OneOf((fields.text, GroupOf(ShareForm))), least=1),
        ),
    ] = None
    authorised: Annotated[
        Measure | None,
        _accepts(measured("volume", least="0 m3")),
        Key("authorised: 420 acre_foot", "the amount for a year, or for `authorised_years` of them", needed=False),
    ] = None
    authorised_years: Annotated[
        int | None,
        _accepts(whole(1, 50)),
        Key(
            "authorised_years: 5",
            "for how many years together `authorised` is",
            needed=False,
            usual="1",
        ),
    ] = None
    authorised_from: Annotated[
        date | None,
        _accepts(day),
        Key(
            "authorised_from: 2025-10-01",
            "with `authorised_years`: the first day of any such stretch of years; it is that of `year_starts`",
            needed=False,
        ),
    ] = None
    carry_over: Annotated[
        Measure | None,
        _accepts(measured("volume", least="0 m3")),
        Key(
            "carry_over: 40 acre_foot",
            "the most that may be carried into later years of what was not used; without it nothing is",
            needed=False,
        ),
    ] = None
    carry_years: Annotated[
        int | None,
        _accepts(whole(1, 50)),
        Key("carry_years: 2", "with `carry_over`: for how many years", needed=False, usual="1"),
    ] = None
    year_starts: Annotated[
        tuple[int, int] | None,
        _accepts(month_and_day),
        Key("year_starts: 10-01", "the first day of the permit's year", needed=False, usual="01-01"),
    ] = None


class SiteForm(Form):
    """The top of a site file."""

    site: Annotated[
        str | None, _accepts(label), Key("site: Quail Flat Orchard", "its name; the reports are headed with it")
    ] = None
    time_zone: Annotated[
        str | None, _accepts(zone_name), Key("time_zone: America/Denver", "days and months are cut by it")
    ] = None
    record: Annotated[
        str | None,
        _accepts(folder),
        Key(
            "record: quail-flat.record",
            "the record's folder, as a path from the site file; without it NAME.record beside NAME.yaml",
            needed=False,
        ),
    ] = None
    longest_outage: Annotated[
        Measure | None,
        _accepts(OUTAGE),
        Key(
            "longest_outage: 7 day",
            "how long a meter may go unread before somebody mends it; check warns of a total that can go round within "
            "it",
            needed=False,
            usual="7 day",
        ),
    ] = None
    lines: Annotated[
        Part, Key("lines:", "one group of keys for each line", holds=NamesOf(GroupOf(LineForm), NAMES, least=1))
    ] = None
    wells: Annotated[
        Part,
        Key(
            "wells:",
            "one group of keys for each well; a name alone is enough",
            holds=NamesOf(OneOf((GroupOf(WellForm), NOTHING)), NAMES, least=1),
        ),
    ] = None
    points: Annotated[
        Part, Key("points:", "one group of keys for each point", holds=NamesOf(GroupOf(PointForm), NAMES, least=1))
    ] = None
    permits: Annotated[
        Part,
        Key(
            "permits:",
            "one group of keys for each permit, by the agency's number of it",
            needed=False,
            holds=OneOf((NamesOf(GroupOf(PermitForm), PERMIT_NAMES), NOTHING)),
        ),
    ] = None

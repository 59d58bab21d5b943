"""Site file text -> Site and every fault in it and in its register maps, each with its place. Pure.

The YAML keys of lines, wells, points and permits are their identities for ever; `called` is the label for people.
"""

from collections.abc import Callable, Mapping
from fractions import Fraction

from tallywell.line.timing import Rs485
from tallywell.readings import units
from tallywell.readings.problems import Problem
from tallywell.readings.units import Measure
from tallywell.registers.map_forms import DisplayForm
from tallywell.registers.quantity import ONCE, Display, RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.service.foreseen import foresee
from tallywell.service.permits import permits_of
from tallywell.service.pump_signals import conditions_of, is_duration, run_signals
from tallywell.service.site import (
    USUAL_OUTAGE,
    AnyLine,
    Framing,
    Level,
    Line,
    NetworkLine,
    Parity,
    Permit,
    PermitKind,
    Point,
    Share,
    Site,
    Well,
)
from tallywell.service.site_forms import LineForm, PointForm, SiteForm, WellForm
from tallywell.service.well_shares import wells_of
from tallywell.written import fields
from tallywell.written.forms import fill, label_of, sure
from tallywell.written.located import Document, Path, quoted, read_document

__all__ = ["Line", "Parity", "Permit", "PermitKind", "Point", "Share", "Site", "Well", "parse_site"]

MapReader = Callable[[str], str]
BetterName = Callable[[str], str | None]
USUAL_TCP_PORT = 502  # Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.3.1
OF_RS485 = ("rts_on_send", "delay_before_send", "delay_after_send")
OF_A_PORT, OF_A_HOST = ("baud", "parity", "stop_bits", "rs485", *OF_RS485), ("tcp_port", "framing")
OF_THE_NETWORK = (0, 255)  # Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2
USUAL_BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200)


def parse_site(
    text: str, file: str, read_map: MapReader, *, ahead: bool = True, better_name: BetterName = lambda _port: None
) -> tuple[Site | None, tuple[Problem, ...]]:
    """Read a site file. `read_map` gives a map's text by its name as written there; it may raise OSError or ValueError
    (a KeyError of a dict of stored texts is taken alike). The site is None when a Problem that is no warning was found.

    A map's own problems carry the map's name as written in the site file. `ahead`: judge as well what the site's lines
    will have to carry; of a text that was accepted before, that is no question any more. `better_name` gives the link
    that stays the same for a port that is named by its number, where this machine has one.
    """
    document = read_document(text, file)
    _refuse_map(document)
    if document.plain is None and document.faulty:
        return None, tuple(sorted(document.problems))
    form = fill(SiteForm, document, ())
    lines, wells = _lines(document, better_name), _wells(document)
    points, map_problems = _points(document, read_map)
    permits = permits_of(document)
    _judge_unused(document)
    _judge_zone(document, form.time_zone)
    site = None
    if not document.faulty and all(problem.warning for problem in map_problems):
        outage = form.longest_outage or USUAL_OUTAGE
        site = Site(sure(form.site), sure(form.time_zone), lines, wells, points, permits, form.record, outage)
        if ahead:
            foresee(document, site)
    return None if document.faulty else site, (*sorted(document.problems), *map_problems)


def _refuse_map(document: Document) -> None:
    """A register map in the place of a site file is one mistake, not a dozen missing and unknown keys."""
    there = document.group(())
    if ("quantities" in there or "based_on" in there) and "points" not in there:
        do = f"name a site file; `tallywell map show {document.file}` shows what this says"
        document.complain((), "this is a register map, where a site file is wanted", do, got="")
        document.plain = None


def _judge_zone(document: Document, zone: str | None) -> None:
    """EST, MST, HST and Etc/GMT+7 are fixed distances from UTC: half the year an hour off from most clocks there."""
    if zone in ("EST", "MST", "HST") or (zone or "").startswith("Etc/GMT"):
        do = "unless that is meant, name a place, such as America/Denver"
        document.complain(("time_zone",), "time_zone knows no summer time", do, warning=True)


def _named(document: Document, group: str) -> list[str]:
    """The names in a group; a group of another shape, an empty one or an unusable name is a problem."""
    found = document.at((group,))
    if group not in document.group(()):
        return []
    if not isinstance(found, dict):
        document.complain((group,), f"{group} must be a group of keys", f"write one key for each {group[:-1]}")
        return []
    if not found:
        document.complain((group,), f"the site has no {group}", "add at least one", got="")
    for name in found:
        if not fields.NAME.match(name):
            do = "use letters, digits, - and _, at most 64; it is the name for ever, called is the label"
            document.complain((group, name), f"{label_of((group, name))} has no usable name", do, got="", key=True)
    return list(found)


def _lines(document: Document, better_name: BetterName) -> dict[str, AnyLine]:
    forms = {name: fill(LineForm, document, ("lines", name)) for name in _named(document, "lines")}
    for name, form in forms.items():
        _judge_way(document, name)
        _judge_port(document, name, form, forms)
        _judge_name(document, name, form, better_name)
        _judge_rs485(document, name)
        _judge_host(document, name, form, forms)
        _judge_listening(document, name, form)
        if form.baud is not None and form.baud not in USUAL_BAUDS:
            path = ("lines", name, "baud")
            document.complain(path, f"{label_of(path)} is unusual", "look at the meter's settings", warning=True)
    return {name: _line(name, form) for name, form in forms.items()} if not document.faulty else {}


def _line(name: str, form: LineForm) -> AnyLine:
    """Without parity the standard asks for a second stop bit (Modbus over Serial Line V1.02, 2.5.1)."""
    if form.host is not None:
        return NetworkLine(name, form.host, form.tcp_port or USUAL_TCP_PORT, form.framing or Framing.TCP)
    parity = form.parity or Parity.EVEN
    usual = 2 if parity is Parity.NONE else 1
    return Line(
        name, sure(form.port), sure(form.baud), parity, form.stop_bits or usual, _rs485(form), form.listen_only or False
    )


def _rs485(form: LineForm) -> Rs485 | None:
    if form.rs485 is None:
        return None
    before_ms, after_ms = (
        0 if delay is None else int(delay.si * 1000) for delay in (form.delay_before_send, form.delay_after_send)
    )
    return Rs485(form.rts_on_send is not Level.LOW, before_ms, after_ms)


def _judge_rs485(document: Document, name: str) -> None:
    there = document.group(("lines", name))
    for key in OF_RS485 if "rs485" not in there and "port" in there else ():
        if key in there:
            path = ("lines", name, key)
            what = f"{label_of(path)} has no meaning without rs485"
            document.complain(path, what, 'add "rs485: kernel", or remove it', got="", key=True)


def _judge_listening(document: Document, name: str, form: LineForm) -> None:
    """What another master asks can be overheard on the pair of wires alone."""
    path: Path = ("lines", name, "listen_only")
    if not form.listen_only:
        return
    if form.host is not None and (form.framing or Framing.TCP) is Framing.TCP:
        what = f"{label_of(path)} cannot be with a host: it answers only whom it is asked by, and tells nobody else"
        do = "remove it, and this program asks as one more master; or listen at a serial port on the meters' own pair"
        document.complain(path, what, do, got="", key=True)
    elif form.host is not None:
        what = (
            f"{label_of(path)} cannot be with a host: a gateway need not hand on what others ask, nor say when it was"
        )
        document.complain(path, what, "listen at a serial port on the meters' own pair", got="", key=True)
    elif form.rs485 is not None:
        what = f"{label_of(path)} never sends, so that rs485 has no meaning"
        document.complain(("lines", name, "rs485"), what, "remove rs485", got="", key=True)


def _judge_way(document: Document, name: str) -> None:
    """A line is a serial port with its baud, or a host; what belongs to the one has no meaning with the other."""
    path: Path = ("lines", name)
    there = document.group(path)
    meant = {fields.nearest(key, LineForm.model_fields) for key in there if key not in LineForm.model_fields}
    if there and not {"port", "host"} & (there.keys() | meant):
        do = 'add "port: /dev/serial/by-path/..." and its baud, or "host: 192.0.2.10"'
        document.complain(path, f'{label_of(path)} needs "port" or "host"', do, got="", key=True)
    elif "port" in there and "host" in there:
        what = f"{label_of(path)} has both a serial port and a host"
        document.complain((*path, "host"), what, "a line is one or the other; remove one", got="", key=True)
    elif "port" in there and not {"baud"} & (there.keys() | meant):
        document.complain(path, f'{label_of(path)} needs "baud"', 'add "baud: 19200"', got="", key=True)
    for key in _of_the_other(there):
        what, do = f"{label_of((*path, key))} has no meaning for this line", "remove it"
        if key in OF_A_PORT:
            do += "; how the line behind a gateway is set, the gateway knows"
        document.complain((*path, key), what, do, got="", key=True)


def _of_the_other(there: Mapping[str, object]) -> tuple[str, ...]:
    """The written keys of the other kind of line."""
    if ("port" in there) == ("host" in there):
        return ()
    return tuple(key for key in (OF_A_HOST if "port" in there else OF_A_PORT) if key in there)


def _judge_host(document: Document, name: str, form: LineForm, forms: Mapping[str, LineForm]) -> None:
    """Two connections to one server: their requests would wait for one another where the schedules cannot see it."""
    if form.host is None:
        return
    path = ("lines", name, "host")
    first = next(other for other, there in forms.items() if _socket_of(there) == _socket_of(form))
    if first != name:
        where = document.place(("lines", first, "host"))
        what = f"{label_of(path)} and its port are those of line {quoted(first)}"
        what += f" (line {where.line}, column {where.column})"
        document.complain(path, what, "make them one line, or state the tcp_port of each")


def _socket_of(form: LineForm) -> tuple[str | None, int]:
    return form.host, form.tcp_port or USUAL_TCP_PORT


def _judge_port(document: Document, name: str, form: LineForm, forms: Mapping[str, LineForm]) -> None:
    path = ("lines", name, "port")
    first = next((other for other, there in forms.items() if there.port == form.port), name)
    if form.port is not None and first != name:
        where = document.place(("lines", first, "port"))
        what = f"{label_of(path)} is that of line {quoted(first)} (line {where.line}, column {where.column})"
        document.complain(path, what, "give each line a port of its own, or make them one line")


def _judge_name(document: Document, name: str, form: LineForm, better_name: BetterName) -> None:
    """The kernel numbers adapters as they come."""
    if form.port is None or not form.port.startswith(("/dev/ttyUSB", "/dev/ttyACM")):
        return
    path = ("lines", name, "port")
    better = better_name(form.port)
    do = f"write {better}, which leads to it now" if better else "write its path in /dev/serial/by-path"
    document.complain(path, f"{label_of(path)} can name another adapter after the next start", do, warning=True)


def _wells(document: Document) -> dict[str, Well]:
    wells = {}
    for name in _named(document, "wells"):
        path = ("wells", name)
        form = WellForm() if document.at(path) is None else fill(WellForm, document, path)
        wells[name] = Well(name, form.called or name, form.agency_id or "", form.location or "", form.source or "")
    return wells


def _points(document: Document, read_map: MapReader) -> tuple[dict[str, Point], tuple[Problem, ...]]:
    forms = {name: fill(PointForm, document, ("points", name)) for name in _named(document, "points")}
    maps: dict[str, RegisterMap | None] = {}
    of_maps: list[Problem] = []
    for name, form in forms.items():
        _judge_place(document, name, form, forms)
        if form.map is not None:
            if form.map not in maps:
                maps[form.map] = _map(document, ("points", name, "map"), form.map, read_map, of_maps)
            _judge_map(document, name, form, maps[form.map])
    points = {name: _point(document, name, form, maps) for name, form in forms.items()}
    return {name: point for name, point in points.items() if point is not None}, tuple(of_maps)


def _map(document: Document, path: Path, name: str, read_map: MapReader, of_maps: list[Problem]) -> RegisterMap | None:
    try:
        text = read_map(name)
    except UnicodeDecodeError:
        document.complain(path, f"{label_of(path)} is no UTF-8 text", "save it as UTF-8, or name another file")
        return None
    except (OSError, LookupError, ValueError) as error:
        why = getattr(error, "strerror", None) or "there is none of this name"
        do = getattr(error, "hint", "") or "write the map's path from this file's folder"
        document.complain(path, f"{label_of(path)} cannot be read: {str(why).lower()}", do)
        return None
    found, problems = parse_map(text, name, read_map)
    of_maps += [problem for problem in problems if problem not in of_maps]  # two variants of one base share its own
    return found


def _judge_place(document: Document, name: str, form: PointForm, forms: Mapping[str, PointForm]) -> None:
    """The line is there, and nobody else answers at this address."""
    lines = document.group(("lines",))
    if form.line is not None and "lines" in document.group(()) and form.line not in lines:
        path = ("points", name, "line")
        document.complain(path, f"{label_of(path)} is not among the lines", fields.suggestion(form.line, lines))
    if form.address is None or form.line is None:
        return
    _judge_unit(document, name, form)
    same = (other for other, there in forms.items() if (there.line, there.address) == (form.line, form.address))
    first = next(same, name)
    if first != name:
        path = ("points", name, "address")
        where = document.place(("points", first, "address"))
        what = f"{label_of(path)} is that of point {quoted(first)} (line {where.line}, column {where.column})"
        document.complain(path, f"{what} on line {quoted(form.line)}", "two meters would answer at once; change one")


def _judge_unit(document: Document, name: str, form: PointForm) -> None:
    """0 is a broadcast on a serial line, also on one behind a raw socket (Modbus over Serial Line V1.02, 2.2)."""
    line = document.group(("lines", str(form.line)))
    if form.address not in OF_THE_NETWORK or not line or ("host" in line and line.get("framing") != Framing.RTU):
        return
    path = ("points", name, "address")
    do = "0 and 255 are for a meter that is itself on the network, on a line with a host and framing tcp"
    document.complain(path, f"{label_of(path)} must be from 1 to 247 on line {quoted(str(form.line))}", do)


def _judge_map(document: Document, name: str, form: PointForm, found: RegisterMap | None) -> None:
    if found is None:
        return
    if found.books is None:
        path = ("points", name, "map")
        what = f"{label_of(path)} has no total, so that no volume can be kept"
        document.complain(path, what, "add the meter's totalizer to the map", warning=True)
    if form.running_above is not None and "flow_rate" not in found.quantities:
        path = ("points", name, "running_above")
        what = f"{label_of(path)} has no effect, as the map has no flow_rate"
        document.complain(path, what, "remove it, or add flow_rate to the map", got="", warning=True)
    _judge_pump(document, name, form, found)


def _judge_pump(document: Document, name: str, form: PointForm, found: RegisterMap) -> None:
    """What tells of the pump is in the map, can tell it, and comes with the total."""
    signals = run_signals(found)
    if form.pump_running is not None:
        path: Path = ("points", name, "pump_running")
        signal = signals.get(form.pump_running)
        if signal is not None:
            _judge_rhythm(document, path, found, signal.quantity)
        elif form.pump_running in found.quantities or _stands_twice(found, form.pump_running):
            what = f"{label_of(path)} does not say alone whether the pump runs"
            near = [each for each in signals if form.pump_running in each.split(".") and "." in each]
            document.complain(path, what, f"write one of {', '.join(near)}" if near else "name a bit or a coil")
        else:
            what = f"{label_of(path)} is neither a quantity nor a condition of the map"
            document.complain(path, what, fields.suggestion(form.pump_running, signals))
        if form.running_above is not None:
            at = ("points", name, "running_above")
            what = f"{label_of(at)} has no effect, as pump_running says whether the pump runs"
            document.complain(at, what, "remove one of them", got="", warning=True)
    if form.hour_meter is not None:
        _judge_hour_meter(document, ("points", name, "hour_meter"), form.hour_meter, found)


def _stands_twice(found: RegisterMap, condition: str) -> bool:
    return any(condition in conditions_of(quantity) for quantity in found.quantities.values())


def _judge_hour_meter(document: Document, path: Path, wanted: str, found: RegisterMap) -> None:
    quantity = found.quantities.get(wanted)
    if quantity is None:
        durations = [name for name, each in found.quantities.items() if is_duration(each)]
        what = f"{label_of(path)} is not among the quantities of the map"
        document.complain(path, what, fields.suggestion(wanted, durations or found.quantities))
    elif not is_duration(quantity):
        what = f"{label_of(path)} is no duration in the map"
        document.complain(path, what, f'give {wanted} there a unit such as "h", "0.1 h", "min" or "s"')
    elif quantity.rhythm == ONCE:
        what = f"{label_of(path)} is read only at the start, and so has no effect"
        document.complain(path, what, f'write "every: 1 h" for {wanted} in the map', got="", warning=True)


def _judge_rhythm(document: Document, path: Path, found: RegisterMap, name: str) -> None:
    if found.books is not None and found.quantities[name].rhythm != found.books.rhythm:
        what = f"{label_of(path)} is read in another rhythm than the books' total, and so has no effect"
        document.complain(path, what, f'remove "every" of {name} in the map', got="", warning=True)


def _point(document: Document, name: str, form: PointForm, maps: Mapping[str, RegisterMap | None]) -> Point | None:
    path: Path = ("points", name)
    display = _display(document, (*path, "display"))
    _judge_possible(document, path)
    found = maps.get(form.map or "")
    every_ms = _every_ms(document, path, form)
    wells = wells_of(document, name, form)
    if document.faulty or found is None:
        return None
    possible = form.possible_rate or rate_through(sure(form.pipe))
    return Point(
        name,
        form.called or name,
        wells,
        sure(form.line),
        sure(form.address),
        sure(form.map),
        found,
        sure(every_ms),
        possible,
        form.pipe,
        form.running_above,
        display,
        form.counts_without_external_power,
        form.longest_outage,
        form.pump_running,
        form.hour_meter,
    )


def _every_ms(document: Document, path: Path, form: PointForm) -> int | None:
    if form.every is None:
        return None
    exact = form.every.si * 1000
    if exact.denominator != 1:
        at = (*path, "every")
        document.complain(at, f"{label_of(at)} must be whole milliseconds", "such as 1 s, 15 s or 1 min")
    return int(exact)


def _judge_possible(document: Document, path: Path) -> None:
    there = document.group(path)
    if there and "pipe" not in there and "possible_rate" not in there:
        what = f"{label_of(path)} says neither what passes through it nor how wide it is"
        do = 'add "pipe: 8 in" (its bore), or "possible_rate: 1500 gpm": it tells a rollover from a fault'
        document.complain(path, what, do, got="", key=True)


def rate_through(bore: Measure) -> Measure:
    """What passes at most through a full round pipe: its bore at 10 m/s, far above any pumped line (common practice).

    The area takes 355/113 for pi, exact as a fraction and 8.5e-8 above it, which is nothing beside the 10 m/s.
    """
    area = Fraction(355, 113) * (bore.si / 2) ** 2
    rate = area * 10
    return Measure(rate, "m3/s", rate * units.FLOWS["m3/s"])


def _display(document: Document, path: Path) -> Display | None:
    if path[-1] not in document.group(path[:-1]):
        return None
    form = fill(DisplayForm, document, path)
    return Display(form.one_count, form.digits) if form.one_count and form.digits else None


def _judge_unused(document: Document) -> None:
    """A line that no point hangs on would be opened for nothing; it is more likely a slip of the pen."""
    used = {str(document.at(("points", name, "line"))) for name in document.group(("points",))}
    for name in document.group(("lines",)):
        if used and name not in used and not document.faulty:
            what = f"{label_of(('lines', name))} has no point"
            document.complain(("lines", name), what, "add one, or remove the line", got="", key=True, warning=True)

"""Site files as people write them: what is taken, and each fault at its place."""

import re
from collections.abc import Mapping
from fractions import Fraction

import pytest

from tallywell.line.timing import ADAPTER_LATENCY_NS, LineSettings, Rs485
from tallywell.readings.problems import Problem
from tallywell.readings.units import FLOWS, VOLUMES, measure
from tallywell.service.site import Framing, Line, NetworkLine
from tallywell.service.site_file import Parity, PermitKind, Site, parse_site, rate_through

SITE = """\
site: Quail Flat Orchard
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/..., baud: 19200, parity: even}
wells:
  north: {called: Well 1, agency_id: 23-0417}
points:
  north-discharge: {well: north, line: field, address: 17, map: maps/inline-a.yaml, every: 1 min, pipe: 8 in, running_above: 20 gpm,
                    display: {one_count: 0.001 acre_foot, digits: 8}, counts_without_external_power: yes}
permits:
  P-2041: {kind: right, points: [{point: north-discharge, share: 1, from: 2025-10-01}], authorised: 420 acre_foot, year_starts: 10-01}
"""  # noqa: E501, as a user writes it
MAP = """\
map: inline-a
revision: 2
numbering: on_the_wire          # or one_based, or data_model (30001, 40001, 400001)
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
  status:        {table: holding, register: 20, type: bits, bits: {0: external_power, 2: {name: empty_pipe, means: not_counting}}}
"""  # noqa: E501, as a user writes it
MAPS = {"maps/inline-a.yaml": MAP}


def good(text: str, maps: Mapping[str, str] = MAPS) -> Site:
    site, problems = parse_site(text, "site.yaml", maps.__getitem__)
    assert problems == ()
    assert site is not None
    return site


def faults(text: str, maps: Mapping[str, str] = MAPS) -> list[str]:
    site, problems = parse_site(text, "site.yaml", maps.__getitem__)
    assert (site is None) == any(not problem.warning for problem in problems)
    return [str(problem) for problem in problems]


def only(problems: list[str]) -> str:
    """The one problem there is, without the file's name."""
    assert len(problems) == 1, problems
    return problems[0].removeprefix("site.yaml:")


def changed(*edits: tuple[str, str], text: str = SITE) -> str:
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_a_whole_site() -> None:
    site = good(SITE)
    assert (site.name, site.time_zone, site.zone.key, site.record) == (
        "Quail Flat Orchard", "America/Denver", "America/Denver", None,
    )  # fmt: skip
    line = site.lines["field"]
    assert isinstance(line, Line)
    assert (line.port, line.baud, line.parity, line.stop_bits) == ("/dev/serial/by-path/...", 19200, Parity.EVEN, 1)
    assert (site.wells["north"].called, site.wells["north"].agency_id) == ("Well 1", "23-0417")
    point = site.points["north-discharge"]
    assert [one.well for one in point.wells] == ["north"]
    assert (point.line, point.address, point.map_name) == ("field", 17, "maps/inline-a.yaml")
    assert (point.every_ms, point.counts_without_external_power) == (60_000, True)
    assert point.running_above == measure("20 gpm", "flow rate")
    assert point.display is not None
    assert (point.display.one_count.si, point.display.digits) == (VOLUMES["acre_foot"] / 1000, 8)
    assert point.map.books is not None
    permit = site.permits["P-2041"]
    assert (permit.kind, permit.year_starts) == (PermitKind.RIGHT, (10, 1))
    assert permit.authorised == measure("420 acre_foot", "volume")
    assert site.points_of("field") == (point,)
    assert site.points_of("hill") == ()


def test_a_site_is_built_again_from_stored_texts() -> None:
    assert good(SITE) == good(SITE, dict(MAPS))


def test_what_a_pipe_can_carry() -> None:
    """8 in = 0.2032 m at 10 m/s, pi as 355/113. pi/4 x 0.2032^2 x 10 = 0.32429279 m3/s, by pocket calculator."""
    rate = good(SITE).points["north-discharge"].possible_rate
    assert rate.si == Fraction(355, 113) * Fraction("0.1016") ** 2 * 10
    assert abs(rate.si - Fraction("0.32429279")) < Fraction("0.0000001")
    assert rate == rate_through(measure("8 in", "length"))


def test_a_stated_possible_rate_goes_before_the_pipe() -> None:
    point = good(changed(("pipe: 8 in", "pipe: 8 in, possible_rate: 900 gpm"))).points["north-discharge"]
    assert point.possible_rate.si == 900 * FLOWS["gpm"]


@pytest.mark.parametrize(
    ("written", "parity", "stop_bits"),
    [
        ("baud: 9600", Parity.EVEN, 1),
        ("baud: 9600, parity: none", Parity.NONE, 2),  # Modbus over Serial Line V1.02, 2.5.1
        ("baud: 9600, parity: none, stop_bits: 1", Parity.NONE, 1),
        ("baud: 9600, parity: odd", Parity.ODD, 1),
    ],
)
def test_characters_of_a_line(written: str, parity: Parity, stop_bits: int) -> None:
    line = good(changed(("baud: 19200, parity: even", written))).lines["field"]
    assert isinstance(line, Line)
    assert (line.parity, line.stop_bits) == (parity, stop_bits)
    assert line.bits_per_character == 10 + (parity is not Parity.NONE) + (stop_bits - 1)


def test_names_that_yaml_would_change_stay_names() -> None:
    text = changed(("  north: {called", "  NO: {called"), ("well: north", "well: NO"))
    assert list(good(text).wells) == ["NO"]
    assert (
        good(changed(("called: Well 1, agency_id: 23-0417", "called: 010, agency_id: 1:30"))).wells["north"].called
        == "010"
    )


def test_a_map_is_read_once_for_all_its_points() -> None:
    asked = []

    def read_map(name: str) -> str:
        asked.append(name)
        return MAP

    second = (
        "  south: {well: north, line: field, address: 18, map: maps/inline-a.yaml, every: 30 s, pipe: 6 in}\npermits:"
    )
    site, problems = parse_site(changed(("permits:", second)), "site.yaml", read_map)
    assert problems == ()
    assert site is not None
    assert asked == ["maps/inline-a.yaml"]
    assert site.points["south"].map is site.points["north-discharge"].map


TEN_IN_SITE = changed(
    ("America/Denver", "America/Denvr"),
    ("baud: 19200", "baud: fast"),
    ("agency_id", "agency_it"),
    ("well: north", "well: nroth"),
    ("address: 17", "address: 248"),
    ("every: 1 min", "every: 1"),
    ("20 gpm", "20 gal"),
    ("from: 2025-10-01", "from: 2025-13-01"),
    text=SITE,
)
TEN_IN_MAP = changed(("100 gal", "100 gpm"), ("holding, register: 20", "holding, register: 70000"), text=MAP)


def test_ten_planted_faults_are_ten_located_messages() -> None:
    found = faults(TEN_IN_SITE, {"maps/inline-a.yaml": TEN_IN_MAP})
    assert found == [
        (
            'site.yaml:2:12: time_zone must be a time zone such as America/Denver (got "America/Denvr"); '
            'did you mean "America/Denver"?'
        ),
        'site.yaml:4:48: line "field": baud must be a whole number from 300 to 4000000 (got "fast")',
        'site.yaml:6:27: well "north": unknown key "agency_it"; did you mean "agency_id"?',
        'site.yaml:8:27: point "north-discharge": well is not among the wells (got "nroth"); did you mean "north"?',
        'site.yaml:8:56: point "north-discharge": address must be a whole number from 1 to 247 (got "248")',
        'site.yaml:8:93: point "north-discharge": every must be a duration (got "1"); add a unit: ms, s, min, h, day',
        (
            'site.yaml:8:123: point "north-discharge": running_above must be a flow rate (got "20 gal"); '
            "'gal' is a volume, not a flow rate"
        ),
        (
            'site.yaml:11:75: permit "P-2041": points.1.from must be a date that exists, the year first, such as '
            '2026-07-01 (got "2025-13-01")'
        ),
        (
            'maps/inline-a.yaml:7:71: quantity "forward_total": one_count must be a volume (got "100 gpm"); '
            'did you mean "100 gal"?'
        ),
        (
            'maps/inline-a.yaml:8:45: quantity "status": register: with numbering on_the_wire a register is 0 to 65535 '
            '(got "70000")'
        ),
    ]


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        (("site: Quail Flat Orchard\n", ""), '1:1: the file needs "site"; add "site: Quail Flat Orchard"'),
        (("America/Denver", "localtime"), '2:12: time_zone must be a time zone .* (got "localtime")'),
        (("America/Denver", "denver"), '2:12: time_zone must be a time zone .* did you mean "America/Denver"'),
        (("America/Denver", "../../etc/passwd"), "2:12: time_zone must be a time zone such as America/Denver"),
        (("America/Denver", "America"), "2:12: time_zone must be a time zone such as America/Denver"),
        (("parity: even", "parity: mark"), '4:63: line "field": parity must be one of none, even, odd (got "mark")'),
        (("  field: {", "  fie ld: {"), ".*"),
        (("line: field", "line: hill"), '8:40: .*line is not among the lines (got "hill"); known are field'),
        (("every: 1 min", "every: 0.5 s"), '8:92: .*every must be a duration, from 1 s to 31 day (got "0.5 s")'),
        (("every: 1 min", "every: 1.0005 s"), '8:92: point "north-discharge": every must be whole milliseconds'),
        ((" pipe: 8 in,", ""), '8:3: .* says neither what passes through it nor how wide it is; add "pipe: 8 in"'),
        (("digits: 8}, counts", "digits: 8.5}, counts"), '9:67: .*display.digits must be a whole number from 1 to 20'),
        (
            ("display: {one_count: 0.001 acre_foot, digits: 8}", "display: "),
            '9:29: .*display must be a group of keys (got nothing)',
        ),
        (("power: yes", "power: maybe"), "9:102: .*counts_without_external_power must be yes, no or unknown"),
        (("maps/inline-a.yaml", "maps/other.yaml"), '8:65: .*map cannot be read: there is none of this name'),
        (("kind: right", "kind: license"), '11:18: .*kind must be one of right, licence, registration .*"licence"'),
        (("year_starts: 10-01", "year_starts: 02-29"), "11:129: .*year_starts must be a month and day of every year"),
        (("420 acre_foot", "420"), '11:101: permit "P-2041": authorised must be a volume (got "420"); add a unit'),
        (("share: 1,", "share: 0.5,"), '11:66: .*the shares of .* from 2025-10-01 sum to 1/2, not to 1'),
        (("{point: north-discharge", "{point: north"), '11:42: .*points.1.point is not among the points'),
    ],
)  # fmt: skip
def test_one_fault_is_one_message_at_its_place(edit: tuple[str, str], expected: str) -> None:
    found = faults(changed(edit))
    if expected == ".*":  # a name that is not usable, and a line that is not there by its old name
        assert len(found) == 2
        return
    said = only(found)
    pattern = ".*".join(re.escape(part) for part in expected.split(".*"))
    assert re.match(pattern, said), said


def with_points(*points: str) -> str:
    head = SITE[: SITE.index("points:")].replace("wells:", "  hill: {port: /dev/ttyS1, baud: 9600}\nwells:")
    return head + "points:\n" + "".join(f"  {point}\n" for point in points)


POINT = "{well: north, line: field, address: 17, map: maps/inline-a.yaml, every: 1 min, pipe: 8 in}"


def test_two_meters_at_one_address_of_a_line() -> None:
    found = only(faults(with_points(f"a: {POINT}", f"b: {POINT}")))
    assert found == (
        '10:42: point "b": address is that of point "a" (line 9, column 42) on line "field" (got "17"); '
        "two meters would answer at once; change one"
    )


def test_the_same_address_on_two_lines_is_fine() -> None:
    assert len(good(with_points(f"a: {POINT}", f"b: {POINT}".replace("field", "hill"))).points) == 2


NETWORK = "{port: /dev/serial/by-path/..., baud: 19200, parity: even}"


@pytest.mark.parametrize(
    ("written", "line"),
    [
        ("{host: 192.0.2.10}", NetworkLine("field", "192.0.2.10", 502, Framing.TCP)),
        ("{host: 192.0.2.10, tcp_port: 4001, framing: rtu}", NetworkLine("field", "192.0.2.10", 4001, Framing.RTU)),
        ('{host: "2001:DB8::a", framing: tcp}', NetworkLine("field", "2001:db8::a")),
    ],
)
def test_a_line_through_a_host(written: str, line: NetworkLine) -> None:
    assert good(changed((NETWORK, written))).lines["field"] == line


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("{host: gateway.example}", 'host must be an IP address such as 192.0.2.10 (got "gateway.example"); a name'),
        ("{host: 192.0.2.300}", "host must be an IP address"),
        ("{host: 224.0.0.1}", "host must be the address of one device"),
        ("{host: 0.0.0.0}", "host must be the address of one device"),
        ("{host: 192.0.2.10, tcp_port: 65536}", "tcp_port must be a whole number from 1 to 65535"),
        ("{host: 192.0.2.10, framing: ascii}", "framing must be one of tcp, rtu"),
        ("{host: 192.0.2.10, port: /dev/x, baud: 9600}", 'line "field" has both a serial port and a host'),
        ("{host: 192.0.2.10, baud: 9600}", "baud has no meaning for this line; remove it; how the line behind"),
        ("{host: 192.0.2.10, stop_bits: 1}", "stop_bits has no meaning for this line"),
        ("{port: /dev/x, baud: 9600, tcp_port: 502}", "tcp_port has no meaning for this line; remove it"),
        ("{port: /dev/x, baud: 9600, framing: rtu}", "framing has no meaning for this line"),
        ("{port: /dev/x}", 'line "field" needs "baud"; add "baud: 19200"'),
        ("{port: /dev/x, buad: 9600}", 'unknown key "buad"; did you mean "baud"?'),
        ("{hots: 192.0.2.10}", 'unknown key "hots"; did you mean "host"?'),
        ("{baud: 9600}", 'line "field" needs "port" or "host"; add "port: /dev/serial/by-path/..."'),
    ],
)
def test_a_line_is_a_port_or_a_host(written: str, expected: str) -> None:
    assert expected in only(faults(changed((NETWORK, written))))


def test_two_lines_to_one_host() -> None:
    hosts = "{host: 192.0.2.10}\n  hill: {host: 192.0.2.10, tcp_port: 502}"
    found = faults(changed((NETWORK, hosts)))
    assert any("host and its port are those of line" in fault for fault in found), found
    apart = changed((NETWORK, hosts.replace("tcp_port: 502", "tcp_port: 503")))
    assert all("warning" in fault for fault in faults(apart))


def test_two_lines_on_one_port() -> None:
    text = with_points(f"a: {POINT}", f"b: {POINT}".replace("field", "hill")).replace(
        "/dev/ttyS1", "/dev/serial/by-path/..."
    )
    assert only(faults(text)) == (
        '5:16: line "hill": port is that of line "field" (line 4, column 17) (got "/dev/serial/by-path/..."); '
        "give each line a port of its own, or make them one line"
    )


def test_warnings_stop_nothing() -> None:
    text = with_points(f"a: {POINT}").replace("/dev/serial/by-path/...", "/dev/ttyUSB0").replace("19200", "19201")
    site, problems = parse_site(text, "site.yaml", MAPS.__getitem__)
    assert site is not None
    assert [str(problem) for problem in problems] == [
        (
            'site.yaml:4:17: warning: line "field": port can name another adapter after the next start '
            '(got "/dev/ttyUSB0"); '
            "write its path in /dev/serial/by-path"
        ),
        'site.yaml:4:37: warning: line "field": baud is unusual (got "19201"); look at the meter\'s settings',
        'site.yaml:5:3: warning: line "hill" has no point; add one, or remove the line',
    ]


def test_a_numbered_port_is_better_named_by_the_link_that_leads_to_it() -> None:
    text = with_points(f"a: {POINT}").replace("/dev/serial/by-path/...", "/dev/ttyACM3")
    asked: list[str] = []

    def better(port: str) -> str | None:
        asked.append(port)
        return "/dev/serial/by-id/usb-adapter-if00"

    _, problems = parse_site(text, "site.yaml", MAPS.__getitem__, better_name=better)
    assert asked == ["/dev/ttyACM3"]
    assert str(problems[0]).endswith("; write /dev/serial/by-id/usb-adapter-if00, which leads to it now")


SERIAL = "{port: /dev/ttyS1, baud: 19200, parity: even"


@pytest.mark.parametrize(
    ("written", "how"),
    [
        ("}", None),
        (", rs485: kernel}", Rs485(rts_on_send=True, before_ms=0, after_ms=0)),
        (", rs485: kernel, rts_on_send: low, delay_before_send: 2 ms}", Rs485(rts_on_send=False, before_ms=2)),
        (", rs485: kernel, delay_after_send: 0.1 s}", Rs485(after_ms=100)),
    ],
)
def test_the_driver_may_switch_the_direction_of_the_pair(written: str, how: Rs485 | None) -> None:
    settings = good(changed((NETWORK, SERIAL + written))).lines["field"].settings
    assert isinstance(settings, LineSettings)
    assert settings.rs485 == how
    later_ns = 2_000_000 if how is not None and how.before_ms else 0
    assert settings.latency_ns == ADAPTER_LATENCY_NS + later_ns, "the request leaves that much later"


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (SERIAL + ", rs485: yes}", '4:63: line "field": rs485 must be one of kernel (got "yes")'),
        (SERIAL + ", rts_on_send: low}", '4:56: line "field": rts_on_send has no meaning without rs485'),
        ("{host: 192.0.2.10, rs485: kernel}", '4:29: line "field": rs485 has no meaning for this line; remove it'),
        (SERIAL + ", rs485: kernel, delay_after_send: 1 s}", ".* from 0 ms to 100 ms .*"),
    ],
)
def test_what_cannot_be_meant_of_the_direction(line: str, expected: str) -> None:
    said = only(faults(changed((NETWORK, line))))
    assert re.match(".*".join(map(re.escape, expected.split(".*"))), said), said


@pytest.mark.parametrize("address", [0, 255])
@pytest.mark.parametrize(
    ("line", "allowed"),
    [
        ("{host: 192.0.2.10}", True),
        ("{host: 192.0.2.10, framing: tcp}", True),
        ("{host: 192.0.2.10, framing: rtu}", False),
        (NETWORK, False),
    ],
)
def test_a_meter_itself_on_the_network_has_an_address_of_its_own(address: int, line: str, allowed: bool) -> None:
    """Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2: 0xFF, or 0."""
    text = changed((NETWORK, line), ("address: 17", f"address: {address}"))
    if allowed:
        assert good(text).points["north-discharge"].address == address
        return
    said = only(faults(text))
    assert said == (
        f'8:56: point "north-discharge": address must be from 1 to 247 on line "field" (got "{address}"); '
        "0 and 255 are for a meter that is itself on the network, on a line with a host and framing tcp"
    )


@pytest.mark.parametrize("zone", ["MST", "EST", "Etc/GMT+7"])
def test_a_zone_without_summer_time_is_asked_about(zone: str) -> None:
    assert only(faults(changed(("America/Denver", zone)))) == (
        f'2:12: warning: time_zone knows no summer time (got "{zone}"); unless that is meant, name a place, such as '
        "America/Denver"
    )


def test_a_map_without_a_total_and_without_a_flow_is_a_warning_each() -> None:
    status = MAP[: MAP.index("  flow_rate")] + MAP[MAP.index("  status") :]
    found = faults(SITE, {"maps/inline-a.yaml": status})
    assert [": warning: " in problem for problem in found] == [True, True]
    assert "has no total, so that no volume can be kept" in found[0]
    assert "running_above has no effect" in found[1]


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (FileNotFoundError(2, "No such file or directory"), "map cannot be read: no such file or directory"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad"), "map is no UTF-8 text"),
        (KeyError("maps/inline-a.yaml"), "map cannot be read: there is none of this name"),
        (ValueError("embedded null byte"), "map cannot be read: there is none of this name"),
    ],
)
def test_a_map_that_cannot_be_read_is_a_problem_where_it_is_named(error: Exception, says: str) -> None:
    def read_map(name: str) -> str:
        raise error

    site, problems = parse_site(SITE, "site.yaml", read_map)
    assert site is None
    (problem,) = problems
    assert (problem.line, problem.column) == (8, 65)
    assert says in problem.what


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "1:1: the file must be a group of keys (got nothing)"),
        ("just text", "1:1: the file must be a group of keys"),
        ("site: [", "1:8: this cannot be read as YAML"),
    ],
)
def test_what_is_no_site_file(text: str, says: str) -> None:
    assert only(faults(text)).startswith(says)


def test_problems_are_in_the_order_of_the_file_and_maps_come_after() -> None:
    _, problems = parse_site(TEN_IN_SITE, "site.yaml", lambda name: TEN_IN_MAP)
    places = [(problem.line, problem.column) for problem in problems if problem.file == "site.yaml"]
    assert places == sorted(places)
    assert [problem.file for problem in problems][-2:] == ["maps/inline-a.yaml"] * 2
    assert all(isinstance(problem, Problem) for problem in problems)

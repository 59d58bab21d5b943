"""The simulated site's text: three values exchanged, the rest as the user wrote it."""

import difflib
from pathlib import Path

import pytest
import yaml

from tallywell.service.stand_in import HEADER, stand_in

BLOCK = """\
# the north side
site: Quail Flat   # its name
time_zone: America/Denver
lines:
  field:
    port: /dev/serial/by-path/a   # the left adapter
    baud: 19200
    parity: even
  far: {baud: 9600, port: "/dev/serial/by-path/b"}   # new in spring
points: {}
"""
FLOW = (
    "{site: Quail Flat, record: /var/lib/x, lines: {field: {port: /dev/ttyS0}, far: {parity: odd, port: /dev/ttyS1}}}\n"
)
INDENTED = "\n  site: Quail Flat\n  lines:\n      field:\n          port: /dev/ttyS0\n      far:\n          port: b\n"
PORTS = {"field": "/srv/a b/site.simulated.field", "far": "/srv/site.simulated.far: #1"}


@pytest.mark.parametrize("text", [BLOCK, FLOW, INDENTED, "\ufeff" + BLOCK, BLOCK.replace("\n", "\r\n")])
def test_only_ports_parity_and_record_change(text: str) -> None:
    before, after = yaml.safe_load(text), yaml.safe_load(stand_in(text, PORTS, "quail.simulated.record"))
    for name, port in PORTS.items():
        before["lines"][name] |= {"port": port, "parity": "none"}
    assert after == before | {"record": "quail.simulated.record"}


def test_comments_and_order_stay() -> None:
    written = stand_in(BLOCK, PORTS, "quail.simulated.record")
    assert written.startswith(HEADER)
    changed = [line for line in difflib.ndiff(BLOCK.splitlines(), written.splitlines()) if line[0] in "+-"]
    assert changed == [
        "+ " + HEADER.strip(),
        '+ record: "quail.simulated.record"',
        "-     port: /dev/serial/by-path/a   # the left adapter",
        '+     port: "/srv/a b/site.simulated.field"   # the left adapter',
        "-     parity: even",
        "+     parity: none",
        '-   far: {baud: 9600, port: "/dev/serial/by-path/b"}   # new in spring',
        '+   far: {baud: 9600, port: "/srv/site.simulated.far: #1", parity: none}   # new in spring',
    ]


@pytest.mark.parametrize("name", ["quail-flat.yaml", "bench.yaml"])
def test_the_sample_sites_can_be_played(name: str) -> None:
    text = (Path(__file__).parents[2] / "configs" / name).read_text()
    before = yaml.safe_load(text)
    ports = {line: f"/dev/pts/{k}" for k, line in enumerate(before["lines"])}
    after = yaml.safe_load(stand_in(text, ports, "played.record"))
    assert after.pop("record") == "played.record"
    assert {line: (found["port"], found["parity"]) for line, found in after.pop("lines").items()} == {
        line: (port, "none") for line, port in ports.items()
    }
    before.pop("lines")
    assert after == before


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("hill: {host: 192.0.2.10, framing: rtu}", 'hill: {host: "127.0.0.1", tcp_port: 20001, framing: rtu}'),
        ("hill: {tcp_port: 4001, host: 192.0.2.10}", 'hill: {tcp_port: 20001, host: "127.0.0.1"}'),
        (
            "hill:\n    host: 192.0.2.10   # the pole\n    framing: tcp",
            'hill:\n    host: "127.0.0.1"\n    tcp_port: 20001   # the pole\n    framing: tcp',
        ),
    ],
)
def test_a_line_through_a_host_leads_to_the_loopback(written: str, expected: str) -> None:
    text = f"site: Quail Flat\nrecord: x\nlines:\n  {written}\n"
    stood = stand_in(text, {}, "x", {"hill": ("127.0.0.1", 20001)})
    assert stood == f'{HEADER}site: Quail Flat\nrecord: "x"\nlines:\n  {expected}\n'

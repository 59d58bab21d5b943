"""One poll now, without a daemon."""

import time
from pathlib import Path

import pytest

from tallywell.line.timing import SocketSettings
from tallywell.readings.clocks import Sync, Wake
from tallywell.readings.exchange import Ask
from tallywell.readings.faults import Fault
from tallywell.schedule.jumping_clock import JumpingClock
from tallywell.schedule.system_clock import SystemClock, boot_id
from tallywell.service.files import load_site
from tallywell.service.once import poll_once
from tallywell.service.world import World
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.station import Station
from tallywell.simulator.tcp_wire import TcpWire
from tests.service.test_daemon import START_NS, Stand
from tests.whole.site_on_ptys import MAP, site_text

DELAY_NS = 200_000_000  # the map's longest_delay


def test_what_a_run_before_may_be_owed_is_waited_for_once(tmp_path: Path) -> None:
    """It may have been killed in the middle of an exchange, and an answer does not say to which request it is one."""
    stand = Stand(tmp_path)
    stand.clock = JumpingClock(START_NS, participants=1)
    asked_ns: list[int] = []

    def note(_ask: Ask) -> Fault | None:
        asked_ns.append(stand.clock.boot_ns())
        return None

    stand.spoil = note
    points = tuple(stand.site.points.values())
    waited = []
    for _ in range(2):
        asked_ns.clear()
        jumps = Waits(stand.clock)
        world = World(jumps, stand.clock.boot_id, stand.log.append, stand.port)
        assert [poll.fault for poll in poll_once(stand.loaded, stand.site, points, world)] == [None, None]
        waited.append((len(jumps.until_ns), asked_ns[0] >= jumps.until_ns[0] if jumps.until_ns else True))
    assert waited[0] == (0, True), "nobody ran before"
    assert waited[1] == (1, True), "for all that hang on the line together"


class Waits(JumpingClock):
    """The same clock; notes what is waited for."""

    def __init__(self, clock: JumpingClock) -> None:
        self.clock = clock
        self.until_ns: list[int] = []

    def boot_ns(self) -> int:
        return self.clock.boot_ns()

    def utc_ns(self) -> int:
        return self.clock.utc_ns()

    def sync(self) -> Sync:
        return self.clock.sync()

    def wait(self, until_boot_ns: int, wake: Wake) -> None:
        self.until_ns.append(until_boot_ns)
        self.clock.wait(until_boot_ns, wake)


@pytest.mark.parametrize("address", [0, 255])
def test_a_meter_that_is_itself_on_the_network(tmp_path: Path, address: int) -> None:
    """Modbus Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2: unit identifier 0xFF, or 0."""
    (tmp_path / "panel.yaml").write_text(MAP, encoding="utf-8")
    site = tmp_path / "stand.yaml"
    text = site_text(1, 1).replace("address: 1,", f"address: {address},")
    site.write_text(text.replace("port: /dev/none-line0, baud: 115200, parity: none", "host: 127.0.0.1"))
    found = load_site(site).site
    assert found is not None
    meter = Meter(address, found.points["line0-p1"].map, Profile((Piece(0, 1_000_000),)))
    with TcpWire(Station([meter]), SocketSettings("127.0.0.1", 5020), lambda: time.time_ns() // 1_000_000) as wire:
        site.write_text(site.read_text().replace("host: 127.0.0.1", f"host: 127.0.0.1, tcp_port: {wire.tcp_port}"))
        loaded = load_site(site)
        assert loaded.site is not None, loaded.problems
        world = World(SystemClock(), boot_id(), lambda _line: None)
        (poll,) = poll_once(loaded, loaded.site, tuple(loaded.site.points.values()), world)
    assert (poll.fault, poll.got) == (None, 1)
    assert poll.forward is not None

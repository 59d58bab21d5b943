"""A simulated gateway on the loopback, asked by our own bus and by another library's client (pymodbus)."""

import socket
from collections.abc import Iterator

import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from tallywell.line.bus import Bus
from tallywell.line.timing import Framing, SocketSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.registers.quantity import RegisterMap
from tallywell.schedule.system_clock import SystemClock
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Profile
from tallywell.simulator.station import Station
from tallywell.simulator.tcp_wire import TcpWire

START = 1_772_348_400_000
PATIENT_NS = 20_000_000_000
FRAMERS: dict[Framing, FramerType] = {"tcp": FramerType.SOCKET, "rtu": FramerType.RTU}


@pytest.fixture(params=["tcp", "rtu"])
def framing(request: pytest.FixtureRequest) -> Framing:
    found: Framing = request.param
    return found


@pytest.fixture
def wire(plain: RegisterMap, steady: Profile, framing: Framing) -> Iterator[TcpWire]:
    station = Station([Meter(17, plain, steady, first_count=1000)], turnaround_ns=1_000_000)
    with TcpWire(station, SocketSettings("127.0.0.1", free_port(), framing), lambda: START + 400_000) as started:
        yield started


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


def test_our_bus_reads_the_total(wire: TcpWire, framing: Framing) -> None:
    settings = SocketSettings("127.0.0.1", wire.tcp_port, framing, latency_ns=20_000_000)
    buses = [Bus(settings, SystemClock()) for _ in range(2)]
    for bus in buses * 3:
        assert bus.exchange(Ask(17, Read(4, 2, 2), PATIENT_NS)).data == (1100).to_bytes(4, "big")
    assert buses[0].exchange(Ask(18, Read(4, 2, 2), 20_000_000)).fault is Fault.NO_ANSWER
    refused = buses[1].exchange(Ask(17, Read(4, 500, 2), PATIENT_NS))
    assert (refused.fault, refused.exception_code) == (Fault.EXCEPTION, 2)
    for bus in buses:
        bus.close()


def test_another_librarys_client_reads_it_too(wire: TcpWire, framing: Framing) -> None:
    client = ModbusTcpClient("127.0.0.1", port=wire.tcp_port, framer=FRAMERS[framing], timeout=20)
    assert client.connect()  # type: ignore[no-untyped-call] # the library has partial types
    for _ in range(5):
        assert client.read_input_registers(2, count=2, device_id=17).registers == [0, 1100]
    client.close()  # type: ignore[no-untyped-call] # the library has partial types


def test_a_port_that_is_taken_is_exchanged_for_a_free_one(wire: TcpWire, framing: Framing) -> None:
    other = TcpWire(Station([]), SocketSettings("127.0.0.1", wire.tcp_port, framing), lambda: START)
    assert other.tcp_port != wire.tcp_port
    other.stop()
    other.stop()

"""A simulated gateway on the loopback, asked by our own bus and by another library's client (pymodbus)."""

import socket
import time
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from tallywell.line.bus import Bus
from tallywell.line.timing import Framing, SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.registers.quantity import RegisterMap
from tallywell.schedule.system_clock import SystemClock
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Profile
from tallywell.simulator.station import Station
from tallywell.simulator.tcp_wire import TcpWire
from tallywell.simulator.trouble import RECIPES, Recipe, Trouble
from tests.line.campaign import LONGEST_NS, tell_tales

pytestmark = pytest.mark.alone

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


# --- troubles that a gateway lets through

LATENCY_NS = 20_000_000
PLAYED = [(recipe, framing) for recipe in RECIPES.values() for framing in sorted(recipe.through)]


def troubled(recipe: Recipe, framing: Framing, rate: int) -> TcpWire:
    settings = SocketSettings("127.0.0.1", free_port(), framing, LATENCY_NS)
    return TcpWire(
        Station(tell_tales()), settings, lambda: time.time_ns() // 1_000_000, troubles=[Trouble(recipe, rate=rate)]
    )


def asked(bus: Bus, unit: int) -> Outcome:
    """One poll, as the schedule does it: nobody is asked who owes an answer."""
    outcome = bus.exchange(Ask(unit, Read(4, 0, 4), LONGEST_NS))
    time.sleep(max(0, (outcome.owes_until_ns or 0) - SystemClock().boot_ns()) / 1e9)
    return outcome


@pytest.mark.parametrize(("recipe", "framing"), PLAYED, ids=[f"{recipe.name} {framing}" for recipe, framing in PLAYED])
def test_a_trouble_is_told_by_its_right_name(recipe: Recipe, framing: Framing) -> None:
    """Each answer is struck; what is told as a good reading is one. The gateway is away nearly all the time."""
    with troubled(recipe, framing, 6_000 if recipe.line else 100) as wire:
        bus = Bus(SocketSettings("127.0.0.1", wire.tcp_port, framing, LATENCY_NS), SystemClock())
        if recipe.line:
            time.sleep(0.1)
        outcomes = [asked(bus, unit) for unit in (17, 18)]
        bus.close()
    told = {outcome.fault for outcome in outcomes}
    assert told <= set(recipe.told_as or [None]), outcomes
    assert all(outcome.data is None for outcome in outcomes) is bool(recipe.told_as)


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_no_late_answer_is_taken_for_another(framing: Framing) -> None:
    """Half of the answers are late by a recipe; what is accepted is what the meter holds at that time, and no older."""
    with troubled(RECIPES["late_queued"], framing, 50) as wire:
        bus = Bus(SocketSettings("127.0.0.1", wire.tcp_port, framing, LATENCY_NS), SystemClock())
        told = Counter[str]()
        for number in range(30):
            read = Read(4, 10 * (number % 3), 4)
            sent_ms = time.time_ns() // 1_000_000
            outcome = bus.exchange(Ask(17, read, LONGEST_NS))
            told[str(outcome.fault)] += 1
            if outcome.data is not None:
                held = [tell_tales()[0].answer(4, read.register, 4, ms) for ms in range(sent_ms, sent_ms + 500)]
                assert outcome.data in held
            time.sleep(max(0, (outcome.owes_until_ns or 0) - SystemClock().boot_ns()) / 1e9)
        bus.close()
    print(told)
    assert told["None"] > 5
    assert told["no_answer"] > 5


def test_a_gateway_that_restarts_is_there_again_at_the_same_port() -> None:
    settings = SocketSettings("127.0.0.1", free_port(), "tcp", LATENCY_NS)
    with TcpWire(
        Station(tell_tales()), settings, lambda: START, troubles=[Trouble(RECIPES["unplugged"], rate=30)]
    ) as wire:
        bus = Bus(SocketSettings("127.0.0.1", wire.tcp_port, "tcp", LATENCY_NS), SystemClock())
        came: list[bool] = []
        until = time.monotonic() + 30
        while turns(came) < 2 and time.monotonic() < until:
            came.append(asked(bus, 17).data is not None)
        bus.close()
    assert turns(came) >= 2, "away and back"


def turns(came: list[bool]) -> int:
    return sum(before != after for before, after in pairwise(came))


def test_what_no_gateway_lets_through_is_refused() -> None:
    with pytest.raises(ValueError, match="noise does not come through framing tcp"):
        troubled(RECIPES["noise"], "tcp", 100)

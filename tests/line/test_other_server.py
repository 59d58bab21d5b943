"""Our bus as client of another library's server (pymodbus), on the loopback: Modbus TCP, and serial frames in TCP."""

import asyncio
import random
import socket
import threading
from collections.abc import Iterator

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tallywell.line.bus import Bus
from tallywell.line.timing import Framing, SocketSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.system_clock import SystemClock

pytestmark = pytest.mark.alone

SEED = 20261201
REGISTERS = 400
PATIENT_NS = 20_000_000_000
FRAMERS: dict[Framing, FramerType] = {"tcp": FramerType.SOCKET, "rtu": FramerType.RTU}


def words_of(unit: int) -> list[int]:
    return random.Random(f"{SEED} {unit}").choices(range(0x10000), k=REGISTERS)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


class OtherServer:
    """The other library's server in a thread of its own."""

    def __init__(self, framing: Framing) -> None:
        self.port = free_port()
        self._framer = FRAMERS[framing]
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(30)

    async def _serve(self) -> None:
        devices = [
            SimDevice(unit, simdata=[SimData(0, values=words_of(unit), datatype=DataType.REGISTERS)]) for unit in (1, 2)
        ]
        self._loop = asyncio.get_running_loop()
        self._server = ModbusTcpServer(devices, framer=self._framer, address=("127.0.0.1", self.port))
        await self._server.serve_forever(background=True)
        self._end = asyncio.Event()
        self._ready.set()
        await self._end.wait()
        await self._server.shutdown()  # type: ignore[no-untyped-call] # the library has partial types

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(timeout=30)


@pytest.fixture(params=["tcp", "rtu"])
def bus(request: pytest.FixtureRequest) -> Iterator[Bus]:
    server = OtherServer(request.param)
    made = Bus(SocketSettings("127.0.0.1", server.port, request.param), SystemClock())
    yield made
    made.close()
    server.end()


def test_random_reads(bus: Bus) -> None:
    """A hundred reads of two units by functions 3 and 4; every word is the server's."""
    print("seed", SEED)
    chance = random.Random(SEED)
    for _ in range(100):
        unit, register, words = chance.choice((1, 2)), chance.randrange(REGISTERS - 125), chance.randint(1, 125)
        outcome = bus.exchange(Ask(unit, Read(chance.choice((3, 4)), register, words), PATIENT_NS))
        assert outcome.fault is None, outcome
        assert outcome.refused == ()
        expected = words_of(unit)[register : register + words]
        assert outcome.data == b"".join(word.to_bytes(2, "big") for word in expected)


def test_its_exception(bus: Bus) -> None:
    """Modbus Application Protocol V1.1b3, section 7: code 2, no such register."""
    outcome = bus.exchange(Ask(1, Read(3, REGISTERS, 1), PATIENT_NS))
    assert (outcome.fault, outcome.exception_code) == (Fault.EXCEPTION, 2)

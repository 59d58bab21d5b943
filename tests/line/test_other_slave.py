"""Our bus as master of another library's slave (pymodbus), over a cable of two pseudo-terminals at the real pace."""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tallywell.line.bus import Bus
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.system_clock import SystemClock

if TYPE_CHECKING:
    from tests.line.conftest import Paced, Pair

pytestmark = pytest.mark.alone

SEED = 20260702
BAUD = 115_200
REGISTERS = 400


def words_of(unit: int) -> list[int]:
    return random.Random(f"{SEED} {unit}").choices(range(0x10000), k=REGISTERS)


class Slave:
    """The other library's server in a thread of its own."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(30)

    async def _serve(self) -> None:
        devices = [
            SimDevice(unit, simdata=[SimData(0, values=words_of(unit), datatype=DataType.REGISTERS)]) for unit in (1, 2)
        ]
        self._loop = asyncio.get_running_loop()
        self._server = ModbusSerialServer(devices, framer=FramerType.RTU, port=self._path, baudrate=BAUD)
        await self._server.serve_forever(background=True)
        self._end = asyncio.Event()
        self._ready.set()
        await self._end.wait()
        await self._server.shutdown()  # type: ignore[no-untyped-call] # the library has partial types

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(timeout=30)


@pytest.fixture
def bus(pair: Pair, other_pair: Pair, paced_of: Callable[[LineSettings], Paced]) -> Iterator[Bus]:
    cable = paced_of(LineSettings(pair.path, BAUD))
    cable.carry(pair.master, other_pair.master)
    cable.carry(other_pair.master, pair.master)
    slave = Slave(other_pair.path)
    made = Bus(LineSettings(pair.path, BAUD), SystemClock())
    yield made
    made.close()
    slave.end()


def test_random_reads(bus: Bus) -> None:
    """Three hundred reads of two units by functions 3 and 4; every word is the slave's."""
    print("seed", SEED)
    chance = random.Random(SEED)
    for _ in range(300):
        unit, register, words = chance.choice((1, 2)), chance.randrange(REGISTERS - 125), chance.randint(1, 125)
        outcome = bus.exchange(Ask(unit, Read(chance.choice((3, 4)), register, words), 2_000_000_000))
        assert outcome.fault is None, outcome
        expected = words_of(unit)[register : register + words]
        assert outcome.data == b"".join(word.to_bytes(2, "big") for word in expected)


def test_its_exception(bus: Bus) -> None:
    """Modbus Application Protocol V1.1b3, section 7: code 2, no such register."""
    outcome = bus.exchange(Ask(1, Read(3, REGISTERS, 1), 2_000_000_000))
    assert (outcome.fault, outcome.exception_code) == (Fault.EXCEPTION, 2)

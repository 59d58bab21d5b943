"""The simulated line as a serial device, asked byte by byte and by another library's master."""

import os
import random
import select
import struct
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import minimalmodbus
import pytest

from tallywell.line.frame import request
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read
from tallywell.registers.quantity import RegisterMap
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Profile
from tallywell.simulator.station import Served, Station
from tallywell.simulator.wire import Wire

pytestmark = pytest.mark.alone

START = 1_772_348_400_000
SETTINGS = LineSettings("", baud=115_200, parity="none")
SILENCE_NS = SETTINGS.silence_ns


class Now:
    """The true time, as the test sets it."""

    def __init__(self) -> None:
        self.utc_ms = START

    def __call__(self) -> int:
        return self.utc_ms


@pytest.fixture
def now() -> Now:
    return Now()


@pytest.fixture
def served() -> list[Served]:
    return []


@pytest.fixture
def wire(plain: RegisterMap, crossed: RegisterMap, steady: Profile, now: Now, served: list[Served]) -> Iterator[Wire]:
    station = Station([Meter(17, plain, steady, first_count=1000), Meter(18, crossed, steady, first_count=70_000)])
    with Wire(station, SETTINGS, now, served.append) as started:
        yield started


@contextmanager
def opened(path: str) -> Iterator[int]:
    port = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        yield port
    finally:
        os.close(port)


def heard(port: int, length: int, patience_s: float = 5.0) -> bytes:
    """`length` bytes, or what came until patience ended."""
    got = b""
    while len(got) < length and select.select([port], [], [], patience_s)[0]:
        got += os.read(port, 512)
    return got


def test_a_frame_is_answered_with_the_words_of_its_instant(wire: Wire, now: Now, served: list[Served]) -> None:
    now.utc_ms = START + 400_000
    with opened(wire.path) as port:
        os.write(port, request(17, Read(4, 2, 2)))
        reply = heard(port, 9)
    assert reply[:3] == bytes((17, 4, 4))
    assert struct.unpack(">I", reply[3:7]) == (1100,)
    assert [(s.utc_ms, s.address, s.function, s.register, s.words, s.data) for s in served] == [
        (START + 400_000, 17, 4, 2, 2, reply[3:7])
    ]


def in_two_lumps(port: int, asked: bytes) -> int:
    """How much is answered; nothing where this thread was left waiting between the lumps, as on a busy machine."""
    os.write(port, asked[:5])
    os.write(port, asked[5:])
    return len(heard(port, 9, 0.1))


def test_silence_ends_a_frame(wire: Wire) -> None:
    """Modbus over Serial Line V1.02, 2.5.1.1: what is apart by 3.5 characters is not one frame."""
    asked = request(17, Read(4, 2, 2))
    with opened(wire.path) as port:
        os.write(port, asked[:5])
        time.sleep(SILENCE_NS * 20 / 1e9)
        os.write(port, asked[5:])
        assert heard(port, 1, 0.1) == b""
        os.write(port, asked + asked[:1])
        assert heard(port, 1, 0.1) == b""
        assert any(in_two_lumps(port, asked) == 9 for _ in range(20)), "a pause below the silence ends no frame"


def test_the_reader_may_close_and_come_back(wire: Wire) -> None:
    for _ in range(5):
        with opened(wire.path) as port:
            os.write(port, request(18, Read(3, 100, 1)))
            assert len(heard(port, 7)) == 7


def test_answers_that_nobody_takes_are_lost_and_the_line_lives_on(wire: Wire) -> None:
    with opened(wire.path) as port:
        for _ in range(300):  # 300 x 25 bytes fill the kernel's buffer
            os.write(port, request(17, Read(4, 0, 9)))
            time.sleep(2 * SILENCE_NS / 1e9)
    with opened(wire.path) as port:
        heard(port, 10**6, 0.1)
        os.write(port, request(18, Read(3, 100, 1)))
        assert len(heard(port, 7)) == 7


def test_stop_takes_the_pseudo_terminal_away(plain: RegisterMap, steady: Profile, now: Now) -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    wire = Wire(Station([Meter(17, plain, steady)]), SETTINGS, now).start()
    with opened(wire.path):
        pass
    wire.stop()
    wire.stop()
    assert not Path(wire.path).exists()
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_reader_that_hangs_up_while_the_line_stops_does_no_harm(
    plain: RegisterMap, steady: Profile, now: Now
) -> None:
    for _ in range(20):
        with Wire(Station([Meter(17, plain, steady)]), SETTINGS, now) as wire, opened(wire.path) as port:
            tty.setraw(port)
            os.write(port, request(17, Read(4, 0, 2)))


def master(wire: Wire, address: int) -> minimalmodbus.Instrument:
    """minimalmodbus 2.1.1 (https://pypi.org/project/minimalmodbus/), a master written by others, unchanged."""
    instrument = minimalmodbus.Instrument(wire.path, address, close_port_after_each_call=True)
    instrument.serial.baudrate = 115_200
    instrument.serial.timeout = 2.0
    return instrument


def bytes_of(words: list[int]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


def plain_count(data: bytes) -> int:
    return int(struct.unpack(">I", data[4:8])[0])


def crossed_count(data: bytes) -> int:
    return int(struct.unpack("<Q", data[2:10])[0])


class Asked(NamedTuple):
    address: int
    function: int
    register: int
    words: int
    count: Callable[[bytes], int]
    first: int


@pytest.mark.parametrize(
    "asked",
    [Asked(17, 4, 0, 9, plain_count, 1000), Asked(18, 3, 100, 7, crossed_count, 70_000)],
    ids=["high word first", "low word and low byte first"],
)
def test_another_librarys_master_reads_the_truth(wire: Wire, now: Now, steady: Profile, asked: Asked) -> None:
    instrument = master(wire, asked.address)
    dice = random.Random(asked.address)
    for _ in range(200):
        now.utc_ms = START + dice.randrange(10_000_000)
        data = bytes_of(instrument.read_registers(asked.register, asked.words, asked.function))
        assert asked.count(data) == asked.first + int(steady.volume(now.utc_ms))


def test_another_librarys_master_decodes_the_same_numbers_and_sees_the_refusals(wire: Wire, now: Now) -> None:
    """minimalmodbus's own decoding of floats and of words in low-first order (its BYTEORDER_LITTLE)."""
    now.utc_ms = START + 100_000
    plain, crossed = master(wire, 17), master(wire, 18)
    assert plain.read_float(0, 4) == pytest.approx(1500.0)
    assert plain.read_long(2, 4) == 1025
    assert plain.read_register(8, 0, 4) == 1
    assert crossed.read_long(101, 3, byteorder=minimalmodbus.BYTEORDER_LITTLE, number_of_registers=4) == 70_025
    with pytest.raises(minimalmodbus.IllegalRequestError):
        plain.read_register(50, 0, 4)
    with pytest.raises(minimalmodbus.IllegalRequestError):
        plain.write_register(0, 1, functioncode=6)

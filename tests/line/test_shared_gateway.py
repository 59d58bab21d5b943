"""One gateway, one serial line behind it, several masters: each waits for the others, and nobody gets another's answer.

The gateway asks its meters one request after the other, as a serial line forces it to, whoever asked; it may give up a
late meter, and then has that one's answer in its buffer when it asks for the next master.
"""

import hashlib
import os
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from tallywell.line import mbap
from tallywell.line.bus import Bus
from tallywell.line.timing import SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.system_clock import SystemClock
from tests.line.servers import readable

pytestmark = pytest.mark.alone

MS = 1_000_000
MASTERS, POLLS = 4, 40
LATENCY_NS = 400 * MS  # of the gateway, all other masters served first
LONGEST_NS = 100 * MS
UNITS = (17, 18)


def held(unit: int, register: int, count: int) -> bytes:
    """What a meter answers to the gateway's request number `count`: another content each time."""
    return hashlib.blake2b(struct.pack(">BHI", unit, register, count), digest_size=8).digest()


class SharedGateway:
    """Takes any number of masters. `late`: after how many requests the meter's answer misses its own, and comes as the
    answer to the gateway's next one, under the next one's number; None: never.
    """

    def __init__(self, late: int | None = None) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.said: dict[bytes, tuple[int, int, int]] = {}  # content -> unit, register, when it was asked for (ns)
        self._late, self._kept = late, dict[int, bytes]()
        self._count = 0
        self._pair = threading.Lock()  # one wire: one exchange at a time
        self._stopping, self._stop = os.pipe()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def end(self) -> None:
        os.write(self._stop, b"x")
        for thread in self._threads:
            thread.join(30)
        self._listener.close()
        os.close(self._stop)
        os.close(self._stopping)

    def _accept(self) -> None:
        while self._stopping not in readable(self._listener.fileno(), self._stopping):
            connection, _ = self._listener.accept()
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with connection:
            while self._stopping not in readable(connection.fileno(), self._stopping):
                if not (chunk := connection.recv(260)):
                    return
                found = mbap.first_frame(chunk)
                assert found is not None
                if answer := self._exchanged(found):
                    connection.sendall(answer)

    def _exchanged(self, found: mbap.Frame) -> bytes:
        read = mbap.asked_read(found)
        assert read is not None
        with self._pair:
            self._count += 1
            content = held(found.unit, read.register, self._count)
            self.said[content] = found.unit, read.register, time.clock_gettime_ns(time.CLOCK_BOOTTIME)
            time.sleep(0.004)
            owed = self._kept.pop(found.unit, None)
            if owed is not None:
                self._kept[found.unit] = content
                content = owed
            elif self._late is not None and self._count % self._late == 0:
                self._kept[found.unit] = content
                return b""
        return mbap.reply(found.transaction, found.unit, read.function, content)


@pytest.fixture
def shared() -> Iterator[Callable[..., SharedGateway]]:
    made: list[SharedGateway] = []

    def build(late: int | None = None) -> SharedGateway:
        made.append(SharedGateway(late))
        return made[-1]

    yield build
    for gateway in made:
        gateway.end()


def polled(port: int, register: int) -> list[Outcome]:
    """One master that asks its own register of both meters in turn."""
    bus = Bus(SocketSettings("127.0.0.1", port, "tcp", LATENCY_NS), SystemClock())
    outcomes = [bus.exchange(Ask(UNITS[n % 2], Read(4, register, 4), LONGEST_NS)) for n in range(POLLS)]
    bus.close()
    return outcomes


def test_masters_of_one_gateway_get_their_own_answers(shared: Callable[..., SharedGateway]) -> None:
    gateway = shared()
    with ThreadPoolExecutor(MASTERS) as at_once:
        all_outcomes = list(at_once.map(lambda n: polled(gateway.port, 10 * n), range(MASTERS)))
    for number, outcomes in enumerate(all_outcomes):
        assert [outcome.fault for outcome in outcomes] == [None] * POLLS
        for outcome in outcomes:
            assert outcome.data is not None
            unit, register, asked_ns = gateway.said[outcome.data]
            assert (unit, register) == (outcome.ask.address, 10 * number)
            assert outcome.ended_ns >= asked_ns >= outcome.sent_ns


def test_what_the_gateway_kept_for_another_master_cannot_be_told(shared: Callable[..., SharedGateway]) -> None:
    """The number guards the way to the gateway, not the wires behind it: here a meter's late answer to one master is
    given to another, under that one's number. Nothing in the frame shows it where both answers are equally long; a
    read of a length of its own does.
    """
    gateway = shared(late=3)
    first, second = (Bus(SocketSettings("127.0.0.1", gateway.port, "tcp", 50 * MS), SystemClock()) for _ in range(2))
    told = Counter[Fault | None]()
    for n in range(3):
        told[first.exchange(Ask(17, Read(4, n, 4), 50 * MS)).fault] += 1
    taken = second.exchange(Ask(17, Read(4, 10, 4), LONGEST_NS))
    apart = second.exchange(Ask(17, Read(4, 20, 5), LONGEST_NS))
    for bus in (first, second):
        bus.close()
    assert told == {None: 2, Fault.NO_ANSWER: 1}
    assert taken.data is not None
    assert gateway.said[taken.data][:2] == (17, 2)
    assert apart.fault is Fault.WRONG_BYTE_COUNT

"""Whatever an operating system answers, at whichever call: the exchange ends, nothing is raised, the port comes back.

The failures are planted where the port makes its calls: os, select, termios, fcntl and the serial library. Behind them
is one meter, and no time passes but that which is waited for.
"""

from __future__ import annotations

import errno
import fcntl
import os
import random
import select
import termios
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest
import serial

from tallywell.line import bus as bus_file
from tallywell.line import frame
from tallywell.line import port as port_file
from tallywell.line.away import Back, Lost, PortAway, Reason
from tallywell.line.bus import Bus
from tallywell.line.port import PortLost, Wake
from tallywell.line.timing import AnySettings, LineSettings, SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.system_clock import SystemClock

MS = 1_000_000
SEED = 20261125
ASK = Ask(17, Read(3, 0x6B, 3), 20 * MS)
WORDS = bytes.fromhex("022b00000064")
NUMBERS = sorted(errno.errorcode)
FAILURES: list[Callable[[], BaseException]] = [
    *(lambda number=number: OSError(number, os.strerror(number)) for number in NUMBERS),
    *(lambda number=number: termios.error(number, os.strerror(number)) for number in NUMBERS),
    *(lambda number=number: serial.SerialException(number, "as pyserial says it") for number in NUMBERS),
    lambda: serial.SerialException("could not configure port"),
    serial.PortNotOpenError,
    lambda: OSError("without a number"),
    lambda: termios.error("without a number"),
    lambda: ValueError("file descriptor cannot be a negative integer (-1)"),
]
DEVICE = 1234  # no descriptor of this process


class Moved(SystemClock):
    """Moved by what waits."""

    now_ns = 0

    def boot_ns(self) -> int:
        return self.now_ns

    def add(self, for_ns: int) -> None:
        self.now_ns += max(0, for_ns)


@dataclass
class Kernel:
    """What the port calls, answered by one adapter with one meter. `fail` says, call by call, what goes wrong."""

    clock: Moved
    fail: Callable[[str], BaseException | bytes | None] = lambda _call: None
    open: bool = False
    waiting: bytes = b""
    calls: list[str] = field(default_factory=list)

    def call(self, name: str) -> bytes | None:
        self.calls.append(name)
        found = self.fail(name)
        if isinstance(found, BaseException):
            raise found
        return found

    # serial
    def make(self, **_: object) -> Kernel:
        self.call("open")
        assert not self.open, "one owner"
        self.open, self.waiting = True, b""
        return self

    def fileno(self) -> int:
        return DEVICE

    def close(self) -> None:
        self.open = False
        self.call("close")

    # os
    def read(self, _fd: int, _most: int) -> bytes:
        assert self.open
        if (instead := self.call("read")) is not None:
            return instead
        if not self.waiting:
            raise BlockingIOError
        chunk, self.waiting = self.waiting, b""
        return chunk

    def write(self, _fd: int, request: bytes) -> int:
        assert self.open
        if (instead := self.call("write")) is not None:
            return len(instead)
        found = frame.parse_request(request)
        assert found is not None
        self.waiting += frame.reply(found[0], found[1].function, WORDS)
        return len(request)

    # select
    def select(
        self, watched: list[int], _w: object, _x: object, seconds: float
    ) -> tuple[list[int], list[int], list[int]]:
        self.call("select" if DEVICE in watched else "select for the next try")
        if not (self.waiting and DEVICE in watched):
            self.clock.now_ns += int(seconds * 1e9) + port_file.SPIN_NS
        else:
            self.clock.now_ns += 30 * MS
        return [], [], []

    # termios and fcntl
    def tcgetattr(self, _fd: int) -> list[object]:
        self.call("tcgetattr")
        return [0, 0, 0, 0, 0, 0, [b"\0"] * 32]

    def tcsetattr(self, _fd: int, _when: int, _attributes: object) -> None:
        self.call("tcsetattr")

    def fcntl(self, _fd: int, _what: int, _value: int = 0) -> int:
        self.call("fcntl")
        return 0


CALLS = ("open", "tcgetattr", "tcsetattr", "fcntl", "read", "write", "select", "select for the next try", "close")


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    made = Kernel(Moved())

    class Os:
        read, path, strerror, major = made.read, os.path, os.strerror, os.major
        pipe2, close, O_NONBLOCK, O_CLOEXEC = os.pipe2, os.close, os.O_NONBLOCK, os.O_CLOEXEC

        @staticmethod
        def write(fd: int, content: bytes) -> int:
            return made.write(fd, content) if fd == DEVICE else os.write(fd, content)

    monkeypatch.setattr(port_file, "os", Os)
    monkeypatch.setattr(select, "select", made.select)
    monkeypatch.setattr(serial, "Serial", made.make)
    monkeypatch.setattr(termios, "tcgetattr", made.tcgetattr)
    monkeypatch.setattr(termios, "tcsetattr", made.tcsetattr)
    monkeypatch.setattr(fcntl, "fcntl", made.fcntl)
    monkeypatch.setattr(port_file, "_is_pseudo_terminal", lambda _path: True)
    return made


@pytest.fixture
def bus(kernel: Kernel) -> Iterator[Bus]:
    made = Bus(LineSettings("/dev/none", 19_200, "none"), kernel.clock)
    yield made
    kernel.fail = lambda _call: None
    made.close()


def asked(bus: Bus, kernel: Kernel) -> Outcome:
    """As the schedule asks: not before the unit owes nothing; a second between two polls, the port looked at in it."""
    kernel.clock.now_ns += 500 * MS
    bus.look()
    kernel.clock.now_ns += 500 * MS
    outcome = bus.exchange(ASK)
    if outcome.owes_until_ns is not None:
        kernel.clock.now_ns = max(kernel.clock.now_ns, outcome.owes_until_ns)
    return outcome


def is_told(bus: Bus) -> list[type]:
    """Going and coming take turns, and the last says how it is."""
    return [type(change) for change in bus.changes() if not (isinstance(change, Lost) and change.again)]


def fails(made: Callable[[], BaseException | bytes], *calls: str) -> Callable[[str], BaseException | bytes | None]:
    return lambda name: made() if name in calls else None


@pytest.mark.parametrize("call", CALLS)
def test_each_failure_at_each_call(bus: Bus, kernel: Kernel, call: str) -> None:
    """Once the port is open and answers, each call fails in each way, a few times over, and then answers again."""
    assert asked(bus, kernel).data == WORDS
    failures: list[Callable[[], BaseException | bytes]] = [*FAILURES, *((bytes,) if call in ("read", "write") else ())]
    for made in failures:
        kernel.fail = fails(made, call)
        outcomes = [asked(bus, kernel) for _ in range(3)]
        if call not in ("read", "write", "select"):  # reached only when the port is lost
            kernel.fail = fails(made, call, "read")
            outcomes += [asked(bus, kernel) for _ in range(3)]
        assert {outcome.fault for outcome in outcomes} <= {None, Fault.PORT_LOST, Fault.NO_ANSWER}
        kernel.fail = lambda _name: None
        for _ in range(3):
            last = asked(bus, kernel)
        assert (last.data, bus.trouble) == (WORDS, None), f"{made()!r} at {call}: it works again"
        kinds = is_told(bus)
        assert kinds == [Lost, Back] * (len(kinds) // 2), "each going once, and each return"


def test_a_thousand_random_sequences(bus: Bus, kernel: Kernel) -> None:
    print(f"seed {SEED}")
    dice = random.Random(SEED)
    good = away = 0
    for _ in range(1000):
        rate, begun = dice.choice((0.02, 0.2, 0.9)), len(kernel.calls)

        def failing(name: str, rate: float = rate) -> BaseException | bytes | None:
            if dice.random() >= rate:
                return None
            if name in ("read", "write") and dice.random() < 0.2:
                return b""  # end of file; a port that takes nothing
            return dice.choice(FAILURES)()

        kernel.fail = failing
        outcomes = [asked(bus, kernel) for _ in range(dice.randint(1, 4))]
        assert len(kernel.calls) - begun < 400, "no loop without a wait in it"
        good += sum(outcome.data == WORDS for outcome in outcomes)
        away += sum(outcome.fault is Fault.PORT_LOST for outcome in outcomes)
        assert all(outcome.data in (None, WORDS) for outcome in outcomes)
        kernel.fail = lambda _name: None
        assert [asked(bus, kernel).data for _ in range(3)][-1] == WORDS, "it comes back by itself"
        kinds = is_told(bus)
        assert kinds == [Lost, Back] * (len(kinds) // 2)
    print(f"{good} good, {away} lost, {len(kernel.calls)} calls")
    assert good > 300
    assert away > 300


def test_what_is_not_the_line_s_fault_is_not_taken_for_it(bus: Bus, kernel: Kernel) -> None:
    """A fault of this program must end it loudly: nobody mends what looks like a pulled adapter."""

    def broken(_name: str) -> BaseException:
        return ZeroDivisionError("a fault of ours")

    kernel.fail = broken
    with pytest.raises(ZeroDivisionError):
        bus.exchange(ASK)


@pytest.mark.parametrize("settings", [LineSettings("/dev/none"), SocketSettings("127.0.0.1")])
def test_whatever_an_opened_port_loses(settings: AnySettings, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same one layer higher, for a connection as well: each method of what was opened says that it is lost."""
    clock = Moved()
    monkeypatch.setattr(bus_file, "wait_for", lambda _descriptors, for_ns: clock.add(for_ns))

    class Fragile:
        device = "none"

        def __init__(self, breaks: str) -> None:
            self.breaks = breaks

        def _do(self, name: str) -> None:
            if self.breaks == name:
                raise PortLost(f"{name} failed")

        def read(self) -> bytes:
            self._do("read")
            return b""

        def write(self, _frame: bytes) -> None:
            self._do("write")

        def wait(self, for_ns: int) -> None:
            clock.add(for_ns)
            self._do("wait")

        def close(self) -> None:
            self._do("close")

    kinds = iter(["read", "write", "wait", "close", "open", "read"] * 4 + [""] * 50)

    def open_as(_settings: AnySettings, _wake: Wake) -> Fragile:
        if (kind := next(kinds)) == "open":
            raise PortAway("it is away", Reason.GONE)
        return Fragile(kind)

    bus = Bus(settings, clock, open_as)
    faults = set()
    for _ in range(60):
        clock.now_ns += 10_000 * MS
        bus.look()
        clock.now_ns += 10_000 * MS
        faults.add(bus.exchange(ASK).fault)
    assert faults == {Fault.PORT_LOST, Fault.NO_ANSWER}
    assert bus.trouble is None
    bus.close()


class TestStop:
    """From another thread, at any instant of a port that keeps going and coming back."""

    def test_while_it_reconnects(self) -> None:
        dice = random.Random(SEED)
        for _ in range(40):
            refused = threading.Event()

            def refuse(_settings: AnySettings, _wake: Wake, refused: threading.Event = refused) -> port_file.SerialPort:
                refused.set()
                raise PortAway("it is away", Reason.GONE)

            bus = Bus(LineSettings("/dev/none"), SystemClock(), refuse)
            faults: list[Fault | None] = []

            def ask(bus: Bus = bus, faults: list[Fault | None] = faults) -> None:
                while not faults or faults[-1] is not Fault.STOPPED:
                    faults.append(bus.exchange(ASK).fault)
                    bus.look()
                bus.close()

            thread = threading.Thread(target=ask)
            thread.start()
            assert refused.wait(30)
            time.sleep(dice.uniform(0, 0.1))
            bus.stop()
            thread.join(30)
            assert not thread.is_alive()
            assert set(faults[:-1]) == {Fault.PORT_LOST}
            bus.stop()

    def test_a_wake_that_is_closed_ends_no_thread(self) -> None:
        """As when somebody closes too soon: the exchange says that there is no port, and does not spin."""
        bus = Bus(LineSettings("/dev/none"), SystemClock())
        assert bus.exchange(ASK).fault is Fault.PORT_LOST
        bus._wake.close()  # what no caller may do
        assert bus.exchange(ASK).fault is Fault.PORT_LOST
        bus.close()


def test_select_is_given_no_more_than_it_can_take(pair_of_pipes: tuple[int, int]) -> None:
    reader, writer = pair_of_pipes
    os.write(writer, b"x")
    port_file.wait_for([reader], 2**63 - 1)
    assert select.select([reader], [], [], 0)[0] == [reader]
    with pytest.raises(PortLost):
        port_file.wait_for([-1], MS)
    with pytest.raises(PortLost):
        port_file.wait_for([5000], MS)


@pytest.fixture
def pair_of_pipes() -> Iterator[tuple[int, int]]:
    reader, writer = os.pipe()
    yield reader, writer
    os.close(reader)
    os.close(writer)

"""The owner of a connection against servers on the loopback that misbehave by recipe."""

import errno
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from tallywell.line import bus as bus_file
from tallywell.line import frame, mbap, socket_port
from tallywell.line.away import Back, Lost, PortAway, Reason
from tallywell.line.bus import Bus
from tallywell.line.port import Wake
from tallywell.line.socket_port import KEEPALIVE, open_socket
from tallywell.line.timing import Framing, SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure
from tallywell.schedule.system_clock import SystemClock
from tests.line.servers import Caller, Recipe, Server, words

pytestmark = pytest.mark.alone

MS = 1_000_000
PATIENT_NS = 20_000 * MS
READ = Read(3, 0x6B, 3)
ASK = Ask(17, READ, PATIENT_NS)
SOON = Ask(17, READ, 50 * MS)  # where no answer is to come

Stand = Callable[..., tuple[Server, Bus]]


@pytest.fixture
def stand() -> Iterator[Stand]:
    made: list[tuple[Server, Bus]] = []

    def build(recipe: Recipe, framing: Framing = "tcp", latency_ns: int = 20 * MS) -> tuple[Server, Bus]:
        server = Server(recipe)
        settings = SocketSettings("127.0.0.1", server.port, framing, latency_ns)
        made.append((server, Bus(settings, SystemClock())))
        return made[-1]

    yield build
    for server, bus in made:
        bus.close()
        server.end()


def wait_out(outcome: Outcome) -> None:
    """Until the unit owes nothing, as the schedule does."""
    if outcome.owes_until_ns is not None:
        time.sleep(max(0, outcome.owes_until_ns - SystemClock().boot_ns()) / 1e9)


def good(number: int, unit: int, read: Read, salt: int = 0) -> bytes:
    return mbap.reply(number, unit, read.function, words(read, salt))


def answers(caller: Caller) -> None:
    """A server that keeps to the rules."""
    while True:
        caller.says(good(*caller.asked()))


def answers_serially(caller: Caller) -> None:
    while True:
        unit, read = caller.asked_serially()
        caller.says(frame.reply(unit, read.function, words(read)))


def test_answers_on_one_connection(stand: Stand) -> None:
    server, bus = stand(answers)
    for register in range(20):
        read = Read(4, register, 2)
        assert bus.exchange(Ask(1 + register, read, PATIENT_NS)).data == words(read)
    assert (server.connections, bus.trouble) == (1, None)


def test_serial_frames_through_a_socket(stand: Stand) -> None:
    server, bus = stand(answers_serially, "rtu")
    for register in range(5):
        read = Read(4, register, 2)
        assert bus.exchange(Ask(1 + register, read, PATIENT_NS)).data == words(read)
    assert server.connections == 1


class TestRecipes:
    def test_late(self, stand: Stand) -> None:
        """The answer to the first request comes with the second's, in one segment, and before it."""

        def late(caller: Caller) -> None:
            first = caller.asked()
            second = caller.asked()
            caller.says(good(*first, 1000) + good(*second))
            answers(caller)

        server, bus = stand(late)
        missed = bus.exchange(SOON)
        assert (missed.fault, missed.owes_until_ns is not None) == (Fault.NO_ANSWER, True)
        outcome = bus.exchange(Ask(18, READ, PATIENT_NS))
        assert outcome.data == words(READ)
        assert [(r.fault, r.heard[7:]) for r in outcome.refused] == [
            (Fault.STRAY_BYTES, b"\x03\x06" + words(READ, 1000))
        ]
        assert bus.exchange(ASK).data == words(READ)
        assert server.connections == 1

    def test_doubled(self, stand: Stand) -> None:
        def doubled(caller: Caller) -> None:
            while True:
                answer = good(*(asked := caller.asked()), asked[0])
                caller.says(answer + answer)

        server, bus = stand(doubled)
        first, second = bus.exchange(ASK), bus.exchange(ASK)
        assert first.data is not None
        assert second.data is not None
        assert second.data != first.data
        assert [r.heard[9:] for r in second.refused] == [first.data]
        assert server.connections == 1

    def test_byte_by_byte(self, stand: Stand) -> None:
        def slowly(caller: Caller) -> None:
            while True:
                for byte in good(*caller.asked()):
                    caller.says(bytes((byte,)))
                    time.sleep(0.001)

        _, bus = stand(slowly)
        assert bus.exchange(ASK).data == words(READ)

    @pytest.mark.parametrize(
        ("unit", "function", "content", "fault"),
        [(18, 3, 6, Fault.WRONG_ADDRESS), (17, 4, 6, Fault.WRONG_FUNCTION), (17, 3, 4, Fault.WRONG_BYTE_COUNT)],
    )
    def test_not_as_asked(self, stand: Stand, unit: int, function: int, content: int, fault: Fault) -> None:
        def wrong(caller: Caller) -> None:
            number, _, _ = caller.asked()
            caller.says(mbap.reply(number, unit, function, bytes(content)))
            answers(caller)

        server, bus = stand(wrong)
        assert bus.exchange(SOON).fault is fault
        assert bus.exchange(Ask(16, READ, PATIENT_NS)).data == words(READ)
        assert server.connections == 1

    def test_another_number(self, stand: Stand) -> None:
        def wrong(caller: Caller) -> None:
            number, unit, read = caller.asked()
            caller.says(good(number ^ 0x8000, unit, read))
            answers(caller)

        _, bus = stand(wrong)
        outcome = bus.exchange(SOON)
        assert (outcome.fault, len(outcome.refused)) == (Fault.NO_ANSWER, 1)

    @pytest.mark.parametrize("junk", [b"login: ", frame.reply(17, 3, bytes(6)), b"\0\1\0\0\xff\xff\1\3"])
    def test_no_modbus_tcp(self, stand: Stand, junk: bytes) -> None:
        """The connection is made anew: nothing tells where the next frame would begin."""

        def strange(caller: Caller) -> None:
            if caller.number == 1:
                caller.asked()
                caller.says(junk)
                caller.until_the_end()
            answers(caller)

        server, bus = stand(strange)
        outcome = bus.exchange(ASK)
        assert (outcome.fault, outcome.refused) == (Fault.STRAY_BYTES, (Refused(Fault.STRAY_BYTES, junk),))
        assert "was left: what it sent is not Modbus TCP" in str(bus.trouble)
        assert bus.exchange(ASK).data == words(READ)
        assert (server.connections, bus.trouble) == (2, None)

    def test_closes_in_the_middle_of_a_frame(self, stand: Stand) -> None:
        def half(caller: Caller) -> None:
            if caller.number > 1:
                answers(caller)
            caller.says(good(*caller.asked())[:8])

        _, bus = stand(half)
        outcome = bus.exchange(ASK)
        assert (outcome.fault, [len(r.heard) for r in outcome.refused]) == (Fault.PORT_LOST, [8])
        assert "was lost: it closed the connection; check its power" in str(bus.trouble)
        assert bus.exchange(ASK).data == words(READ)

    def test_stops_in_the_middle_of_a_frame(self, stand: Stand) -> None:
        def half(caller: Caller) -> None:
            if caller.number > 1:
                answers(caller)
            caller.says(good(*caller.asked())[:8])
            caller.until_the_end()

        server, bus = stand(half)
        outcome = bus.exchange(SOON)
        assert outcome.fault is Fault.WRONG_LENGTH
        assert "it stopped in the middle of a frame" in str(bus.trouble)
        wait_out(outcome)
        assert bus.exchange(ASK).data == words(READ)
        assert server.connections == 2

    @pytest.mark.parametrize("code", [0x0A, 0x0B])
    def test_a_gateway_without_its_meter(self, stand: Stand, code: int) -> None:
        def gateway(caller: Caller) -> None:
            while True:
                number, unit, read = caller.asked()
                caller.says(mbap.exception_reply(number, unit, read.function, code))

        server, bus = stand(gateway)
        for unit in range(1, 6):
            outcome = bus.exchange(Ask(unit, READ, PATIENT_NS))
            assert (outcome.fault, outcome.exception_code) == (Fault.NO_ANSWER, code)
        assert server.connections == 1, "the gateway is there"

    def test_serial_frames_damaged_late_and_torn(self, stand: Stand) -> None:
        """The rules of a serial line hold: whoever owes an answer is left alone, and it never answers another."""

        def bad(caller: Caller) -> None:
            unit, read = caller.asked_serially()
            late = frame.reply(unit, read.function, words(read, 1000))
            unit, read = caller.asked_serially()
            caller.says(late)
            caller.says(frame.reply(unit, read.function, words(read)))
            unit, read = caller.asked_serially()
            caller.says(frame.reply(unit, read.function, words(read))[:-1] + b"\0")
            answers_serially(caller)

        _, bus = stand(bad, "rtu")
        assert bus.exchange(SOON).fault is Fault.NO_ANSWER
        assert bus.exchange(Ask(18, READ, PATIENT_NS)).data == words(READ)
        assert bus.exchange(Ask(19, READ, 50 * MS)).fault is Fault.BAD_CRC
        assert bus.exchange(Ask(20, READ, PATIENT_NS)).data == words(READ)


class TestConnection:
    def test_closed_while_idle_costs_no_poll(self, stand: Stand) -> None:
        def once(caller: Caller) -> None:
            caller.says(good(*caller.asked()))

        server, bus = stand(once)
        for _ in range(3):
            assert bus.exchange(ASK).data == words(READ)
            while server.connections and not closed(bus):
                time.sleep(0.001)
        assert server.connections == 3

    def test_accepted_and_closed_at_once(self, stand: Stand) -> None:
        def full(caller: Caller) -> None:
            if caller.number > 2:
                answers(caller)

        _, bus = stand(full)
        for _ in range(2):
            assert bus.exchange(ASK).fault is Fault.PORT_LOST
            assert "before it answered anything; it may serve one master at a time" in str(bus.trouble)
        assert bus.exchange(ASK).data == words(READ)
        assert bus.trouble is None

    def test_broken_off(self, stand: Stand) -> None:
        def rude(caller: Caller) -> None:
            if caller.number > 1:
                answers(caller)
            caller.says(good(*caller.asked()))
            caller.asked()
            caller.breaks_off()

        _, bus = stand(rude)
        assert bus.exchange(ASK).data == words(READ)
        assert bus.exchange(ASK).fault is Fault.PORT_LOST
        assert "was lost: it broke the connection off; check its power" in str(bus.trouble)
        assert bus.exchange(Ask(18, READ, PATIENT_NS)).data == words(READ)

    @pytest.mark.parametrize("framing", ["tcp", "rtu"])
    def test_a_peer_that_says_nothing_is_connected_to_anew(self, stand: Stand, framing: Framing) -> None:
        """As one that vanished without a word: here it is there and silent, which looks the same."""

        def silent(caller: Caller) -> None:
            if caller.number == 1:
                caller.until_the_end()
            (answers if framing == "tcp" else answers_serially)(caller)

        server, bus = stand(silent, framing)
        for unit in (1, 2, 3):
            assert bus.exchange(Ask(unit, READ, 20 * MS)).fault is Fault.NO_ANSWER
        assert bus.exchange(ASK).data == words(READ)
        assert server.connections == 2

    def test_refused_and_back(self, stand: Stand) -> None:
        server, bus = stand(answers)
        assert bus.exchange(ASK).data == words(READ)
        server.end()
        outcomes = [bus.exchange(Ask(unit, READ, PATIENT_NS)) for unit in (1, 2)]
        assert [outcome.fault for outcome in outcomes] == [Fault.PORT_LOST] * 2
        assert str(bus.trouble).startswith(
            f"127.0.0.1, TCP port {server.port}: connection refused; the device is there"
        )
        again = Server(answers, server.port)
        assert bus.exchange(Ask(3, READ, PATIENT_NS)).data == words(READ)
        assert bus.trouble is None
        lost, back = bus.changes()
        assert isinstance(lost, Lost)
        assert isinstance(back, Back)
        assert (lost.first, back.device) == (Reason.UNREACHABLE, f"127.0.0.1, TCP port {server.port}")
        assert back.away_ns > 0
        bus.close()
        again.end()

    def test_one_that_takes_it_and_breaks_off_at_once_is_not_back(self, stand: Stand) -> None:
        """As where another master has the only place: it is told once, not at each attempt."""

        def turns_away(caller: Caller) -> None:
            if caller.number < 5:
                caller.breaks_off()
            else:
                answers(caller)

        server, bus = stand(turns_away)
        outcomes = [bus.exchange(Ask(unit, READ, PATIENT_NS)) for unit in range(1, 5)]
        assert {outcome.fault for outcome in outcomes} == {Fault.PORT_LOST}
        assert [type(change) for change in bus.changes()] == [Lost]
        assert bus.exchange(Ask(5, READ, PATIENT_NS)).data == words(READ)
        assert [type(change) for change in bus.changes()] == [Back]
        assert server.connections == 5

    def test_an_idle_connection_that_is_closed_is_no_loss(self, stand: Stand) -> None:
        """Many gateways do it after a minute; it is made anew when it is needed."""

        def once(caller: Caller) -> None:
            caller.says(good(*caller.asked()))

        server, bus = stand(once)
        for _ in range(3):
            assert bus.exchange(ASK).data == words(READ)
            for _ in range(5):
                time.sleep(0.02)
                bus.look()
        assert bus.changes() == ()
        assert server.connections == 3, "nor is it made anew for nothing"

    def test_what_tells_of_a_vanished_peer_is_set(self, stand: Stand) -> None:
        server, _ = stand(Caller.until_the_end)
        wake = Wake()
        port = open_socket(SocketSettings("127.0.0.1", server.port), wake)
        connection = port._connection  # the test's own look at what the kernel was told
        assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        assert {name: connection.getsockopt(socket.IPPROTO_TCP, name) for name in KEEPALIVE} == KEEPALIVE
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000
        port.close()
        wake.close()

    def test_the_wait_between_attempts_doubles_up_to_its_bound(self, monkeypatch: pytest.MonkeyPatch) -> None:
        failing = PortAway("away", Reason.UNREACHABLE)

        def refuse(*_: object) -> socket_port.SocketPort:
            raise failing

        clock = MovedClock()
        monkeypatch.setattr(bus_file, "wait_for", lambda _descriptors, for_ns: clock.add(for_ns))
        bus = Bus(SocketSettings("192.0.2.10"), clock, open_as=refuse)
        waited = []
        for _ in range(10):
            before_ns = clock.now_ns
            assert bus.exchange(ASK).fault is Fault.PORT_LOST
            waited.append((clock.now_ns - before_ns) // MS)
        assert waited == [0, 50, 100, 200, 400, 800, 1600, 3200, 5000, 5000]
        bus.close()


class MovedClock(SystemClock):
    now_ns = 0

    def boot_ns(self) -> int:
        return self.now_ns

    def add(self, for_ns: int) -> None:
        self.now_ns += for_ns


def closed(bus: Bus) -> bool:
    """Whether the other end has hung up: its end of file is there to be read (and stays so)."""
    port = bus._port
    assert isinstance(port, socket_port.SocketPort)
    try:
        return port._connection.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False


class TestStop:
    def ended_by_stop(self, bus: Bus, ready: Callable[[], bool]) -> Outcome:
        outcomes: list[Outcome] = []
        thread = threading.Thread(target=lambda: outcomes.append(bus.exchange(Ask(17, READ, 3_600_000 * MS))))
        thread.start()
        while not ready():
            time.sleep(0.001)
        bus.stop()
        thread.join(30)
        assert not thread.is_alive()
        return outcomes[0]

    @pytest.mark.parametrize("framing", ["tcp", "rtu"])
    def test_a_running_exchange_ends_at_once(self, stand: Stand, framing: Framing) -> None:
        heard = threading.Event()

        def silent(caller: Caller) -> None:
            caller.hears()
            heard.set()
            caller.until_the_end()

        _, bus = stand(silent, framing)
        assert self.ended_by_stop(bus, heard.is_set).fault is Fault.STOPPED

    def test_connecting_ends_at_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A listener whose queue is full lets a connection hang; without the wake this would take an hour."""
        monkeypatch.setattr(socket_port, "CONNECT_NS", 3_600_000 * MS)
        with socket.socket() as listener:
            listener.bind(("127.0.0.1", 0))
            listener.listen(0)
            crowd = [hanging(listener.getsockname()) for _ in range(4)]
            bus = Bus(SocketSettings("127.0.0.1", listener.getsockname()[1]), SystemClock())
            begun: list[None] = []
            monkeypatch.setattr(socket_port, "_connect", counted(socket_port._connect, begun))
            assert self.ended_by_stop(bus, lambda: bool(begun)).fault is Fault.STOPPED
            bus.close()
            for one in crowd:
                one.close()


def hanging(address: tuple[str, int]) -> socket.socket:
    one = socket.socket()
    one.setblocking(False)
    one.connect_ex(address)
    return one


def counted(connect: Callable[..., None], begun: list[None]) -> Callable[..., None]:
    def connecting(*words: object) -> None:
        begun.append(None)
        connect(*words)

    return connecting


class TestOneClearLine:
    @pytest.mark.parametrize(
        ("number", "said"),
        [
            (errno.ECONNREFUSED, "connection refused; the device is there: check tcp_port"),
            (errno.ETIMEDOUT, "nothing answers there; check its power"),
            (errno.EHOSTUNREACH, "nothing answers there; check its power"),
            (errno.ENETUNREACH, "this machine has no way there; check its own network cable"),
            (errno.EACCES, "does not let the connection out; look at this machine's packet filter"),
            (errno.ENOBUFS, "lacks memory or open files for it; look at what else runs"),
            (errno.EPROTO, "cannot be connected to: protocol error; check its power"),
        ],
    )
    def test_why_there_is_no_connection(self, monkeypatch: pytest.MonkeyPatch, number: int, said: str) -> None:
        """The failures are planted: the tests' traffic stays on the loopback."""

        def fail(*_: object) -> None:
            raise OSError(number, os.strerror(number))

        monkeypatch.setattr(socket_port, "_connect", fail)
        with pytest.raises(EdgeFailure) as failure:
            Bus(SocketSettings("192.0.2.10"), SystemClock()).open()
        assert str(failure.value).startswith("192.0.2.10, TCP port 502: ")
        assert said in str(failure.value)

    def test_a_name_is_never_looked_up(self, monkeypatch: pytest.MonkeyPatch) -> None:
        with pytest.raises(EdgeFailure, match="localhost, TCP port 502: no address that can be used here"):
            Bus(SocketSettings("localhost"), SystemClock()).open()

    def test_an_interface_that_is_not_there(self) -> None:
        with pytest.raises(EdgeFailure, match=r"check .*host in the site file"):
            Bus(SocketSettings("fe80::1%no-such-interface"), SystemClock()).open()

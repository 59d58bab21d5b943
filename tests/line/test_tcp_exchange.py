"""The exchange over Modbus TCP, event by event, and whatever the bytes are."""

import itertools
import random
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.line import mbap
from tallywell.line.exchange import NEED_MORE, NEVER
from tallywell.line.tcp_exchange import TABLE, TcpExchange, TcpState
from tallywell.line.timing import SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault

MS = 1_000_000
LINE = SocketSettings("192.0.2.10", latency_ns=30 * MS)
ASK = Ask(17, Read(3, 0x6B, 3), 50 * MS)
WORDS = bytes.fromhex("022b00000064")


class Wire:
    """Gives the machine its bytes at their instants. No real time passes."""

    def __init__(self, now_ns: int = 0) -> None:
        self.machine = TcpExchange(LINE, now_ns)
        self.now_ns = now_ns
        self.number = 0  # of the newest request

    def send(self, ask: Ask) -> int:
        """Up to the writing of the request; its number."""
        self.machine.start(ask, self.now_ns)
        while not (request := self.machine.request_due(self.now_ns)):
            self.now_ns = max(self.now_ns, self.machine.deadline())
            assert self.machine.expire(self.now_ns) is None
        found = mbap.first_frame(request)
        assert found is not None
        assert (found.unit, mbap.asked_read(found), len(found.raw)) == (ask.address, ask.read, len(request))
        self.number = found.transaction
        return self.number

    def hear(self, chunk: bytes, after_ns: int = 10 * MS) -> object:
        self.now_ns += after_ns
        return self.machine.receive(chunk, self.now_ns)

    def end(self) -> Outcome:
        while (outcome := self.machine.expire(self.now_ns)) is None:
            assert self.now_ns < self.machine.deadline() < NEVER, "stands still"
            self.now_ns = self.machine.deadline()
        return outcome

    def play(self, ask: Ask, *chunks: bytes) -> Outcome:
        self.send(ask)
        for chunk in chunks:
            self.hear(chunk)
        return self.end()


@pytest.fixture
def wire() -> Wire:
    return Wire()


def reply(number: int, words: bytes = WORDS, unit: int = 17, function: int = 3) -> bytes:
    return mbap.reply(number, unit, function, words)


class TestAnswers:
    def test_the_good_one(self, wire: Wire) -> None:
        number = wire.send(ASK)
        assert wire.hear(reply(number)) is NEED_MORE
        outcome = wire.end()
        assert (outcome.data, outcome.fault, outcome.refused, outcome.owes_until_ns) == (WORDS, None, (), None)
        assert (outcome.sent_ns, outcome.first_ns, outcome.at_ns) == (0, 10 * MS, 5 * MS)
        assert wire.machine.broken is None

    def test_in_pieces(self, wire: Wire) -> None:
        number = wire.send(ASK)
        for at in range(len(reply(number))):
            assert wire.hear(reply(number)[at : at + 1], MS) is NEED_MORE
        outcome = wire.end()
        assert (outcome.data, outcome.first_ns) == (WORDS, MS)

    def test_each_request_has_its_number(self, wire: Wire) -> None:
        numbers = []
        for _ in range(5):
            numbers.append(wire.send(ASK))
            wire.hear(reply(wire.number))
            assert wire.end().data == WORDS
        assert [b - a for a, b in itertools.pairwise(numbers)] == [1] * 4

    def test_the_numbers_go_round(self) -> None:
        wire = Wire((2**16 - 1) * MS)
        assert wire.send(ASK) == 0
        wire.hear(reply(0))
        assert wire.end().data == WORDS

    def test_a_start_at_another_time_has_other_numbers(self) -> None:
        assert Wire(7_000 * MS).send(ASK) != Wire(8_000 * MS).send(ASK)


class TestAnotherNumber:
    def test_a_late_answer_never_ends_the_next_exchange(self, wire: Wire) -> None:
        late = reply(wire.send(ASK), b"\xaa" * 6)
        missed = wire.end()
        assert (missed.fault, missed.owes_until_ns) == (Fault.NO_ANSWER, missed.ended_ns + 80 * MS)
        number = wire.send(Ask(18, ASK.read, 50 * MS))
        assert wire.hear(late) is NEED_MORE
        wire.hear(reply(number, unit=18))
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, (Refused(Fault.STRAY_BYTES, late),))
        assert wire.machine.broken is None

    def test_late_and_good_in_one_segment(self, wire: Wire) -> None:
        late = reply(wire.send(ASK), b"\xaa" * 6)
        wire.end()
        number = wire.send(ASK)
        wire.hear(late + reply(number))
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, (Refused(Fault.STRAY_BYTES, late),))

    def test_only_a_foreign_one_is_no_answer(self, wire: Wire) -> None:
        number = wire.send(ASK)
        foreign = reply(number + 5)
        assert wire.hear(foreign) is NEED_MORE
        outcome = wire.end()
        assert (outcome.fault, outcome.refused) == (Fault.NO_ANSWER, (Refused(Fault.STRAY_BYTES, foreign),))
        assert outcome.ended_ns == 80 * MS

    def test_a_doubled_answer_is_told_with_the_next(self, wire: Wire) -> None:
        good = reply(wire.send(ASK))
        wire.hear(good + good)
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, ())
        number = wire.send(ASK)
        wire.hear(reply(number, b"\1" * 6))
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (b"\1" * 6, (Refused(Fault.STRAY_BYTES, good),))

    def test_what_is_kept_is_bounded(self, wire: Wire) -> None:
        number = wire.send(ASK)
        for _ in range(1000):
            wire.hear(reply(number + 5), 0)
        wire.hear(reply(number))
        outcome = wire.end()
        assert outcome.data == WORDS
        assert len(outcome.refused) == 16


@pytest.mark.parametrize(
    ("unit", "function", "pdu", "fault"),
    [
        (18, 3, None, Fault.WRONG_ADDRESS),
        (17, 4, None, Fault.WRONG_FUNCTION),
        (17, 3, b"\3\4\0\0\0\0", Fault.WRONG_BYTE_COUNT),
        (17, 3, b"\3\6\0\0\0\0", Fault.WRONG_LENGTH),
        (17, 3, b"\3\6" + bytes(8), Fault.WRONG_LENGTH),
    ],
)
def test_an_answer_that_is_not_as_asked(wire: Wire, unit: int, function: int, pdu: bytes | None, fault: Fault) -> None:
    number = wire.send(ASK)
    raw = reply(number, unit=unit, function=function) if pdu is None else mbap.framed(number, unit, pdu)
    assert wire.hear(raw) is fault
    outcome = wire.end()
    assert (outcome.fault, outcome.refused, outcome.exception_code) == (fault, (Refused(fault, raw),), None)
    assert outcome.owes_until_ns is not None
    assert wire.machine.broken is None


class TestRefusals:
    def test_of_the_meter(self, wire: Wire) -> None:
        wire.hear(mbap.exception_reply(wire.send(ASK), 17, 3, 2))
        outcome = wire.end()
        assert (outcome.fault, outcome.exception_code, outcome.owes_until_ns) == (Fault.EXCEPTION, 2, None)

    @pytest.mark.parametrize("code", [0x0A, 0x0B])
    def test_of_the_gateway(self, wire: Wire, code: int) -> None:
        """V1.1b3, section 7: no path to the target; the target did not answer. The meter may do so yet."""
        wire.hear(mbap.exception_reply(wire.send(ASK), 17, 3, code))
        outcome = wire.end()
        assert (outcome.fault, outcome.exception_code) == (Fault.NO_ANSWER, code)
        assert outcome.owes_until_ns == outcome.ended_ns + 80 * MS


class TestStream:
    @pytest.mark.parametrize("junk", ["ffffffffffff", "0001 0001", "0001 0000 0001 11", "0001 0000 0400 11"])
    def test_no_frame_can_stand_there(self, wire: Wire, junk: str) -> None:
        wire.send(ASK)
        assert wire.hear(bytes.fromhex(junk)) is Fault.STRAY_BYTES
        outcome = wire.end()
        assert outcome.ended_ns == 10 * MS, "nothing to wait for"
        assert (outcome.fault, outcome.refused) == (
            Fault.STRAY_BYTES,
            (Refused(Fault.STRAY_BYTES, bytes.fromhex(junk)),),
        )
        assert "not Modbus TCP" in str(wire.machine.broken)

    def test_anew_after_it(self, wire: Wire) -> None:
        wire.play(ASK, b"\xff" * 9)
        wire.machine.reopened(wire.now_ns)
        number = wire.send(ASK)
        wire.hear(reply(number))
        assert wire.end().data == WORDS

    def test_junk_behind_a_good_answer_breaks_the_stream_and_not_the_answer(self, wire: Wire) -> None:
        number = wire.send(ASK)
        wire.hear(reply(number) + b"\xff" * 9)
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, ())
        assert wire.machine.broken
        wire.machine.reopened(wire.now_ns)
        wire.send(ASK)
        wire.hear(reply(wire.number))
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, (Refused(Fault.STRAY_BYTES, b"\xff" * 9),))

    def test_without_a_new_connection_nothing_is_asked(self, wire: Wire) -> None:
        wire.play(ASK, b"\xff" * 9)
        wire.machine.start(ASK, wire.now_ns)
        assert wire.machine.request_due(wire.now_ns) == b""
        assert wire.end().fault is Fault.STRAY_BYTES

    def test_an_answer_that_stops_in_the_middle(self, wire: Wire) -> None:
        part = reply(wire.send(ASK))[:9]
        wire.hear(part)
        outcome = wire.end()
        assert (outcome.fault, outcome.refused) == (Fault.WRONG_LENGTH, (Refused(Fault.WRONG_LENGTH, part),))
        assert "middle" in str(wire.machine.broken)

    def test_another_frame_that_stops_in_the_middle(self, wire: Wire) -> None:
        part = reply(wire.send(ASK) + 9)[:9]
        wire.hear(part)
        outcome = wire.end()
        assert (outcome.fault, outcome.refused) == (Fault.NO_ANSWER, (Refused(Fault.STRAY_BYTES, part),))
        assert wire.machine.broken

    def test_the_rest_of_another_frame_comes_in_time(self, wire: Wire) -> None:
        late = reply(wire.send(ASK), b"\xaa" * 6)
        wire.end()
        wire.hear(late[:5])
        number = wire.send(ASK)
        wire.hear(late[5:] + reply(number)[:3])
        wire.hear(reply(number)[3:])
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, (Refused(Fault.STRAY_BYTES, late),))

    def test_closed_in_the_middle(self, wire: Wire) -> None:
        part = reply(wire.send(ASK))[:9]
        wire.hear(part)
        outcome = wire.machine.halt(Fault.PORT_LOST, wire.now_ns)
        assert (outcome.fault, outcome.refused) == (Fault.PORT_LOST, (Refused(Fault.PORT_LOST, part),))
        assert outcome.owes_until_ns is not None


class TestTime:
    def test_the_wait_is_the_longest_delay_and_the_gateways_latency(self, wire: Wire) -> None:
        outcome = wire.play(ASK)
        assert (outcome.fault, outcome.ended_ns - outcome.sent_ns) == (Fault.NO_ANSWER, 80 * MS)

    def test_an_answer_within_it(self, wire: Wire) -> None:
        number = wire.send(ASK)
        wire.hear(reply(number), 79 * MS)
        assert wire.end().data == WORDS

    def test_an_answer_that_lay_there_while_the_machine_slept(self, wire: Wire) -> None:
        number = wire.send(ASK)
        wire.hear(reply(number), 3_600_000 * MS)
        outcome = wire.end()
        assert (outcome.fault, outcome.refused) == (
            Fault.STRAY_BYTES,
            (Refused(Fault.STRAY_BYTES, reply(number)),),
        )

    def test_the_meters_own_pause(self, wire: Wire) -> None:
        patient = Ask(17, ASK.read, 50 * MS, pause_ns=20 * MS)
        wire.send(patient)
        assert wire.now_ns == 0, "nothing was ever heard"
        wire.hear(reply(wire.number))
        ended_ns = wire.end().ended_ns
        wire.send(patient)
        assert wire.now_ns == ended_ns + 20 * MS

    def test_stopped(self, wire: Wire) -> None:
        wire.machine.start(ASK, 0)
        assert wire.machine.halt(Fault.STOPPED, 1).owes_until_ns is None, "nothing was sent"
        wire.send(ASK)
        assert wire.machine.halt(Fault.STOPPED, 2).owes_until_ns is not None


class TestWaking:
    WAKE = Ask(17, Read(3, 0, 1), 20 * MS, expects_reply=False)

    @pytest.mark.parametrize("late", [False, True])
    def test_its_answer_is_thrown_away_and_no_fault(self, wire: Wire, late: bool) -> None:
        number = wire.send(self.WAKE)
        if not late:
            wire.hear(mbap.reply(number, 17, 3, b"\0\1"))
        woken = wire.end()
        assert (woken.data, woken.fault, woken.ended_ns, woken.refused) == (b"", None, 20 * MS, ())
        asked = wire.send(ASK)
        if late:
            wire.hear(mbap.reply(number, 17, 3, b"\0\1"))
        wire.hear(reply(asked))
        outcome = wire.end()
        assert (outcome.data, outcome.refused) == (WORDS, ())


def test_the_table_knows_every_state() -> None:
    assert {state for state, _ in TABLE} == set(TcpState)


pieces = st.one_of(
    st.builds(
        mbap.reply,
        st.integers(0, 3),
        st.sampled_from([17, 17, 17, 18]),
        st.sampled_from([3, 3, 4]),
        st.sampled_from([WORDS, WORDS, b"\0\1"]),
    ),
    st.builds(mbap.exception_reply, st.integers(0, 3), st.just(17), st.just(3), st.integers(0, 12)),
    st.builds(mbap.framed, st.integers(0, 3), st.just(17), st.binary(min_size=1, max_size=20)),
    st.binary(max_size=9),
)


def outcomes(chunks: Sequence[bytes]) -> tuple[Outcome, str | None, Outcome]:
    """What comes of bytes that are all there at one instant, and of the exchange after them."""
    wire = Wire(0)
    assert wire.send(ASK) == 1
    wire.now_ns = 10 * MS
    for chunk in chunks:
        said = wire.machine.receive(chunk, wire.now_ns)
        assert said is NEED_MORE or isinstance(said, Fault)
    first, broken = wire.end(), wire.machine.broken
    if broken:
        wire.machine.reopened(wire.now_ns)
    wire.send(ASK)
    wire.hear(reply(wire.number))
    return first, broken, wire.end()


@settings(max_examples=500, deadline=None)
@given(st.lists(pieces, max_size=5).map(b"".join))
def test_byte_by_byte_as_at_once(text: bytes) -> None:
    whole = outcomes([text])
    assert whole == outcomes([text[i : i + 1] for i in range(len(text))])
    first, _, second = whole
    if first.data is not None:
        assert reply(1, first.data) in text
        assert len(first.data) == 6
    assert second.data in (WORDS, None)


def test_mutations() -> None:
    """40,000 damaged streams: nothing is taken but words that stood in a whole frame of this number."""
    print("seed", seed := 20261130)
    chance = random.Random(seed)
    good = reply(1)
    for _ in range(40_000):
        text = bytearray(good * chance.choice((1, 1, 2)))
        for _ in range(chance.randint(0, 3)):
            at = chance.randrange(len(text))
            match chance.randrange(4):
                case 0:
                    text[at] ^= 1 << chance.randrange(8)
                case 1:
                    del text[at : at + chance.randint(1, 4)]
                case 2:
                    text[at:at] = chance.randbytes(chance.randint(1, 4))
                case 3:
                    text[at] = chance.randrange(256)
            text = text or bytearray(b"\0")
        outcome, _, _ = outcomes([bytes(text)])
        if outcome.data is not None:
            assert reply(1, outcome.data) in text
        if text == good:
            assert outcome.data == WORDS

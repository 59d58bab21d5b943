"""What comes after a request, and how the exchange ends. Times in the tables are milliseconds after our last bit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from tallywell.line import frame
from tallywell.line.exchange import NEED_MORE, TABLE, Exchange, Happening, State
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault

if TYPE_CHECKING:
    from tests.line.conftest import Wire

    WireOf = Callable[[LineSettings], Wire]

MS = 1_000_000
LINE = LineSettings("x", 19_200, latency_ns=2 * MS)  # a character is 0.573 ms, silence 2.005 ms
ASK = Ask(17, Read(3, 0x6B, 3), longest_delay_ns=100 * MS)
WORDS = bytes.fromhex("022b00000064")
GOOD = frame.reply(17, 3, WORDS)
ECHO = frame.request(17, ASK.read)
OTHER = Ask(18, Read(4, 8, 1), longest_delay_ns=100 * MS)
OTHER_GOOD = frame.reply(18, 4, b"\x00\x0a")
REFUSAL = frame.exception_reply(17, 3, 2)


def flipped(content: bytes, at: int) -> bytes:
    return content[:at] + bytes((content[at] ^ 0x10,)) + content[at + 1 :]


ENDINGS: dict[str, tuple[list[tuple[float, bytes]], Fault | None]] = {
    "at once": ([(5, GOOD)], None),
    "byte by byte": ([(5 + 0.573 * i, GOOD[i : i + 1]) for i in range(11)], None),
    "in two lumps": ([(5, GOOD[:4]), (8.9, GOOD[4:])], None),
    "at the last moment": ([(100, GOOD[:1]), (103.9, GOOD[1:])], None),
    "stray byte long behind": ([(5, GOOD), (7.1, b"\x00")], None),
    "silence": ([], Fault.NO_ANSWER),
    "too late": ([(108.5, GOOD)], Fault.NO_ANSWER),
    "torn": ([(5, GOOD[:7])], Fault.WRONG_LENGTH),
    "a gap within": ([(5, GOOD[:4]), (9.1, GOOD[4:])], Fault.WRONG_LENGTH),
    "bit error in the words": ([(5, flipped(GOOD, 4))], Fault.BAD_CRC),
    "bit error in the address": ([(5, flipped(GOOD, 0))], Fault.BAD_CRC),
    "bit error in the function": ([(5, flipped(GOOD, 1))], Fault.BAD_CRC),
    "bit error in the count": ([(5, flipped(GOOD, 2))], Fault.BAD_CRC),
    "bit error in the CRC": ([(5, flipped(GOOD, 10))], Fault.BAD_CRC),
    "stray byte before": ([(5, b"\xff" + GOOD)], Fault.STRAY_BYTES),
    "stray byte behind": ([(5, GOOD + b"\x00")], Fault.STRAY_BYTES),
    "anything but zero behind": ([(5, GOOD + b"\x01")], Fault.STRAY_BYTES),
    "stray byte in the silence behind": ([(5, GOOD), (6.9, b"\x00")], Fault.STRAY_BYTES),
    "twice": ([(5, GOOD), (6, GOOD)], Fault.STRAY_BYTES),
    "garbage": ([(5, b"\xa5\x5a\x00\xff\x13")], Fault.STRAY_BYTES),
    "one byte": ([(5, b"\x00")], Fault.STRAY_BYTES),
    "before our last bit was out": ([(-0.5, GOOD)], Fault.STRAY_BYTES),
    "began before our last bit was out": ([(-0.5, GOOD[:1]), (1, GOOD[1:])], Fault.STRAY_BYTES),
    "echo while we send": ([(-0.1, ECHO)], Fault.NO_ANSWER),
    "echo in a lump": ([(0.5, ECHO)], Fault.NO_ANSWER),
    "echo and answer": ([(0.5, ECHO), (4, GOOD)], None),
    "echo and answer in a lump": ([(2, ECHO + GOOD)], None),
    "echo byte by byte, and answer": ([*((-4 + i / 2, ECHO[i : i + 1]) for i in range(8)), (4, GOOD)], None),
    "echo and refusal": ([(0.5, ECHO), (4, REFUSAL)], Fault.EXCEPTION),
    "echo with a bit error": ([(0.5, flipped(ECHO, 3)), (20, GOOD)], Fault.WRONG_LENGTH),
    "echo from its second byte": ([(0.5, ECHO[1:]), (20, GOOD)], Fault.STRAY_BYTES),
    "echo without its last byte": ([(0.5, ECHO[:-1]), (20, GOOD)], Fault.WRONG_LENGTH),
    "echo twice": ([(0.5, ECHO * 2), (20, GOOD)], Fault.STRAY_BYTES),
    "echo too late for the adapter": ([(2.1, ECHO), (20, GOOD)], Fault.STRAY_BYTES),
    "stray byte, then the answer": ([(5, b"\xff"), (20, GOOD)], Fault.STRAY_BYTES),
    "stray byte, then a refusal": ([(5, b"\xff"), (20, REFUSAL)], Fault.STRAY_BYTES),
    "another unit, then the answer": ([(5, frame.reply(19, 3, WORDS)), (20, GOOD)], Fault.WRONG_ADDRESS),
    "another unit": ([(5, frame.reply(19, 3, WORDS))], Fault.WRONG_ADDRESS),
    "another function": ([(5, frame.reply(17, 4, WORDS))], Fault.WRONG_FUNCTION),
    "a shorter block": ([(5, frame.reply(17, 3, WORDS[:4]))], Fault.WRONG_BYTE_COUNT),
    "a longer block": ([(5, frame.reply(17, 3, WORDS * 2))], Fault.WRONG_BYTE_COUNT),
    "a count that lies": ([(5, frame.with_crc(b"\x11\x03\x04" + WORDS))], Fault.WRONG_LENGTH),
    "a count that lies, the length too": ([(5, frame.with_crc(b"\x11\x03\x06" + WORDS[:4]))], Fault.WRONG_LENGTH),
    "another master's request": ([(5, frame.request(3, Read(4, 0, 2)))], Fault.WRONG_ADDRESS),
    "exception": ([(5, REFUSAL)], Fault.EXCEPTION),
    "exception in lumps": ([(5, REFUSAL[:2]), (8, REFUSAL[2:])], Fault.EXCEPTION),
    "exception with something behind": ([(5, REFUSAL), (6.9, b"\x00")], Fault.STRAY_BYTES),
    "exception to another function": ([(5, frame.exception_reply(17, 4, 2))], Fault.WRONG_FUNCTION),
    "exception of another unit": ([(5, frame.exception_reply(18, 3, 2))], Fault.WRONG_ADDRESS),
    "damaged exception": ([(5, flipped(REFUSAL, 2))], Fault.BAD_CRC),
    "torn exception": ([(5, REFUSAL[:4])], Fault.WRONG_LENGTH),
}
OWES_NOTHING = (None, Fault.EXCEPTION)


def after(arrivals: list[tuple[float, bytes]]) -> list[tuple[int, bytes]]:
    return [(round(at * MS), chunk) for at, chunk in arrivals]


@pytest.mark.parametrize("name", ENDINGS)
def test_endings(name: str, wire_of: WireOf) -> None:
    arrivals, fault = ENDINGS[name]
    outcome: Outcome = wire_of(LINE).play(ASK, after(arrivals))
    assert outcome.fault is fault
    assert outcome.data == (WORDS if fault is None else None)
    assert (outcome.owes_until_ns is None) == (fault in OWES_NOTHING)
    assert outcome.echoed == (ECHO in b"".join(chunk for _, chunk in arrivals) and "late" not in name)
    if fault and arrivals and fault is not Fault.NO_ANSWER:
        assert outcome.refused[0].fault is fault
        everything = b"".join(chunk for _, chunk in arrivals)
        assert b"".join(refused.heard for refused in outcome.refused) == everything.removeprefix(
            ECHO if outcome.echoed else b""
        )


def test_what_fails_ends_when_the_answer_has_come(wire_of: WireOf) -> None:
    """It is thrown away within the exchange, so that it meets nobody else's; without one, the wait is as long as ever.

    A damaged answer is one, and ends it at once.
    """
    taken = wire_of(LINE).play(ASK, after([(5, b"\xff"), (20, GOOD)]))
    assert taken.ended_ns == taken.sent_ns + 20 * MS + LINE.silence_ns
    assert taken.refused == (Refused(Fault.STRAY_BYTES, b"\xff"), Refused(Fault.STRAY_BYTES, GOOD))
    never = wire_of(LINE).play(ASK, after([(5, b"\xff")]))
    assert never.ended_ns == wire_of(LINE).play(ASK).ended_ns
    damaged = wire_of(LINE).play(ASK, after([(5, flipped(GOOD, 4))]))
    assert damaged.ended_ns == damaged.sent_ns + 5 * MS + LINE.silence_ns
    assert taken.owes_until_ns == never.owes_until_ns == damaged.owes_until_ns


def test_the_rest_of_a_broken_answer_meets_nobody_elses(wire_of: WireOf) -> None:
    wire = wire_of(LINE)
    broken = wire.play(ASK, after([(5, GOOD[:4]), (12, GOOD[4:])]))
    assert broken.refused == (Refused(Fault.WRONG_LENGTH, GOOD[:4]), Refused(Fault.STRAY_BYTES, GOOD[4:]))
    assert wire.play(OTHER, after([(5, OTHER_GOOD)])).refused == ()


def test_an_answer_that_begins_as_the_echo_would_is_one(wire_of: WireOf) -> None:
    """The echo of a request for 3 words at 0x0600 begins as its answer does: unit, function, 6 bytes."""
    ask = Ask(17, Read(3, 0x0600, 3), 100 * MS)
    echo = frame.request(17, ask.read)
    good = frame.reply(17, 3, echo[3:7] + bytes(2))
    assert (good[:7], good[7]) == (echo[:7], 0)
    assert wire_of(LINE).play(ask, after([(0.5, good[:7]), (3, good[7:])])).data == good[3:-2]
    assert wire_of(LINE).play(ask, after([(0.5, echo[:7]), (3, echo[7:] + good)])).data == good[3:-2]


def test_exception_code(wire_of: WireOf) -> None:
    outcome = wire_of(LINE).play(ASK, after([(5, REFUSAL)]))
    assert (outcome.exception_code, outcome.refused) == (2, (Refused(Fault.EXCEPTION, REFUSAL),))


def test_times_of_a_good_reply(wire_of: WireOf) -> None:
    wire = wire_of(LINE)
    outcome = wire.play(ASK, after([(5, GOOD[:1]), (8, GOOD[1:])]))
    sent_at, request = wire.requests[0]
    assert request == frame.request(17, ASK.read)
    assert sent_at == LINE.silence_ns  # a port just opened may have been talking
    assert outcome.sent_ns == sent_at + LINE.wire_ns(8)
    assert outcome.first_ns == outcome.sent_ns + 5 * MS
    assert outcome.ended_ns == outcome.sent_ns + 8 * MS + LINE.silence_ns
    assert outcome.at_ns == outcome.sent_ns + 5 * MS // 2


def test_bytes_seen_after_a_long_standstill_are_no_reading_of_that_time() -> None:
    machine = Exchange(LINE, 0)
    machine.start(ASK, 0)
    assert machine.expire(10 * MS) is None
    assert machine.request_due(10 * MS)
    hour_ns = 3_600_000 * MS  # the machine slept between the reply and our look at it
    machine.receive(GOOD, hour_ns)
    outcome = machine.expire(hour_ns + LINE.silence_ns)
    assert outcome is not None
    assert outcome.data is None, f"a value stamped {outcome.at_ns / MS:.0f} ms, which came within 100 ms"
    assert outcome.fault is Fault.STRAY_BYTES
    assert outcome.refused == (Refused(Fault.STRAY_BYTES, GOOD),)


def test_timeout_counts_from_the_end_of_the_request(wire_of: WireOf) -> None:
    outcome = wire_of(LINE).play(ASK)
    assert outcome.ended_ns - outcome.sent_ns == 100 * MS + LINE.wire_ns(11) + LINE.latency_ns
    assert outcome.owes_until_ns == outcome.ended_ns + 100 * MS + LINE.wire_ns(11) + LINE.silence_ns


def test_bits_echo_is_no_answer(wire_of: WireOf) -> None:
    """24 bits from 0x0300 on: the echo of the request has the address, function, count, length and CRC of a reply.

    So it is not taken for one, neither when it may be the echo nor later.
    """
    ask = Ask(17, Read(1, 0x0300, 24), 100 * MS)
    echo = frame.request(17, ask.read)
    assert echo == frame.reply(17, 1, echo[3:6])
    assert wire_of(LINE).play(ask, after([(1, echo)])).fault is Fault.NO_ANSWER
    assert wire_of(LINE).play(ask, after([(5, echo)])).fault is Fault.STRAY_BYTES


class TestSilenceBefore:
    def test_any_byte_starts_it_again(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        outcome = wire.play(ASK, after([(5, GOOD)]), before=[(1 * MS, b"\x01"), (2 * MS, b"\x02")])
        assert wire.requests[0][0] == 2 * MS + LINE.silence_ns
        assert outcome.data == WORDS
        assert outcome.refused == (Refused(Fault.STRAY_BYTES, b"\x01\x02", unasked=True),)

    def test_a_longer_pause_of_the_meter(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(Ask(17, ASK.read, 100 * MS, pause_ns=50 * MS), after([(5, GOOD)]))
        wire.play(Ask(17, ASK.read, 100 * MS, pause_ns=50 * MS), after([(5, GOOD)]))
        (first, _), (second, _) = wire.requests
        assert first == 50 * MS
        assert second == first + LINE.wire_ns(8) + 5 * MS + 50 * MS

    def test_the_silence_behind_a_reply_is_the_one_before_the_next_request(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        for _ in range(3):
            outcome = wire.play(ASK, after([(5, GOOD)]))
        assert wire.requests[-1][0] == outcome.sent_ns - LINE.wire_ns(8)
        gaps = [b - a for (a, _), (b, _) in zip(wire.requests, wire.requests[1:], strict=False)]
        assert gaps == [LINE.wire_ns(8) + 5 * MS + LINE.silence_ns] * 2

    def test_a_babbling_line_is_given_up(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        outcome = wire.play(ASK, before=[(i * MS, b"\x55") for i in range(2000)])
        assert (outcome.fault, wire.requests, outcome.owes_until_ns) == (Fault.STRAY_BYTES, [], None)
        assert outcome.ended_ns <= LINE.silence_ns + 2 * LINE.longest_frame_ns
        assert 0 < len(outcome.refused[0].heard) <= 512

    def test_babble_behind_the_request_is_given_up(self, wire_of: WireOf) -> None:
        outcome = wire_of(LINE).play(ASK, [(i * MS, b"\x55") for i in range(1, 2000)])
        assert outcome.fault is Fault.STRAY_BYTES
        bound = 100 * MS + LINE.wire_ns(11) + LINE.latency_ns + 2 * LINE.longest_frame_ns
        assert outcome.ended_ns - outcome.sent_ns == bound

    def test_of_a_flood_only_the_beginning_is_kept(self, wire_of: WireOf) -> None:
        flood = bytes(range(256)) * 12
        outcome = wire_of(LINE).play(ASK, after([(5, flood)]), before=[(0, flood)])
        assert outcome.refused == tuple(Refused(Fault.STRAY_BYTES, flood[:512], first) for first in (True, False))

    def test_reopened_port_is_given_a_whole_silence(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.now_ns = 1000 * MS
        wire.machine.reopened(wire.now_ns)
        wire.play(ASK, after([(5, GOOD)]))
        assert wire.requests[0][0] == 1000 * MS + LINE.silence_ns


LATE = GOOD
OWED: dict[str, list[tuple[float, bytes]]] = {
    "before the other's answer": [(2, LATE), (20, OTHER_GOOD)],
    "byte by byte": [(2 + 0.573 * i, LATE[i : i + 1]) for i in range(len(LATE))] + [(20, OTHER_GOOD)],
    "glued to the other's answer": [(2, LATE + OTHER_GOOD)],
    "while we ask the other": [(-1, LATE), (20, OTHER_GOOD)],
    "twice": [(2, LATE), (10, LATE), (20, OTHER_GOOD)],
    "longer than the other's answer": [(2, frame.reply(17, 3, bytes(100))), (80, OTHER_GOOD)],
    "longer, in lumps as long as the other's answer": [
        (2, frame.reply(17, 3, bytes(100))[:7]),
        (5.5, frame.reply(17, 3, bytes(100))[7:]),
        (80, OTHER_GOOD),
    ],
    "its exception": [(2, REFUSAL), (20, OTHER_GOOD)],
}


class TestQuietLine:
    def test_an_owing_unit_is_not_asked(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        outcome = wire.play(ASK)
        assert outcome.owes_until_ns is not None
        wire.now_ns = outcome.owes_until_ns - 1
        with pytest.raises(AssertionError, match="owes a reply"):
            wire.machine.start(ASK, wire.now_ns)
        wire.now_ns += 1
        assert wire.play(ASK, after([(5, GOOD)])).data == WORDS

    @pytest.mark.parametrize("name", OWED)
    def test_what_it_says_late_neither_answers_nor_ends_anothers_exchange(self, name: str, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        assert wire.play(ASK).fault is Fault.NO_ANSWER
        outcome = wire.play(OTHER, after(OWED[name]))
        assert outcome.data == b"\x00\x0a"
        assert {refused.fault for refused in outcome.refused} == {Fault.WRONG_ADDRESS}
        assert {refused.heard[0] for refused in outcome.refused} == {17}

    def test_only_its_late_reply(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(ASK)
        assert wire.play(OTHER, after([(2, LATE)])).fault is Fault.NO_ANSWER

    def test_a_damaged_late_reply_is_noise(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(ASK)
        outcome = wire.play(OTHER, after([(2, flipped(LATE, 5)), (20, OTHER_GOOD)]))
        assert (outcome.data, outcome.fault) == (None, Fault.BAD_CRC)

    def test_a_late_reply_while_nobody_is_asked(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        """While it is owed it is that; later it is another master's, or noise."""
        for late_ns, unasked in ((-MS, False), (0, True)):
            wire = wire_of(LINE)
            first = wire.play(ASK)
            wire.now_ns = (first.owes_until_ns or 0) + late_ns
            other_block = frame.reply(17, 3, bytes(6))
            wire.machine.receive(other_block, wire.now_ns)
            wire.now_ns += 2 * MS
            again = wire.play(ASK, after([(5, GOOD)]))
            assert again.data == WORDS
            assert again.refused == (Refused(Fault.STRAY_BYTES, other_block, unasked),)

    def test_the_reply_that_comes_after_all_comes_before_the_unit_is_asked_again(self, wire_of: WireOf) -> None:
        """Late by any time up to the longest delay again: two equally long blocks are never mixed up."""
        for late in range(101, 300, 7):
            wire = wire_of(LINE)
            first = wire.play(ASK, after([(late, frame.reply(17, 3, b"stale!"))]))
            if first.fault is None:
                continue  # within the allowance for the adapter
            wire.now_ns = first.owes_until_ns or 0
            second = wire.play(Ask(17, Read(3, 0x7B, 3), 100 * MS), after([(5, GOOD)]))
            assert second.data in (WORDS, None), late


WAKE = Ask(17, Read(3, 1, 1), longest_delay_ns=20 * MS, expects_reply=False)
WAKE_GOOD = frame.reply(17, 3, b"\x00\x05")
ALIKE = Ask(17, Read(3, 9, 1), longest_delay_ns=100 * MS)
ALIKE_GOOD = frame.reply(17, 3, b"\x00\x0a")


class TestWaking:
    """A read that only wakes: its wait is 20 ms, the meter's longest delay 100 ms."""

    @pytest.mark.parametrize(
        "heard",
        [
            [], [(5, WAKE_GOOD)], [(5, b"\xa5\x5a\x00\xff\x13")], [(5, frame.exception_reply(17, 3, 2))],
            [(0.5, frame.request(17, WAKE.read))], [(1, bytes(3000))], [(19.9, WAKE_GOOD)],
        ],
    )  # fmt: skip
    def test_ends_well_after_its_wait_whatever_comes(self, heard: list[tuple[float, bytes]], wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        outcome = wire.play(WAKE, after(heard))
        assert wire.requests == [(LINE.silence_ns, frame.request(17, WAKE.read))]
        assert (outcome.data, outcome.fault, outcome.refused, outcome.owes_until_ns) == (b"", None, (), None)
        assert outcome.ended_ns == outcome.sent_ns + 20 * MS
        assert wire.play(ASK, after([(5, GOOD)])).data == WORDS

    @pytest.mark.parametrize("fault", [Fault.STOPPED, Fault.PORT_LOST])
    def test_can_be_ended_from_our_side(self, fault: Fault) -> None:
        line = Exchange(LINE, 0)
        line.start(WAKE, 0)
        line.expire(10 * MS)
        assert line.request_due(10 * MS)
        assert line.halt(fault, 15 * MS).fault is fault

    @pytest.mark.parametrize("late_ms", [21, 22.3, 23, 30, 60, 90])
    @pytest.mark.parametrize("ask", [ASK, OTHER])
    def test_an_answer_after_the_wait_is_told_and_thrown_away(self, late_ms: float, ask: Ask, wire_of: WireOf) -> None:
        """It comes while the unit is asked for another block, or while another unit is."""
        wire = wire_of(LINE)
        wire.play(WAKE, after([(late_ms, WAKE_GOOD)]))
        good = frame.reply(ask.address, ask.read.function, bytes(ask.read.content_bytes))
        outcome = wire.play(ask, after([(95, good)]))
        assert (outcome.fault, outcome.data, outcome.refused) == (None, bytes(ask.read.content_bytes), ())

    @pytest.mark.parametrize("heard", [WAKE_GOOD + GOOD, WAKE_GOOD[:4]])
    def test_glued_to_the_answer_and_in_pieces(self, heard: bytes, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(WAKE)
        rest = [(8.5, WAKE_GOOD[4:]), (40, GOOD)] if len(heard) == 4 else []
        assert wire.play(ASK, after([(5, heard), *rest])).data == WORDS

    @pytest.mark.parametrize("late_ms", [0, 5, 21, 25, 60, 99, 103, 106])
    def test_a_block_of_the_same_length_is_asked_when_no_answer_to_the_waking_can_come(
        self, late_ms: float, wire_of: WireOf
    ) -> None:
        wire = wire_of(LINE)
        wake = wire.play(WAKE, after([(late_ms, WAKE_GOOD)]))
        outcome = wire.play(ALIKE, after([(5, ALIKE_GOOD)]))
        assert outcome.data == b"\x00\x0a", "not the words of the other block"
        assert outcome.refused == ()
        waited_ms = (wire.requests[-1][0] - wake.sent_ns) / MS
        assert max(20, late_ms) <= waited_ms <= max(20, late_ms) + LINE.silence_ns / MS + 0.01
        assert wire.play(ALIKE, after([(5, ALIKE_GOOD)])).sent_ns - outcome.ended_ns < 10 * MS, "then no more"

    def test_without_an_answer_to_the_waking_such_a_block_waits_as_for_one_that_is_owed(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wake = wire.play(WAKE)
        assert wire.play(ALIKE, after([(5, ALIKE_GOOD)])).data == b"\x00\x0a"
        waited_ns = wire.requests[-1][0] - wake.sent_ns
        assert waited_ns == 2 * (100 * MS + LINE.wire_ns(7)) + LINE.latency_ns + LINE.silence_ns
        assert wire.play(WAKE).fault is None, "which needs no answer and waits for none"

    def test_a_refusal_of_the_function_just_asked_is_the_answer(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(WAKE)
        assert wire.play(ASK, after([(5, REFUSAL)])).fault is Fault.EXCEPTION

    def test_but_it_may_be_the_wakings_so_that_the_real_answer_is_owed(self, wire_of: WireOf) -> None:
        """That one comes while the unit is left alone, not as the answer to its next request."""
        wire = wire_of(LINE)
        wire.play(WAKE)
        refused = wire.play(ASK, after([(5, REFUSAL), (60, GOOD)]))
        assert refused.owes_until_ns is not None
        assert wire.machine.owes(17, refused.sent_ns + 100 * MS + LINE.wire_ns(len(GOOD)))
        assert wire.play(OTHER, after([(95, OTHER_GOOD)])).data == b"\x00\x0a"

    @pytest.mark.parametrize("heard", [WAKE_GOOD, b""])
    def test_a_refusal_is_sure_after_an_answer_or_of_another_function(self, heard: bytes, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(WAKE, after([(5, heard)]) if heard else ())
        ask = ASK if heard else Ask(17, Read(4, 8, 1), 100 * MS)
        refused = wire.play(ask, after([(5, frame.exception_reply(17, ask.read.function, 2))]))
        assert (refused.fault, refused.owes_until_ns) == (Fault.EXCEPTION, None)

    @pytest.mark.parametrize("first_ms", [30, 45])
    def test_woken_twice_it_may_answer_twice(self, first_ms: float, wire_of: WireOf) -> None:
        """The first answer comes before the second waking leaves, or within its wait; the second one after both."""
        wire = wire_of(LINE)
        wire.play(WAKE, after([(first_ms, WAKE_GOOD)]))
        wire.play(OTHER, after([(5, OTHER_GOOD)]))
        second = wire.play(WAKE, after([(80, WAKE_GOOD)]))
        assert wire.play(ALIKE, after([(5, ALIKE_GOOD)])).data == b"\x00\x0a", "not the words of the other block"
        assert wire.requests[-1][0] > second.sent_ns + 80 * MS

    def test_a_second_late_answer_is_none(self, wire_of: WireOf) -> None:
        wire = wire_of(LINE)
        wire.play(WAKE)
        outcome = wire.play(ASK, after([(5, WAKE_GOOD), (20, WAKE_GOOD)]))
        assert (outcome.data, outcome.fault) == (None, Fault.WRONG_BYTE_COUNT)


class TestHalt:
    @pytest.mark.parametrize("fault", [Fault.STOPPED, Fault.PORT_LOST])
    def test_in_every_running_state(self, fault: Fault) -> None:
        """After each, the machine takes the next ask; what was sent is owed."""
        for heard in (None, b"", GOOD[:4], GOOD, GOOD + b"\x00"):
            line = Exchange(LINE, 0)
            line.start(ASK, 0)
            if heard is not None:
                line.expire(10 * MS)
                assert line.request_due(10 * MS)
                line.receive(heard, 20 * MS)
            outcome = line.halt(fault, 30 * MS)
            assert (outcome.fault, outcome.owes_until_ns is None) == (fault, heard is None)
            line.start(OTHER, 40 * MS)

    def test_only_a_running_exchange_can_be_halted(self) -> None:
        with pytest.raises(KeyError):
            Exchange(LINE, 0).halt(Fault.STOPPED, 0)


def test_only_settling_leads_to_an_answer() -> None:
    """The law of the machine, read from its table."""
    from_settling = {key for key, action in TABLE.items() if action is Exchange._settled}
    assert from_settling == {(State.SETTLING, Happening.DUE)}


def test_receive_says_what_is_lost_already() -> None:
    line = Exchange(LINE, 0)
    line.start(ASK, 0)
    line.expire(10 * MS)
    line.request_due(10 * MS)
    assert line.receive(GOOD, 50 * MS) is NEED_MORE
    assert line.receive(b"\x00", 50 * MS) is Fault.STRAY_BYTES


def test_request_leaves_once() -> None:
    line = Exchange(LINE, 0)
    line.start(ASK, 0)
    assert line.request_due(0) == b""
    line.expire(LINE.silence_ns)
    assert line.request_due(LINE.silence_ns) == frame.request(17, ASK.read)
    assert line.request_due(LINE.silence_ns) == b""

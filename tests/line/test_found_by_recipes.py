"""What the campaign of recipes has found wrong in the exchange, one by one and without chance."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from tallywell.line.frame import reply, request
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault

if TYPE_CHECKING:
    from tests.line.conftest import Wire

    WireOf = Callable[[LineSettings], Wire]

MS = 1_000_000


@pytest.mark.parametrize("early_ms", [1, 3, 5])
def test_the_next_request_waits_for_silence_behind_the_one_before(wire_of: WireOf, early_ms: int) -> None:
    """Bytes that come while a request is still leaving do not make it end sooner.

    At 9,600 baud a request takes 9.2 ms; a stray byte in its first half ended the exchange before it had left.

    Modbus over Serial Line V1.02, 2.5.1: frames are apart by 3.5 characters.
    """
    settings = LineSettings("x", 9_600, latency_ns=0)
    wire = wire_of(settings)
    request_ns = settings.wire_ns(8)
    struck = wire.play(Ask(17, Read(4, 0, 2), 50 * MS), [(early_ms * MS - request_ns, b"\x55")])
    assert struck.fault is Fault.STRAY_BYTES
    wire.play(Ask(18, Read(4, 0, 2), 50 * MS))
    (first_ns, _), (second_ns, _) = wire.requests
    assert second_ns - (first_ns + request_ns) >= settings.silence_ns


def test_what_another_ended_leaves_the_meter_as_much_time_as_silence_does(wire_of: WireOf) -> None:
    """Another master's request fails the exchange; the meter's late answer is taken for no other block."""
    settings = LineSettings("x", 19_200, latency_ns=2 * MS)
    ask = Ask(17, Read(4, 0, 2), 50 * MS)
    foreign = [(5 * MS, request(99, ask.read))]
    ended, silent = wire_of(settings).play(ask, foreign), wire_of(settings).play(ask)
    assert (ended.fault, silent.fault) == (Fault.WRONG_ADDRESS, Fault.NO_ANSWER)
    assert ended.owes_until_ns is not None
    assert ended.owes_until_ns - ended.sent_ns == (silent.owes_until_ns or 0) - silent.sent_ns


def test_a_damaged_answer_is_named_by_its_length_whatever_bit_is_wrong(wire_of: WireOf) -> None:
    """Two bits, one of them that which makes a refusal of the function: still an answer with a wrong checksum."""
    good = reply(17, 4, bytes(8))
    ask = Ask(17, Read(4, 0, 4), 50 * MS)
    for first in range(8 * len(good)):
        damaged = bytearray(good)
        for bit in (first, (first + 15 - 8) % (8 * len(good))):
            damaged[bit // 8] ^= 1 << bit % 8
        damaged[1] ^= 0x80
        outcome = wire_of(LineSettings("x", 19_200)).play(ask, [(10 * MS, bytes(damaged))])
        assert outcome.fault is Fault.BAD_CRC, damaged.hex()

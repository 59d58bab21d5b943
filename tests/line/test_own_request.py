"""Bytes that come while a request is still leaving do not make it end sooner: the silence counts from its last bit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest

from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault

if TYPE_CHECKING:
    from tests.line.conftest import Wire

    WireOf = Callable[[LineSettings], Wire]

MS = 1_000_000


@pytest.mark.parametrize("early_ms", [1, 3, 5])
def test_the_next_request_waits_for_silence_behind_the_one_before(wire_of: WireOf, early_ms: int) -> None:
    """At 9,600 baud a request takes 9.2 ms; a stray byte in its first half ended the exchange before it had left.

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

"""Times on the wire against Modbus over Serial Line V1.02, 2.5.1 and 2.5.1.1."""

from fractions import Fraction

import pytest

from tallywell.line.timing import LineSettings, SocketSettings
from tallywell.readings.exchange import Read


@pytest.mark.parametrize(
    ("parity", "stop_bits", "bits"), [("even", 1, 11), ("odd", 1, 11), ("none", 2, 11), ("none", 1, 10)]
)
def test_character_bits(parity: str, stop_bits: int, bits: int) -> None:
    assert LineSettings("x", 9600, parity, stop_bits).character_bits == bits  # type: ignore[arg-type] # parametrised


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 19200])
def test_silence_is_three_and_a_half_characters(baud: int) -> None:
    silence = Fraction(LineSettings("x", baud).silence_ns, 10**9)
    exact = Fraction(7, 2) * 11 / baud
    assert exact <= silence < exact + Fraction(1, 10**9)


@pytest.mark.parametrize("baud", [19201, 38400, 57600, 115200])
def test_silence_is_fixed_above_19200(baud: int) -> None:
    assert LineSettings("x", baud).silence_ns == 1_750_000


def test_wire_limit_of_a_cycle() -> None:
    """19,200 baud 8E1: 8 + 25 + 7 bytes and 7 characters of silence for 10 words; by hand."""
    line = LineSettings("x", 19200)
    reads = [Read(4, 0, 10), Read(3, 20, 1)]
    characters = (8 + 25 + 7) + (8 + 7 + 7)
    assert abs(line.cycle_ns(reads, turnaround_ns=0) - characters * 11 * 10**9 // 19200) < 10
    assert line.cycle_ns(reads, 1000) == line.cycle_ns(reads) + 2000


@pytest.mark.parametrize("wrong", [{"baud": 0}, {"stop_bits": 3}, {"parity": "mark"}])
def test_no_such_line(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="no such line"):
        LineSettings("x", **wrong)  # type: ignore[arg-type] # wrong on purpose


def test_a_line_through_a_socket_has_no_wire_time() -> None:
    """Lengths by hand: Modbus TCP has a header of 7 bytes and no CRC (Implementation Guide V1.0b, 3.1.3)."""
    tcp, rtu = SocketSettings("192.0.2.10"), SocketSettings("192.0.2.10", 4001, "rtu")
    read = Read(4, 0, 10)
    assert (tcp.numbered, tcp.request_length, tcp.reply_length(read), tcp.exchange_ns(read, 5)) == (True, 12, 29, 5)
    assert (rtu.numbered, rtu.request_length, rtu.reply_length(read)) == (False, 8, 25)
    assert rtu.exchange_ns(read, 5) == rtu.silence_ns + 5


@pytest.mark.parametrize("wrong", [{"tcp_port": 0}, {"tcp_port": 65_536}, {"framing": "ascii"}])
def test_no_such_socket(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="no such line"):
        SocketSettings("192.0.2.10", **wrong)  # type: ignore[arg-type] # wrong on purpose

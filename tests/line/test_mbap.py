"""Frames of Modbus TCP against the Modbus Messaging on TCP/IP Implementation Guide V1.0b and pymodbus's framer."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadInputRegistersRequest

from tallywell.line import mbap
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault

ASK = Ask(17, Read(4, 8, 1), 0)
assert FramerType.SOCKET  # the library's name of the same framing


def test_a_request_by_hand() -> None:
    """Header of 3.1.3: number, protocol 0, length of what follows it, unit; the content of V1.1b3, 6.4."""
    assert mbap.request(0x1234, 17, Read(4, 8, 1)) == bytes.fromhex("1234 0000 0006 11 04 0008 0001")


def test_a_reply_by_hand() -> None:
    raw = bytes.fromhex("1234 0000 0005 11 04 02 000a")
    found = mbap.first_frame(raw + b"\x12")
    assert found == mbap.Frame(0x1234, 17, bytes.fromhex("04 02 000a"))
    assert (found.raw, mbap.reply(0x1234, 17, 4, b"\0\x0a")) == (raw, raw)
    assert mbap.reply_length(ASK.read) == len(raw)


@given(st.integers(0, 0xFFFF), st.integers(1, 247), st.integers(0, 60_000), st.integers(1, 125))
def test_another_library_builds_the_same_request(number: int, unit: int, register: int, words: int) -> None:
    asked = ReadInputRegistersRequest(address=register, count=words, dev_id=unit, transaction_id=number)
    theirs = FramerSocket(DecodePDU(is_server=False)).buildFrame(asked)
    assert theirs == mbap.request(number, unit, Read(4, register, words))


@pytest.mark.parametrize(
    ("heard", "what"),
    [
        ("0001 01", "protocol number other than 0"),
        ("0001 0001", "protocol number other than 0"),
        ("0001 0000 0000", "length of 0"),
        ("0001 0000 0001", "length of 1"),
        ("0001 0000 00ff 11", "length of 255"),
        ("0001 0000 ffff", "length of 65535"),
    ],
)
def test_no_frame_can_stand_here(heard: str, what: str) -> None:
    with pytest.raises(mbap.Malformed, match=what):
        mbap.first_frame(bytes.fromhex(heard))


@pytest.mark.parametrize(
    ("reply", "fault"),
    [
        (mbap.reply(1, 17, 4, b"\0\1"), None),
        (mbap.reply(1, 18, 4, b"\0\1"), Fault.WRONG_ADDRESS),
        (mbap.reply(1, 17, 3, b"\0\1"), Fault.WRONG_FUNCTION),
        (mbap.reply(1, 17, 4, b"\0\1\0\2"), Fault.WRONG_BYTE_COUNT),
        (mbap.framed(1, 17, b"\4\2\0\1\0"), Fault.WRONG_LENGTH),
        (mbap.framed(1, 17, b"\4\2\0"), Fault.WRONG_LENGTH),
        (mbap.framed(1, 17, b"\4"), Fault.WRONG_LENGTH),
        (mbap.request(1, 17, ASK.read), Fault.WRONG_LENGTH),
        (mbap.exception_reply(1, 17, 4, 2), Fault.EXCEPTION),
        (mbap.exception_reply(1, 17, 4, 0x0A), Fault.NO_ANSWER),
        (mbap.exception_reply(1, 17, 4, 0x0B), Fault.NO_ANSWER),
        (mbap.exception_reply(1, 17, 3, 2), Fault.WRONG_FUNCTION),
        (mbap.framed(1, 17, b"\x84"), Fault.WRONG_LENGTH),
        (mbap.framed(1, 17, b"\x84\x02\x00"), Fault.WRONG_LENGTH),
    ],
)
def test_what_a_frame_is_to_the_request(reply: bytes, fault: Fault | None) -> None:
    found = mbap.first_frame(reply)
    assert found is not None
    assert mbap.judge(ASK, found) is fault


@given(st.binary(max_size=300))
def test_any_bytes_are_a_frame_or_none_or_malformed(heard: bytes) -> None:
    try:
        found = mbap.first_frame(heard)
    except mbap.Malformed:
        return
    if found is None:
        assert len(heard) < 260
    else:
        assert heard.startswith(found.raw)
        mbap.judge(ASK, found)


@given(st.integers(0, 0xFFFF), st.integers(0, 255), st.builds(Read, st.integers(1, 4), st.integers(0, 9), st.just(7)))
def test_a_request_is_read_back(number: int, unit: int, read: Read) -> None:
    found = mbap.first_frame(mbap.request(number, unit, read))
    assert found is not None
    assert (found.transaction, found.unit, mbap.asked_read(found)) == (number, unit, read)

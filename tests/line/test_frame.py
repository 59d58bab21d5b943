"""Frames against the published examples and against a CRC written another way."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.line import frame
from tallywell.readings.exchange import Read

reads = st.builds(
    Read, st.sampled_from([1, 2, 3, 4]), st.integers(0, 0xFFFF - 125), st.integers(1, 125)
)  # fmt: skip


def crc_bit_by_bit(content: bytes) -> int:
    """The same polynomial, a bit at a time, unreflected register: shares nothing with the table."""
    register = 0xFFFF
    for byte in content:
        for bit in range(8):
            top = (register >> 15) ^ ((byte >> bit) & 1)
            register = ((register << 1) & 0xFFFF) ^ (0x8005 if top else 0)
    return int(f"{register:016b}"[::-1], 2)


def test_crc_of_the_catalogue() -> None:
    """Catalogue of parametrised CRC algorithms, CRC-16/MODBUS: check value 0x4B37."""
    assert frame.crc16(b"123456789") == 0x4B37
    assert crc_bit_by_bit(b"123456789") == 0x4B37


@given(st.binary(max_size=300))
def test_crc_equals_the_bitwise_one(content: bytes) -> None:
    assert frame.crc16(content) == crc_bit_by_bit(content)


def test_holding_registers_of_the_specification() -> None:
    """Modbus Application Protocol V1.1b3, 6.3: request 03 006B 0003, reply 03 06 022B 0000 0064."""
    assert frame.request(17, Read(3, 0x006B, 3))[1:-2] == bytes.fromhex("03006b0003")
    assert frame.reply(17, 3, bytes.fromhex("022b00000064"))[1:-2] == bytes.fromhex("0306022b00000064")


def test_input_registers_of_the_specification() -> None:
    """Modbus Application Protocol V1.1b3, 6.4: request 04 0008 0001, reply 04 02 000A."""
    assert frame.request(17, Read(4, 0x0008, 1))[1:-2] == bytes.fromhex("0400080001")
    assert frame.reply(17, 4, bytes.fromhex("000a"))[1:-2] == bytes.fromhex("0402000a")


def test_exception_of_the_specification() -> None:
    """Modbus Application Protocol V1.1b3, section 7, its example: function 01, code 02 is answered 81 02."""
    assert frame.exception_reply(10, 1, 2)[:-2] == bytes.fromhex("0a8102")


@pytest.mark.parametrize(
    ("read", "length"), [(Read(3, 0, 1), 7), (Read(4, 0, 125), 255), (Read(1, 0, 8), 6), (Read(2, 0, 9), 7)]
)
def test_reply_length(read: Read, length: int) -> None:
    assert frame.reply_length(read) == length


@given(st.integers(1, 247), reads)
def test_a_request_reads_back(address: int, read: Read) -> None:
    asked = frame.request(address, read)
    assert len(asked) == frame.REQUEST_LENGTH
    assert frame.parse_request(asked) == (address, read)


@given(st.integers(1, 247), reads, st.integers(0, 63))
def test_a_damaged_request_is_none(address: int, read: Read, bit: int) -> None:
    asked = bytearray(frame.request(address, read))
    asked[bit // 8] ^= 1 << bit % 8
    assert frame.parse_request(bytes(asked)) is None


@given(st.binary(max_size=20))
def test_any_bytes_are_a_request_or_none(content: bytes) -> None:
    for text in (content, frame.with_crc(content)):
        found = frame.parse_request(text)
        assert found is None or frame.request(*found) == text


def test_writing_cannot_be_asked() -> None:
    for function in set(range(256)) - {1, 2, 3, 4}:
        with pytest.raises(ValueError, match="does not read"):
            Read(function, 0, 1)
        assert frame.parse_request(frame.with_crc(bytes((1, function, 0, 0, 0, 1)))) is None

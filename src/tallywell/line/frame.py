"""Modbus RTU frames: address, function, content, CRC. Only the four functions that read can be asked.

    request         address function register(2) quantity(2) crc(2)                      8 bytes
    reply           address function byte_count content crc(2)                           5 + 2n bytes, n words
    exception reply address function|0x80 code crc(2)                                    5 bytes
Numbers are big-endian, the CRC little-endian (Modbus over Serial Line V1.02, 2.5.1 and 6.2.2; Modbus Application
Protocol V1.1b3, 6.1 to 6.4 and 7). Of functions 1 and 2 the quantity counts bits and the content is packed 8 to a byte.
"""

from tallywell.readings.exchange import READ_FUNCTIONS, Read

LONGEST_FRAME = 256  # bytes (Modbus over Serial Line V1.02, 2.5.1)
SHORTEST_FRAME = 4  # address, function and CRC
REQUEST_LENGTH = 8
EXCEPTION_LENGTH = 5
EXCEPTION_BIT = 0x80


def _shifted(value: int) -> int:
    for _ in range(8):
        value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


_TABLE = tuple(_shifted(byte) for byte in range(256))


def crc16(content: bytes) -> int:
    """CRC-16/MODBUS: polynomial 0x8005 reflected, begun at 0xFFFF (Modbus over Serial Line V1.02, 6.2.2)."""
    value = 0xFFFF
    for byte in content:
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
    return value


def with_crc(content: bytes) -> bytes:
    return content + crc16(content).to_bytes(2, "little")


def crc_holds(frame: bytes) -> bool:
    return len(frame) >= 4 and crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little")


def shortest_sound(heard: bytes) -> int | None:
    """How long the shortest beginning is that has a CRC which holds, 4 to 256 bytes; None where there is none."""
    value = 0xFFFF
    for number, byte in enumerate(heard[:LONGEST_FRAME], 1):
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
        if value == 0 and number >= SHORTEST_FRAME:  # what stands behind its own CRC leaves nothing
            return number
    return None


def request(address: int, read: Read) -> bytes:
    """The 8 bytes that ask `address` for `read`. ValueError: 0 would be a broadcast, and above 247 nobody hangs."""
    if not 1 <= address <= 247:
        raise ValueError(f"address {address} is outside 1 to 247 (Modbus over Serial Line V1.02, 2.2)")
    where = read.register.to_bytes(2, "big") + read.words.to_bytes(2, "big")
    return with_crc(bytes((address, read.function)) + where)


def reply(address: int, function: int, content: bytes) -> bytes:
    """The meter's answer with `content` (big-endian words, or packed bits); at most 250 bytes of it."""
    return with_crc(bytes((address, function, len(content))) + content)


def exception_reply(address: int, function: int, code: int) -> bytes:
    """The meter's refusal of `function`; codes as in Modbus Application Protocol V1.1b3, section 7."""
    return with_crc(bytes((address, function | EXCEPTION_BIT, code)))


def reply_length(read: Read) -> int:
    """How many bytes the whole good reply to `read` has."""
    return 5 + read.content_bytes


def parse_request(frame: bytes) -> tuple[int, Read] | None:
    """Address and read of a whole, undamaged request to read; None for anything else."""
    if len(frame) != REQUEST_LENGTH or frame[1] not in READ_FUNCTIONS or not crc_holds(frame):
        return None
    try:
        return frame[0], Read(frame[1], int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big"))
    except ValueError:
        return None

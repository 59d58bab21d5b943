"""Modbus TCP frames: a header of seven bytes, then function and content; no CRC, as TCP carries its own check sum.

    header      transaction(2) protocol(2) = 0 length(2) unit                            7 bytes
    request     header function register(2) quantity(2)                                 12 bytes
    reply       header function byte_count content                                       9 + 2n bytes, n words
    exception   header function|0x80 code                                                9 bytes
All numbers are big-endian. `length` counts the unit and what follows (Modbus Messaging on TCP/IP Implementation Guide
V1.0b, 3.1.3; Modbus Application Protocol V1.1b3, 4.1: at most 253 bytes from the function on). The transaction number
comes back as it was sent: the one thing by which an answer names its request.
"""

from dataclasses import dataclass

from tallywell.line.frame import EXCEPTION_BIT
from tallywell.readings.exchange import READ_FUNCTIONS, Ask, Read
from tallywell.readings.faults import Fault

HEADER_LENGTH = 7
BEFORE_UNIT = 6  # bytes that `length` does not count
REQUEST_LENGTH = 12
LEAST_STATED, MOST_STATED = 2, 254  # unit and function; unit and 253 bytes
TRANSACTIONS = 0x10000

# V1.1b3, section 7: what a gateway says where the meter behind it says nothing.
NO_PATH, TARGET_SILENT = 0x0A, 0x0B
OF_THE_GATEWAY = frozenset({NO_PATH, TARGET_SILENT})


class Malformed(ValueError):
    """The stream holds no frame at this place, so that nothing tells where the next one begins."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One whole frame. `pdu` begins with the function."""

    transaction: int
    unit: int
    pdu: bytes

    @property
    def raw(self) -> bytes:
        return framed(self.transaction, self.unit, self.pdu)


def framed(transaction: int, unit: int, pdu: bytes) -> bytes:
    numbers = transaction, 0, 1 + len(pdu)
    return b"".join(number.to_bytes(2, "big") for number in numbers) + bytes((unit,)) + pdu


def request(transaction: int, unit: int, read: Read) -> bytes:
    """The 12 bytes that ask `unit` for `read`."""
    where = read.register.to_bytes(2, "big") + read.words.to_bytes(2, "big")
    return framed(transaction, unit, bytes((read.function,)) + where)


def reply(transaction: int, unit: int, function: int, content: bytes) -> bytes:
    """The answer with `content` (big-endian words, or packed bits); at most 250 bytes of it."""
    return framed(transaction, unit, bytes((function, len(content))) + content)


def exception_reply(transaction: int, unit: int, function: int, code: int) -> bytes:
    return framed(transaction, unit, bytes((function | EXCEPTION_BIT, code)))


def reply_length(read: Read) -> int:
    """How many bytes the whole good reply to `read` has."""
    return HEADER_LENGTH + 2 + read.content_bytes


def first_frame(heard: bytes) -> Frame | None:
    """The frame at the beginning of the stream; None while more must come. Malformed as soon as there can be none."""
    if any(heard[2:4]):
        raise Malformed("a protocol number other than 0")
    if len(heard) < BEFORE_UNIT:
        return None
    stated = int.from_bytes(heard[4:6], "big")
    if not LEAST_STATED <= stated <= MOST_STATED:
        raise Malformed(f"a length of {stated}, outside {LEAST_STATED} to {MOST_STATED}")
    if len(heard) < BEFORE_UNIT + stated:
        return None
    return Frame(int.from_bytes(heard[:2], "big"), heard[6], heard[HEADER_LENGTH : BEFORE_UNIT + stated])


def judge(ask: Ask, found: Frame) -> Fault | None:
    """What a frame that carries the request's own number is to it. None: exactly the good reply.

    A gateway's refusal on behalf of a meter that it cannot reach, or that did not answer it, is no answer of the meter.
    """
    function, pdu = ask.read.function, found.pdu
    if found.unit != ask.address:
        return Fault.WRONG_ADDRESS
    if pdu[0] == function | EXCEPTION_BIT:
        if len(pdu) != 2:
            return Fault.WRONG_LENGTH
        return Fault.NO_ANSWER if pdu[1] in OF_THE_GATEWAY else Fault.EXCEPTION
    if pdu[0] != function:
        return Fault.WRONG_FUNCTION
    if len(pdu) < 2 or len(pdu) != 2 + pdu[1]:
        return Fault.WRONG_LENGTH
    return None if pdu[1] == ask.read.content_bytes else Fault.WRONG_BYTE_COUNT


def asked_read(found: Frame) -> Read | None:
    """The read that a request's frame asks for; None where it is none."""
    if len(found.pdu) != 5 or found.pdu[0] not in READ_FUNCTIONS:
        return None
    try:
        return Read(found.pdu[0], int.from_bytes(found.pdu[1:3], "big"), int.from_bytes(found.pdu[3:], "big"))
    except ValueError:
        return None

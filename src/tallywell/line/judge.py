"""What a heard run of bytes is to the ask it stands behind: the answer, a refusal, or one named fault. No time here.

A run is judged whole, once silence stands behind it. If its CRC holds it is a frame and is named by the first field
that is not as asked; if not, it is damage and is named by its length and by how it begins. A frame that the CRC passes
by chance (1 in 65,536 random damages) cannot be told from a good one: the other fields must still be as asked.
"""

from tallywell.line import frame
from tallywell.readings.exchange import READ_FUNCTIONS, Ask
from tallywell.readings.faults import Fault


def wanted_length(ask: Ask, heard: bytes) -> int:
    """How long the answer has to be, as far as its beginning tells: 5 + 2n bytes, or 5 for an exception."""
    if heard[1:2] == bytes((ask.read.function | frame.EXCEPTION_BIT,)):
        return frame.EXCEPTION_LENGTH
    return frame.reply_length(ask.read)


def stated_length(heard: bytes) -> int | None:
    """How long a reply to a read is by its own account; None while that is unknown or where it is none."""
    if len(heard) < 2 or heard[1] & ~frame.EXCEPTION_BIT not in READ_FUNCTIONS:
        return None
    if heard[1] & frame.EXCEPTION_BIT:
        return frame.EXCEPTION_LENGTH
    return 5 + heard[2] if len(heard) > 2 else None


def judge(ask: Ask, heard: bytes) -> Fault | None:
    """None: `heard` is exactly the good reply to `ask`. Never raises, whatever the bytes."""
    return _of_frame(ask, heard) if frame.crc_holds(heard) else _of_damage(ask, heard)


def _of_frame(ask: Ask, heard: bytes) -> Fault | None:
    # An adapter may echo our request, and the CRC also holds with a zero byte behind the frame.
    if heard == frame.request(ask.address, ask.read) or holds_answer(ask, heard):
        return Fault.STRAY_BYTES
    if heard[0] != ask.address:
        return Fault.WRONG_ADDRESS
    if heard[1] == ask.read.function | frame.EXCEPTION_BIT:
        return Fault.EXCEPTION if len(heard) == frame.EXCEPTION_LENGTH else Fault.WRONG_LENGTH
    if heard[1] != ask.read.function:
        return Fault.WRONG_FUNCTION
    if len(heard) != 5 + heard[2]:
        return Fault.WRONG_LENGTH
    return None if heard[2] == ask.read.content_bytes else Fault.WRONG_BYTE_COUNT


def _of_damage(ask: Ask, heard: bytes) -> Fault:
    if holds_answer(ask, heard):
        return Fault.STRAY_BYTES
    # The reply's own length too, where the damage made a refusal of the function.
    if len(heard) in (frame.reply_length(ask.read), wanted_length(ask, heard), stated_length(heard)):
        return Fault.BAD_CRC
    begins = any(heard.startswith(head[: min(2, len(heard))]) for head, _ in _answers(ask))
    return Fault.WRONG_LENGTH if begins else Fault.STRAY_BYTES


def _answers(ask: Ask) -> tuple[tuple[bytes, int], tuple[bytes, int]]:
    """How the reply and the exception to `ask` begin, and how long each is."""
    reply = bytes((ask.address, ask.read.function, ask.read.content_bytes))
    refusal = bytes((ask.address, ask.read.function | frame.EXCEPTION_BIT))
    return (reply, frame.reply_length(ask.read)), (refusal, frame.EXCEPTION_LENGTH)


def holds_answer(ask: Ask, heard: bytes) -> bool:
    """Whether an answer stands somewhere in `heard`, with something before or behind it."""
    return any(_stands_in(heard, head, length) for head, length in _answers(ask))


def _stands_in(heard: bytes, head: bytes, length: int) -> bool:
    at = heard.find(head) if len(heard) > length else -1
    while at >= 0:
        if len(heard) >= at + length and frame.crc_holds(heard[at : at + length]):
            return True
        at = heard.find(head, at + 1)
    return False

"""Why a poll failed. Every name here is stored in `poll.fault`, so a name is never re-used for another meaning.

no answer at all      NO_ANSWER
something came, and it was refused
    damaged           BAD_CRC, WRONG_LENGTH, STRAY_BYTES
    foreign           WRONG_ADDRESS, WRONG_FUNCTION, WRONG_BYTE_COUNT
    the meter says no EXCEPTION      (Modbus Application Protocol V1.1b3, section 7)
our side              PORT_LOST, STOPPED
it came and is right on the wire, but cannot be kept as a value
                      NO_VALUE, OUT_OF_RANGE, TORN, PLAN_MISMATCH
"""

from enum import StrEnum


class Fault(StrEnum):
    """One reason for a missed poll; the value is the stored text."""

    NO_ANSWER = "no_answer"
    BAD_CRC = "bad_crc"
    WRONG_LENGTH = "wrong_length"
    STRAY_BYTES = "stray_bytes"
    WRONG_ADDRESS = "wrong_address"
    WRONG_FUNCTION = "wrong_function"
    WRONG_BYTE_COUNT = "wrong_byte_count"
    EXCEPTION = "exception"
    PORT_LOST = "port_lost"
    STOPPED = "stopped"
    NO_VALUE = "no_value"
    OUT_OF_RANGE = "out_of_range"
    TORN = "torn"
    PLAN_MISMATCH = "plan_mismatch"

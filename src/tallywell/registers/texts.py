"""Words <-> text: two characters to a word, the high byte first unless the map says otherwise.

The codes 20 to 7E (hexadecimal) are printed as ASCII has them (RFC 20); every other byte, and the backslash itself, is
shown as \\xNN, so that two texts that differ never look alike.
"""

import re

from tallywell.registers.numbers import pattern_of_words, words_of_pattern
from tallywell.registers.quantity import ByteOrder, WordOrder

_PADDING = b"\0 "
_ESCAPED = re.compile(r"\\x([0-9A-Fa-f]{2})")


def text_of_words(
    words: bytes,
    word_order: WordOrder = WordOrder.HIGH_WORD_FIRST,
    byte_order: ByteOrder = ByteOrder.HIGH_BYTE_FIRST,
) -> str:
    """The text without the NULs and blanks at its end."""
    ordered = pattern_of_words(words, word_order, byte_order).to_bytes(len(words), "big")
    return "".join(_shown(byte) for byte in ordered.rstrip(_PADDING))


def words_of_text(
    text: str,
    words: int,
    word_order: WordOrder = WordOrder.HIGH_WORD_FIRST,
    byte_order: ByteOrder = ByteOrder.HIGH_BYTE_FIRST,
) -> bytes:
    """The inverse, filled up with NULs; ValueError where the text is too long or has a character that is no byte."""
    plain = _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)
    try:
        content = plain.encode("latin-1")
    except UnicodeEncodeError:
        raise ValueError(f"{text!r} has a character that does not fit into one byte") from None
    if len(content) > 2 * words:
        raise ValueError(f"{text!r} is longer than {2 * words} characters")
    pattern = int.from_bytes(content.ljust(2 * words, b"\0"), "big")
    return words_of_pattern(pattern, words, word_order, byte_order)


def _shown(byte: int) -> str:
    return chr(byte) if 0x20 <= byte <= 0x7E and byte != 0x5C else f"\\x{byte:02X}"

"""Words or bits as a person types or pastes them -> content as it comes on the wire. ValueError says what is wrong."""

import re

from tallywell.readings.exchange import MOST_BITS, MOST_WORDS

_APART = re.compile(r"[\s,;|\[\]()]+")
_HEX = re.compile(r"(?:0[xX])?([0-9A-Fa-f]+)[hH]?\Z")


def words_given(text: str) -> bytes:
    """Hexadecimal words, apart or in one row: "0001 86A0", "0x0001, 0x86A0", "000186A0"."""
    pieces = _pieces(text)
    if len(pieces) > 1 and all(len(piece) == 2 and _HEX.match(piece) for piece in pieces):
        rest = "" if len(pieces) % 2 else f', such as "{_joined(pieces)}"'
        raise ValueError(f"{text.strip()!r} looks like bytes; write two as one word of four digits{rest}")
    content = b"".join(map(_hex_word, pieces))
    return _not_too_long(content, len(content) // 2, MOST_WORDS, "words")


def decimal_words_given(text: str) -> bytes:
    """Decimal words 0 to 65535, or -32768 to -1 as signed ones are shown."""
    words = [_decimal_word(piece) for piece in _pieces(text)]
    content = b"".join((word & 0xFFFF).to_bytes(2, "big") for word in words)
    return _not_too_long(content, len(words), MOST_WORDS, "words")


def bits_given(text: str) -> tuple[bytes, int]:
    """Bits, that of the lowest number first: "1 0 0 1" or "1001"; packed as on the wire, and how many they are."""
    digits = "".join(_pieces(text))
    wrong = next((digit for digit in digits if digit not in "01"), None)
    if wrong is not None:
        raise ValueError(f"{wrong!r} is no bit; write 0 and 1, that of the lowest number first")
    pattern = sum(1 << place for place, digit in enumerate(digits) if digit == "1")
    return _not_too_long(pattern.to_bytes((len(digits) + 7) // 8, "little"), len(digits), MOST_BITS, "bits"), len(
        digits
    )


def _pieces(text: str) -> list[str]:
    pieces = [piece for piece in _APART.split(text) if piece]
    if not pieces:
        raise ValueError("there is nothing; give what the registers hold, such as 0001 86A0")
    return pieces


def _joined(pieces: list[str]) -> str:
    return " ".join(high + low for high, low in zip(pieces[::2], pieces[1::2], strict=True))


def _hex_word(piece: str) -> bytes:
    found = _HEX.match(piece)
    if found is None:
        raise ValueError(
            f"{piece!r} is no word; a word has four hexadecimal digits, such as 86A0{_decimal_hint(piece)}"
        )
    digits = found[1]
    if len(digits) > 4 and len(digits) % 4:
        raise ValueError(
            f"{piece!r} has {len(digits)} digits; a word has four hexadecimal digits{_decimal_hint(piece)}"
        )
    return bytes.fromhex(digits.rjust(4, "0"))


def _decimal_hint(piece: str) -> str:
    return "; add --decimal if these are decimal numbers" if piece.lstrip("+-").isdecimal() else ""


def _decimal_word(piece: str) -> int:
    try:
        word = int(piece)
    except ValueError:
        raise ValueError(f"{piece!r} is no decimal number; leave out --decimal if the words are hexadecimal") from None
    if not -0x8000 <= word <= 0xFFFF:
        raise ValueError(f"{piece} is more than a word holds; a word is 0 to 65535 (or -32768 to -1)")
    return word


def _not_too_long(content: bytes, count: int, most: int, what: str) -> bytes:
    if count > most:
        raise ValueError(f"these are {count} {what}; give at most {most}, as many as one answer carries")
    return content

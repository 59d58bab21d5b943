"""Texts in words: order, padding, and what cannot be printed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.registers.quantity import ByteOrder, WordOrder
from tallywell.registers.texts import text_of_words, words_of_text

HIGH, LOW = WordOrder
HIGH_BYTE, LOW_BYTE = ByteOrder


@pytest.mark.parametrize(
    ("words", "word_order", "byte_order", "text"),
    [
        # RFC 20: A is 41, B 42, 1 is 31, blank 20 (hexadecimal).
        ("4142 3132", HIGH, HIGH_BYTE, "AB12"),
        ("4241 3231", HIGH, LOW_BYTE, "AB12"),
        ("3132 4142", LOW, HIGH_BYTE, "AB12"),
        ("3231 4241", LOW, LOW_BYTE, "AB12"),
        ("4142 2000 0000", HIGH, HIGH_BYTE, "AB"),
        ("4120 0042 2020", HIGH, HIGH_BYTE, r"A \x00B"),
        ("00FF 5C7F", HIGH, HIGH_BYTE, r"\x00\xFF\x5C\x7F"),
        ("0000 2020", HIGH, HIGH_BYTE, ""),
    ],
)
def test_known_texts(words: str, word_order: WordOrder, byte_order: ByteOrder, text: str) -> None:
    assert text_of_words(bytes.fromhex(words), word_order, byte_order) == text


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=40), st.sampled_from(list(WordOrder)), st.sampled_from(list(ByteOrder)))
def test_any_bytes_come_back_but_for_the_padding(content: bytes, word_order: WordOrder, byte_order: ByteOrder) -> None:
    words = bytes(content) + b"\0" * (len(content) % 2)
    text = text_of_words(words, word_order, byte_order)
    assert text.isascii()
    assert text.isprintable()
    again = words_of_text(text, len(words) // 2, word_order, byte_order)
    assert text_of_words(again, word_order, byte_order) == text
    if not words.endswith((b" ", b"\0")) and (word_order, byte_order) == (HIGH, HIGH_BYTE):
        assert again == words


@pytest.mark.parametrize("text", ["ABCDE", "\N{EURO SIGN}"])
def test_what_does_not_fit_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"longer than 4|one byte"):
        words_of_text(text, 2)

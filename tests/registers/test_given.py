"""Words and bits as people type them."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.registers.given import bits_given, decimal_words_given, words_given

WORDS = st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125)


@pytest.mark.parametrize(
    "text",
    ["0001 86A0", "0x0001, 0x86a0", "1,86A0", "000186A0", "0x000186A0", "[0001; 86A0]", " 0001\t86A0\n", "1h 86A0h"],
)
def test_words_in_every_dress(text: str) -> None:
    assert words_given(text) == bytes.fromhex("000186A0")


@given(WORDS)
def test_any_words_come_back(words: list[int]) -> None:
    expected = b"".join(word.to_bytes(2, "big") for word in words)
    assert words_given(" ".join(f"{word:04X}" for word in words)) == expected
    assert words_given("".join(f"{word:04x}" for word in words)) == expected
    assert decimal_words_given(", ".join(map(str, words))) == expected


def test_signed_decimal_words() -> None:
    assert decimal_words_given("-1 -32768 65535") == bytes.fromhex("FFFF8000FFFF")


@pytest.mark.parametrize(("text", "content", "count"), [("1 0 0 1", "09", 4), ("1000 0100 0001", "2108", 12)])
def test_bits_come_packed_the_lowest_first(text: str, content: str, count: int) -> None:
    """As in the example of Modbus Application Protocol V1.1b3, 6.1: the first output is the lowest bit."""
    assert bits_given(text) == (bytes.fromhex(content), count)


def test_the_example_of_the_standard() -> None:
    """V1.1b3, 6.1 (from memory): outputs 27-20 are sent as CD, 35-28 as 6B, 38-36 as 05."""
    on = "1011 0011" + "1101 0110" + "101"
    assert bits_given(on) == (bytes.fromhex("CD6B05"), 19)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "there is nothing; give what the registers hold"),
        ("00G1", "'00G1' is no word; a word has four hexadecimal digits, such as 86A0"),
        ("34464", "'34464' has 5 digits; a word has four hexadecimal digits; add --decimal"),
        ("-1", "'-1' is no word; a word has four hexadecimal digits, such as 86A0; add --decimal"),
        ("00 01 86 A0", 'looks like bytes; write two as one word of four digits, such as "0001 86A0"'),
        ("00 01 86", "looks like bytes; write two as one word of four digits"),
        ("0001 " * 126, "these are 126 words; give at most 125"),
    ],
)
def test_what_are_no_words(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=r"\w") as raised:
        words_given(text)
    assert says in str(raised.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("86A0", "'86A0' is no decimal number; leave out --decimal"),
        ("65536", "65536 is more than a word holds"),
        ("-32769", "-32769 is more than a word holds"),
    ],
)
def test_what_are_no_decimal_words(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=r"\w") as raised:
        decimal_words_given(text)
    assert says in str(raised.value)


def test_what_are_no_bits() -> None:
    with pytest.raises(ValueError, match="'2' is no bit"):
        bits_given("0 1 2")


@given(st.text(max_size=30))
def test_any_text_is_words_or_one_message(text: str) -> None:
    for take in (words_given, decimal_words_given, bits_given):
        said, content = taken(take, text)
        assert bool(said) != bool(content)
        assert said.isprintable(), "one line for a terminal"


def taken(take: Callable[[str], bytes | tuple[bytes, int]], text: str) -> tuple[str, bytes]:
    """What is said of it, and what it gives."""
    try:
        found = take(text)
    except ValueError as wrong:
        return str(wrong), b""
    return "", found if isinstance(found, bytes) else found[0]

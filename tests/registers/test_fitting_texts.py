"""A text among words is found where it stands, in whichever order it was sent."""

from hypothesis import given
from hypothesis import strategies as st

from tallywell.registers.fitting_texts import TextMatch, text_matches
from tallywell.registers.quantity import ByteOrder, Kind, Quantity, Table, ValueType, WordOrder
from tallywell.registers.texts import words_of_text

HIGH, LOW = WordOrder.HIGH_WORD_FIRST, WordOrder.LOW_WORD_FIRST
BYTES = ByteOrder.HIGH_BYTE_FIRST


@given(
    st.text("ABC-0123456789", min_size=3, max_size=12), st.tuples(*[st.integers(0, 3)] * 3),
    st.sampled_from(WordOrder), st.sampled_from(ByteOrder),
)  # fmt: skip
def test_it_is_found_in_every_order(
    shown: str, around: tuple[int, int, int], word_order: WordOrder, byte_order: ByteOrder
) -> None:
    before, behind, blank = around
    length = (len(shown) + 1) // 2 + blank
    sent = words_of_text(shown, length, word_order, byte_order)
    words = b"\xff\xff" * before + sent + b"\xff\xff" * behind
    assert TextMatch(100 + before, length, word_order, byte_order) in text_matches(words, 100, shown, None)


def test_the_nearest_to_the_map_comes_first() -> None:
    words = bytes.fromhex("412D 3137 FFFF 412D 3137")
    mapped = Quantity("tag", Kind.TEXT, Table.HOLDING, 13, ValueType.TEXT, length=2)
    assert [match.register for match in text_matches(words, 10, "A-17", mapped)] == [13, 10]
    assert [match.register for match in text_matches(words, 10, "A-17", None)] == [10, 13]


def test_one_word_has_no_word_order_and_what_is_not_there_is_not_found() -> None:
    assert text_matches(b"A7", 0, "A7", None) == [TextMatch(0, 1, HIGH, BYTES)]
    assert text_matches(b"A7", 0, "A8", None) == []
    assert text_matches(b"A7", 0, "A7B", None) == []

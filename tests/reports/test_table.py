"""Tables and wrapped lines of the text layout."""

from hypothesis import given
from hypothesis import strategies as st

from tallywell.reports.table import Column, pairs, table, wrapped


def test_numbers_stand_to_the_right_and_no_line_ends_in_blanks() -> None:
    lines = table([Column("day"), Column("volume", right=True), Column("")], [["1", "5", ""], ["10", "1,000", "gap"]])
    assert lines == ["  day  volume", "  1         5", "  10    1,000  gap"]


def test_a_table_without_rows_has_no_lines() -> None:
    assert table([Column("day")], []) == []


def test_a_long_value_goes_on_below_itself() -> None:
    assert pairs([("a", "one two three"), ("long", "x")], width=16) == ["  a     one two", "        three", "  long  x"]


@given(st.text(alphabet="ab ", max_size=200), st.integers(1, 30))
def test_wrapping_loses_no_letter_and_keeps_the_width(text: str, width: int) -> None:
    lines = wrapped(text, width)
    assert all(0 < len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")

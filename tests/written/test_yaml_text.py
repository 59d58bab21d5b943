"""What is written reads back as the same values."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.written.located import Plain, read_document
from tallywell.written.yaml_text import flow, scalar

TEXTS = st.text(max_size=20) | st.sampled_from(
    ["~", "", "null", "010", "a: b", "a #b", "-", "- a", "0x1F", "2^32", "'"]
)
VALUES: st.SearchStrategy[Plain] = st.recursive(
    st.none() | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=8,
)


@given(st.dictionaries(TEXTS.filter(bool), VALUES, max_size=5))
def test_what_is_written_reads_back_as_the_same(value: dict[str, Plain]) -> None:
    document = read_document(f"a: {flow(value)}\n", "bench.yaml")
    assert document.problems == []
    assert document.plain == {"a": value}


@given(TEXTS.filter(bool))
def test_a_key_and_a_value_in_lines_of_their_own(text: str) -> None:
    document = read_document(f"{scalar(text)}: {scalar(text)}\n", "bench.yaml")
    assert document.plain == {text: text}


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("100 gal", "100 gal"),
        ("0.01 L/s", "0.01 L/s"),
        ("-20", "-20"),
        ("0x80000000", "0x80000000"),
        ("8 °C", "8 °C"),
        ("2500/65535 gpm", "2500/65535 gpm"),
        ("10^8", "10^8"),
        ("../maps/a.yaml", "../maps/a.yaml"),
        ("a: b", '"a: b"'),
        (None, "~"),
        ("", '""'),
        ("~", '"~"'),
        ("a\nb", '"a\\nb"'),
        ('"', '"\\""'),
        ("---", '"---"'),
        ("\x85", '"\\x85"'),
    ],
)
def test_quotes_only_where_they_may_be_needed(text: str | None, written: str) -> None:
    assert scalar(text) == written

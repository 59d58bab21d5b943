"""A text in another layout: the same values, and every comment where it belongs."""

import random
import textwrap

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.written.commented import comments_of, read_commented, text_of
from tallywell.written.located import Plain, read_document
from tallywell.written.yaml_text import scalar


def laid_out(text: str) -> str:
    return text_of(read_commented(textwrap.dedent(text)), aligned="quantities")


@pytest.mark.parametrize(
    ("what", "text", "expected"),
    [
        (
            "above, beside and behind",
            """\
            # about the file

            # about a
            a: 1   # beside a
            quantities:    # beside the group
              # above b
              b: {x: 1}     # beside b
              long_name: 3
              # behind long_name
            # behind all
            """,
            """\
            # about the file

            # about a
            a: 1  # beside a
            quantities:  # beside the group
              # above b
              b:         {x: 1}  # beside b
              long_name: 3
              # behind long_name
            # behind all
            """,
        ),
        (
            "a group with a comment in it takes a line for each key",
            """\
            a: {x: 1,   # beside x
                y: 2}   # beside a
            b: [1,
                # above 2
                2
                # behind 2
               ]
            """,
            """\
            a:  # beside a
              x: 1  # beside x
              y: 2
            b:
              - 1
              # above 2
              - 2
              # behind 2
            """,
        ),
        (
            "without a comment it takes one line",
            """\
            a:
              x: 1

              y:
                - 2
                - [3, 4]
            b:
            """,
            """\
            a: {x: 1, y: [2, [3, 4]]}
            b:
            """,
        ),
        (
            "a hash inside a value is none",
            """\
            a: "one # two"  # three
            b: one#two
            """,
            """\
            a: "one # two"  # three
            b: "one#two"
            """,
        ),
        (
            "an empty group keeps its comment above it, or it would be no group",
            """\
            a: {
              # nothing yet
              }
            """,
            """\
            # nothing yet
            a: {}
            """,
        ),
        (
            "a blank line between two keys stays, two become one",
            """\
            a: 1


            b: 2
            c: 3
            """,
            """\
            a: 1

            b: 2
            c: 3
            """,
        ),
        (
            "values of many lines and every kind of quotes",
            """\
            ---
            a: one
              two    # beside a
            b: >-   # beside b
              three
              four
            'c': "5"
            """,
            """\
            a: one two  # beside a
            b: three four  # beside b
            c: 5
            """,
        ),
    ],
)
def test_layouts(what: str, text: str, expected: str) -> None:
    assert laid_out(text) == textwrap.dedent(expected), what


def test_a_comment_that_does_not_fit_beside_goes_above() -> None:
    comment = "# " + "x" * 114
    assert laid_out(f"a: 1 {comment}\nquantity: 2 {comment}\n") == f"{comment}\na: 1\n{comment}\nquantity: 2\n"


def test_what_does_not_fit_takes_a_line_for_each_key() -> None:
    wide = ", ".join(f"key_{k}: {k}" for k in range(12))
    assert laid_out(f"quantities: {{a: {{{wide}}}, b: {{x: 1}}}}\n").splitlines()[1:4] == [
        "  a:",
        "    key_0: 0",
        "    key_1: 1",
    ]


# --- any values, in any mixture of layouts, with comments anywhere that a comment can stand

WORDS = st.sampled_from(["a", "b", "c", "quantities", "100 gal", "# no comment", "x: y", "", "~", "0x1F", "a#b"])
VALUES: st.SearchStrategy[Plain] = st.recursive(
    st.none() | WORDS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(WORDS.filter(bool), inner, max_size=3),
    max_leaves=10,
)


class Writer:
    """Writes values in a layout that a seed chooses."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.comments = 0

    def comment(self, before: str) -> str:
        if self.chance.random() > 0.3:
            return ""
        self.comments += 1
        return f"{before}# note {self.comments}: {{ }}"

    def end(self) -> str:
        """The end of a line, and perhaps lines of comments and blanks."""
        lines = self.comment(self.chance.choice([" ", "   "])) + "\n"
        while self.chance.random() < 0.25:
            lines += self.comment(" " * self.chance.randrange(6)) + "\n"
        return lines

    def block(self, value: Plain, indent: str) -> str:
        """The value behind its key's colon or its item's dash, with the end of its line."""
        if not isinstance(value, dict | list) or not value or self.chance.random() < 0.4:
            return " " + self.flow(value, indent + "   ") + self.end()
        deeper = indent + " " * self.chance.randrange(1, 4)
        out = self.end()
        for key in value:
            head, inner = ("-", key) if isinstance(value, list) else (f"{scalar(str(key))}:", value[str(key)])
            out += deeper + head + self.block(inner, deeper)
        return out

    def flow(self, value: Plain, indent: str) -> str:
        if not isinstance(value, dict | list):
            return scalar(value)
        opening, closing = ("{", "}") if isinstance(value, dict) else ("[", "]")
        parts = []
        for key in value:
            head, inner = ("", key) if isinstance(value, list) else (f"{scalar(str(key))}: ", value[str(key)])
            parts.append(self.gap(indent) + head + self.flow(inner, indent + " "))
        return opening + ",".join(parts) + self.gap(indent) + closing

    def gap(self, indent: str) -> str:
        return self.end() + indent if self.chance.random() < 0.2 else " "


@settings(max_examples=400)
@given(st.dictionaries(WORDS.filter(bool), VALUES, min_size=1, max_size=4), st.integers(0, 2**32))
def test_any_text_keeps_its_values_and_comments_and_is_laid_out_once(value: dict[str, Plain], seed: int) -> None:
    writer = Writer(seed)
    text = writer.end().lstrip("\n ") if seed % 2 else ""
    for key, inner in value.items():
        text += f"{scalar(key)}:" + writer.block(inner, "")
    before = read_document(text, "bench.yaml")
    assert before.problems == [], text
    assert before.plain == value
    assert len(comments_of(text)) == writer.comments
    after = laid_out(text)
    assert read_document(after, "bench.yaml").plain == value, text + "\n->\n" + after
    assert sorted(comments_of(after)) == sorted(comments_of(text)), text + "\n->\n" + after
    assert laid_out(after) == after, text + "\n->\n" + after + "\n->\n" + laid_out(after)

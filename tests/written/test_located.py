"""Places of keys and values, and what is refused in a text before anybody asks what it means."""

import time

import pytest

from tallywell.written.located import MOST_CHARACTERS, Document, Place, read_document


def read(text: str) -> Document:
    return read_document(text, "f.yaml")


def faults(text: str) -> list[str]:
    return [str(problem).removeprefix("f.yaml:") for problem in read(text).problems]


def test_places_count_from_one() -> None:
    found = read("a: 1\nb:\n  - {c: x, d: y}\n  -   z\n")
    assert found.problems == []
    assert found.plain == {"a": "1", "b": [{"c": "x", "d": "y"}, "z"]}
    assert found.values[("a",)] == Place(1, 4)
    assert found.keys[("b",)] == Place(2, 1)
    assert found.keys[("b", 0, "d")] == Place(3, 12)
    assert found.values[("b", 0, "d")] == Place(3, 15)
    assert found.values[("b", 1)] == Place(4, 7)


def test_what_is_missing_is_placed_at_its_group() -> None:
    found = read("a:\n  b: {c: 1}\n")
    assert found.place(("a", "b", "gone")) == Place(2, 3)
    assert found.place(("gone",)) == Place(1, 1)
    assert found.place(("a", "b", "c")) == Place(2, 10)
    assert found.place(("a", "b", "c"), key=True) == Place(2, 7)


@pytest.mark.parametrize(
    "written", ["NO", "010", "1:30", "12e3", "yes", "0x1F", "1_000", ".5", "2026-07-01", "null", "=", "1.10"]
)
def test_values_stay_as_they_were_written(written: str) -> None:
    """YAML 1.1 would make False, 8, 90, text, True, 31, 1000, 0.5, a date and so on of these."""
    assert read(f"key: {written}\n").plain == {"key": written}


def test_nothing_is_none_and_quotes_make_text() -> None:
    assert read("a:\nb: ~\nc: ''\nd: '~'\ne: |\n  two\n  lines\n").plain == {
        "a": None, "b": None, "c": "", "d": "~", "e": "two\nlines\n",
    }  # fmt: skip


def test_a_key_written_twice_keeps_the_first() -> None:
    found = read("a: {x: 1}\nb: 2\na: {y: 3}\n")
    assert found.plain == {"a": {"x": "1"}, "b": "2"}
    assert found.values[("a",)] == Place(1, 4)
    assert [str(problem) for problem in found.problems] == [
        'f.yaml:3:1: the key "a" is written twice; keep one; the first is on line 1'
    ]


def test_several_faults_are_all_told() -> None:
    assert faults("a: 1\na: 2\nb: &x 3\nc: *x\nd: !!int 4\na: 5\n") == [
        '2:1: the key "a" is written twice; keep one; the first is on line 1',
        '3:4: "&x": anchors and aliases are not taken; write the value out',
        '4:4: "*x": anchors and aliases are not taken; write the value out',
        '5:4: the tag "tag:yaml.org,2002:int" is not taken; remove it; every value is read as it is written',
        '6:1: the key "a" is written twice; keep one; the first is on line 1',
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a:\n\tb: 1\n", "2:1: a tab stands here; indent with spaces"),
        ("a: 1\nb: c: 2\n", '2:5: a ":" stands where none can; indent the line, or put the value in quotes'),
        ("a: {b: 1\nc: 2\n", '2:2: a "," or the closing "}" is missing; close the "{" that was opened'),
        ("a: [1, 2\n", '2:1: a "," or the closing "]" is missing; close the "[" that was opened'),
        ("a: @b\n", '1:4: a value cannot begin with "@"; put the value in quotes'),
        ("a:\n  b: 1\n c: 2\n", "3:2: this line is indented unlike its neighbours; line it up with the keys beside it"),
        ('a: "b\n', "2:1: a quote is opened and not closed; close it"),
        ("a: 1\nb\nc: 2\n", '3:1: a key without its ":"; write "key: value", with a space after the colon'),
        ("a: 1\n---\nb: 2\n", '2:1: a second document begins here ("---"); keep one document in a file'),
        ("? {a: 1}\n: 2\n", "1:3: a group or list stands where a key should; put a name and a colon before it"),
        ("a: 1\nb: \x07\n", "2:4: a control character stands here (got character 7); remove it"),
        ('a: "\\U99999999"\n', "1:1: a backslash escape in this file names no character; remove it"),
    ],
)
def test_a_text_that_breaks_off_gives_one_message(text: str, expected: str) -> None:
    assert faults(text) == [expected]
    assert read(text).plain is None


def test_aliases_do_not_multiply() -> None:
    """Ten groups of ten aliases each would be 10^10 values if they were followed."""
    levels = [f"l{k}: &l{k} [{', '.join([f'*l{k - 1}'] * 10)}]" for k in range(1, 11)]
    found = read("l0: &l0 x\n" + "\n".join(levels) + "\n")
    assert len(found.problems) == 111
    assert found.plain is not None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a" * (MOST_CHARACTERS + 1), "longer than 262144 characters"),
        ("a: " + "[" * 5000, "more than 12 deep"),
        ("a: " + "{b: " * 5000, "more than 12 deep"),
        ("a: [" + "1," * 30_000 + "]", "more than 20000 values"),
        (f"a: {'x' * 5000}\n", "longer than 1000 characters"),
    ],
)
def test_what_is_too_much_is_refused(text: str, says: str) -> None:
    started = time.process_time()
    found = faults(text)
    print("seconds of processor time:", time.process_time() - started)
    assert len(found) == 1
    assert says in found[0]


def test_a_byte_order_mark_and_crlf_change_nothing() -> None:
    found = read("\ufeffa: 1\r\nb: 2\r\n")
    assert found.plain == {"a": "1", "b": "2"}
    assert found.values[("b",)] == Place(2, 4)

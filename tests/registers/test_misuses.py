"""Every misuse of a key is one message, at its place. The misuses stand in tests/data/registers/misuses.txt.

A block is the end of a map (keys of the top, then quantities, indented) and behind "> " the one message for it. The
total for the books stands first, on line 6 or below, unless the block has one.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tallywell.registers.register_map import parse_map

MISUSES = Path(__file__).parents[1] / "data" / "registers" / "misuses.txt"
HEAD = "map: bench\nrevision: 1\nnumbering: on_the_wire\nword_order: high_word_first\n"
BOOKS = "  forward_total: {table: input, register: 2, type: uint32, one_count: 1 L, digits: 8, for_the_books: yes}\n"


def blocks() -> Iterator[tuple[str, str]]:
    for block in MISUSES.read_text().strip("\n").split("\n\n"):
        *lines, message = block.split("\n")
        top = "".join(f"{line}\n" for line in lines if not line.startswith(" "))
        quantities = "".join(f"{line}\n" for line in lines if line.startswith(" "))
        books = "" if "for_the_books: yes" in quantities else BOOKS
        yield f"{HEAD}{top}quantities:\n{books}{quantities}", message.removeprefix("> ")


@pytest.mark.parametrize(("text", "message"), list(blocks()))
def test_a_misuse_is_one_message_at_its_place(text: str, message: str) -> None:
    found, problems = parse_map(text, "bench.yaml")
    assert [str(problem) for problem in problems] == [f"bench.yaml:{message}"]
    assert (found is None) == (": warning: " not in f"bench.yaml:{message}")
    line, column, _ = message.split(":", 2)
    assert len(text.split("\n")[int(line) - 1]) + 1 >= int(column)

"""Plain text tables: columns apart by two blanks, numbers to the right, nothing drawn, so that it can be pasted."""

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH = 100  # of a screen, and of a sheet in a small type


@dataclass(frozen=True, slots=True)
class Column:
    """`heading` may be empty; `right` puts the cells to the right, as numbers stand."""

    heading: str
    right: bool = False


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], indent: int = 2) -> list[str]:
    """Lines of a table; a row has one cell per column. Without rows there are no lines."""
    if not rows:
        return []
    head = [[column.heading for column in columns]] if any(column.heading for column in columns) else []
    lines = [*head, *rows]
    widths = [max(len(line[at]) for line in lines) for at in range(len(columns))]
    return [" " * indent + _line(columns, widths, line) for line in lines]


def pairs(rows: Sequence[tuple[str, str]], width: int, indent: int = 2) -> list[str]:
    """Lines "name  value", the values below one another; a long value goes on below itself."""
    name_width = max((len(name) for name, _ in rows), default=0)
    lines: list[str] = []
    for name, value in rows:
        first, *rest = wrapped(value, width - indent - name_width - 2) or [""]
        lines.append(f"{'':{indent}}{name:<{name_width}}  {first}".rstrip())
        lines += [f"{'':{indent + name_width + 2}}{line}" for line in rest]
    return lines


def wrapped(text: str, width: int) -> list[str]:
    """`text` cut at blanks into lines of at most `width`; a word longer than that is cut where it must be."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in _short_enough(paragraph.split(), width):
            joined = f"{line} {word}" if line else word
            if len(joined) > width:
                lines.append(line)
                joined = word
            line = joined
        if line:
            lines.append(line)
    return lines


def _short_enough(words: Sequence[str], width: int) -> list[str]:
    return [word[at : at + width] for word in words for at in range(0, len(word), width)]


def _line(columns: Sequence[Column], widths: Sequence[int], cells: Sequence[str]) -> str:
    parts = [
        f"{cell:>{width}}" if column.right else f"{cell:<{width}}"
        for column, width, cell in zip(columns, widths, cells, strict=True)
    ]
    return "  ".join(parts).rstrip()

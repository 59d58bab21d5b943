"""YAML text -> plain values, with the line and column of every key and value.

Every scalar stays the text that was written: YAML 1.1 would turn NO into false, 010 into 8, 1:30 into 90 and 12e3 into
text (YAML 1.1 type repository: bool, int, float). Each field says itself what it accepts (written.fields).
The values are built from the parser's events and not by its recursive composer, so that depth and number are bounded.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import yaml

from tallywell.readings.problems import Problem

TYPE_NAMES = {dict: "a group of keys", list: "a list", type(None): "nothing"}
Path = tuple[str | int, ...]
Plain = str | None | dict[str, "Plain"] | list["Plain"]

# No site or map written by hand comes near these; they keep a wrong or hostile file from eating the machine.
MOST_CHARACTERS = 256 * 1024
MOST_VALUES = 20_000
MOST_DEPTH = 12
MOST_CHARACTERS_IN_VALUE = 1_000


@dataclass(frozen=True, slots=True)
class Place:
    """Line and column, both counted from 1. `file`: where they are to be looked for; "" is the document's own."""

    line: int
    column: int
    file: str = ""


@dataclass(slots=True)
class Document:
    """One text as read. `keys` and `values`: places by path. Problems collect here while it is being judged."""

    file: str
    plain: Plain = None
    keys: dict[Path, Place] = field(default_factory=dict)
    values: dict[Path, Place] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    @property
    def faulty(self) -> bool:
        return any(not problem.warning for problem in self.problems)

    def at(self, path: Path) -> Plain:
        """What stands at the path; None where nothing does."""
        found: Plain = self.plain
        for step in path:
            if isinstance(found, dict) and isinstance(step, str):
                found = found.get(step)
            elif isinstance(found, list) and isinstance(step, int) and step < len(found):
                found = found[step]
            else:
                return None
        return found

    def group(self, path: Path) -> Mapping[str, Plain]:
        """The keys and values at the path; empty where there is no group of keys."""
        found = self.at(path)
        return found if isinstance(found, dict) else {}

    def place(self, path: Path, *, key: bool = False) -> Place:
        """Where the value (or its key) at the path stands; the nearest that was written, where it was not."""
        first, second = (self.keys, self.values) if key else (self.values, self.keys)
        for length in range(len(path), -1, -1):
            found = first.get(path[:length]) or second.get(path[:length])
            if found:
                return found
            first, second = self.keys, self.values  # what is missing is missed at its group's key
        return Place(1, 1)

    def complain(
        self, path: Path, what: str, do: str = "", *, got: str | None = None, key: bool = False, warning: bool = False
    ) -> None:
        """Note a problem at the path. `got` defaults to the value there, as written."""
        where = self.place(path, key=key)
        shown = self.shown(path) if got is None else got
        self.problems.append(Problem(where.file or self.file, where.line, where.column, what, do, shown, warning))

    def shown(self, path: Path) -> str:
        found = self.at(path)
        if not isinstance(found, str):
            return TYPE_NAMES[type(found)]
        return quoted(found)


def quoted(text: str) -> str:
    """A written value in a message: on one line, and no longer than a line bears."""
    line = " ".join(text.split())
    return f'"{line[:57]}..."' if len(line) > 60 else f'"{line}"'


def read_document(text: str, file: str) -> Document:
    """Read a text. Faults of YAML itself, keys written twice and what is refused here are in `problems`.

    Where the text cannot be read to its end, nothing of it is in `plain`.
    """
    document = Document(file)
    if len(text) > MOST_CHARACTERS:
        do = "split it, or look whether this is the right file"
        document.problems.append(Problem(file, 1, 1, f"the file is longer than {MOST_CHARACTERS} characters", do))
        return document
    try:
        _Composer(document).take_all(yaml.parse(text, Loader=yaml.SafeLoader))
    except yaml.MarkedYAMLError as error:
        document.problems.append(_syntax_problem(error, file))
    except yaml.reader.ReaderError as error:
        document.problems.append(_character_problem(error, text, file))
    except (ValueError, OverflowError):  # the parser lets an escape beyond Unicode ("\U99999999") through to chr()
        document.problems.append(Problem(file, 1, 1, "a backslash escape in this file names no character", "remove it"))
    except _Stop:
        pass
    else:
        return document
    document.plain = None  # half a text would be missed in every message for the one fault that matters
    return document


class _Mark(Protocol):
    """Where the parser stood, counted from 0."""

    @property
    def line(self) -> int: ...
    @property
    def column(self) -> int: ...


class _Stop(Exception):
    """Nothing after this place can be made sense of."""


@dataclass(slots=True)
class _Open:
    """A group or list that is not closed yet. `twice`: the value that comes belongs to a key that was there before."""

    path: Path
    content: dict[str, Plain] | list[Plain]
    key: str | None = None
    twice: bool = False


class _Composer:
    """Builds plain values from parser events."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.open: list[_Open] = []
        self.taken = 0
        self.documents = 0

    def take_all(self, events: Iterator[yaml.Event]) -> None:
        for event in events:
            self.take(event)

    def take(self, event: yaml.Event) -> None:
        if isinstance(event, yaml.DocumentStartEvent):
            self.begin_document(event)
        elif isinstance(event, yaml.NodeEvent):
            self.refuse_cleverness(event)
            self.take_node(event)
        elif isinstance(event, yaml.CollectionEndEvent):
            self.open.pop()

    def begin_document(self, event: yaml.Event) -> None:
        self.documents += 1
        if self.documents > 1:
            self.complain(event, 'a second document begins here ("---")', "keep one document in a file")
            raise _Stop

    def refuse_cleverness(self, event: yaml.NodeEvent) -> None:
        if event.anchor is not None:
            sign = "*" if isinstance(event, yaml.AliasEvent) else "&"
            self.complain(event, f'"{sign}{event.anchor}": anchors and aliases are not taken', "write the value out")
        tag = getattr(event, "tag", None)
        if tag not in (None, "!"):
            self.complain(event, f'the tag "{tag}" is not taken', "remove it; every value is read as it is written")

    def take_node(self, event: yaml.NodeEvent) -> None:
        self.taken += 1
        if self.taken > MOST_VALUES:
            self.complain(event, f"the file has more than {MOST_VALUES} values", "split it")
            raise _Stop
        if self.open and isinstance(self.open[-1].content, dict) and self.open[-1].key is None:
            self.take_key(event, self.open[-1], self.open[-1].content)
        elif isinstance(event, yaml.CollectionStartEvent):
            self.begin_collection(event)
        else:
            self.put(event, self.scalar(event))

    def take_key(self, event: yaml.NodeEvent, group: _Open, content: dict[str, Plain]) -> None:
        if not isinstance(event, yaml.ScalarEvent):
            self.complain(event, "a group or list stands where a key should", "put a name and a colon before it")
            raise _Stop
        key = self.scalar(event) or ""
        group.key, group.twice = key, key in content
        if group.twice:
            before = self.document.keys[(*group.path, key)].line
            self.complain(event, f"the key {quoted(key)} is written twice", f"keep one; the first is on line {before}")
        else:
            self.document.keys[(*group.path, key)] = _place(event.start_mark)

    def begin_collection(self, event: yaml.NodeEvent) -> None:
        if len(self.open) >= MOST_DEPTH:
            self.complain(event, f"groups lie more than {MOST_DEPTH} deep in one another", "look for a stray bracket")
            raise _Stop
        content: dict[str, Plain] | list[Plain] = {} if isinstance(event, yaml.MappingStartEvent) else []
        path = self.put(event, content)
        self.open.append(_Open(path, content))

    def put(self, event: yaml.NodeEvent, value: Plain) -> Path:
        """Put a value where it belongs and return its path."""
        path = self.put_in(self.open[-1], value) if self.open else ()
        if not self.open:
            self.document.plain = value
        self.document.values.setdefault(path, _place(event.start_mark))
        return path

    @staticmethod
    def put_in(parent: _Open, value: Plain) -> Path:
        if isinstance(parent.content, list):
            parent.content.append(value)
            return (*parent.path, len(parent.content) - 1)
        assert parent.key is not None
        path = (*parent.path, parent.key)
        if parent.twice:
            path = (*parent.path, parent.key, -1)  # kept apart: the first stands
        else:
            parent.content[parent.key] = value
        parent.key = None
        return path

    def scalar(self, event: yaml.NodeEvent) -> str | None:
        if not isinstance(event, yaml.ScalarEvent):
            return None  # an alias, refused above
        if len(event.value) > MOST_CHARACTERS_IN_VALUE:
            self.complain(event, f"this value is longer than {MOST_CHARACTERS_IN_VALUE} characters", "shorten it")
            return event.value[:MOST_CHARACTERS_IN_VALUE]
        return None if event.style is None and event.value in ("", "~") else str(event.value)

    def complain(self, event: yaml.Event, what: str, do: str) -> None:
        where = _place(event.start_mark)
        self.document.problems.append(Problem(self.document.file, where.line, where.column, what, do))


def _place(mark: _Mark | None) -> Place:
    if mark is None:
        return Place(1, 1)
    return Place(mark.line + 1, mark.column + 1)


# What the parser says, and what a person does about it. Compared with the beginning of its message.
_ADVICE = (
    ("found character '\\t'", "a tab stands here", "indent with spaces"),
    ("found character '@'", 'a value cannot begin with "@"', "put the value in quotes"),
    ("found character '`'", "a value cannot begin with a backtick", "put the value in quotes"),
    ("found character '%'", 'a value cannot begin with "%"', "put the value in quotes"),
    ("mapping values are not allowed", 'a ":" stands where none can', "indent the line, or put the value in quotes"),
    ("could not find expected ':'", 'a key without its ":"', 'write "key: value", with a space after the colon'),
    ("expected ',' or '}'", 'a "," or the closing "}" is missing', 'close the "{" that was opened'),
    ("expected ',' or ']'", 'a "," or the closing "]" is missing', 'close the "[" that was opened'),
    ("expected <block end>", "this line is indented unlike its neighbours", "line it up with the keys beside it"),
    ("found unexpected end of stream", "a quote is opened and not closed", "close it"),
)


def _syntax_problem(error: yaml.MarkedYAMLError, file: str) -> Problem:
    mark = error.problem_mark or error.context_mark
    where = _place(mark) if mark else Place(1, 1)
    said = error.problem or error.context or "this is no YAML"
    for begins, what, do in _ADVICE:
        if said.startswith(begins):
            return Problem(file, where.line, where.column, what, do)
    return Problem(file, where.line, where.column, f"this cannot be read as YAML: {said}", "look at this line")


def _character_problem(error: yaml.reader.ReaderError, text: str, file: str) -> Problem:
    before = text[: error.position]
    line, column = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
    return Problem(file, line, column, "a control character stands here", "remove it", f"character {error.character}")

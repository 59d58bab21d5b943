"""YAML text as a tree that keeps every comment, and such a tree as text in one layout.

A parser throws comments away, but it says where each token begins and ends: what lies between two tokens is blanks and
comments. Each comment goes with what it stands beside or above, or ends the group that it is indented like, so that
keys can change their order and take their comments along. For texts that `located.read_document` takes without fault.
"""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

import yaml

from tallywell.written.located import Plain
from tallywell.written.yaml_text import flow, scalar

WIDTH = 120
_COMMENT = re.compile("#[^\n\r\x85\u2028\u2029]*")  # to the end of the line (YAML 1.1, 4.1.4 and 5.2)
_HEAD = re.compile("[|>][^#\n\r\x85\u2028\u2029]*")  # of a block scalar, whose comment is inside the token


@dataclass(slots=True)
class Entry:
    """A key with its value, or an item of a list (key None). `above` holds comments, and "" for a blank line."""

    key: str | None
    value: "str | Group | None"
    start: int = 0
    above: list[str] = field(default_factory=list)
    beside: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Group:
    """A group of keys or a list. `tail`: comments behind its last entry. `end` is that of {} or [], else None."""

    is_list: bool
    is_block: bool
    entries: list[Entry] = field(default_factory=list)
    tail: list[str] = field(default_factory=list)
    start: int = 0
    column: int = 0
    end: int | None = None


@dataclass(slots=True)
class Commented:
    """A whole text; `head`: the comments before its first key, which are about the file."""

    root: Group
    head: list[str] = field(default_factory=list)


def comments_of(text: str) -> list[str]:
    """Every comment of a text, in order, without what stands before it."""
    return [comment.text for comment in _Lines(text).comments]


def read_commented(text: str) -> Commented:
    """The tree of a text whose root is a group of keys."""
    tree = _Tree(text)
    return _Placing(tree, _Lines(text)).placed()


# --- the tree, from the parser's events


class _Tree:
    """`entries` in the text's order, an outer one before those in it; `marks`: (where a token ends, whose it is)."""

    def __init__(self, text: str) -> None:
        self.entries: list[Entry] = []
        self.groups: list[Group] = []
        self.inside: dict[int, list[Group]] = {}  # by id of an entry: the groups around it, the innermost last
        self.marks: list[tuple[int, Entry]] = []
        tokens = yaml.scan(text, Loader=yaml.SafeLoader)
        self.dashes = [_index(token.start_mark) for token in tokens if isinstance(token, yaml.BlockEntryToken)]
        events = (event for event in yaml.parse(text, Loader=yaml.SafeLoader) if isinstance(event, _OF_NODES))
        root = self._group(next(events), events, None, ())
        assert isinstance(root, Group)
        self.root = root

    def _group(
        self, event: yaml.Event, events: Iterator[yaml.Event], owner: Entry | None, around: tuple[Group, ...]
    ) -> "str | Group | None":
        """The value that begins with this event."""
        if isinstance(event, yaml.ScalarEvent):
            if owner is not None:
                self.marks.append((_index(event.end_mark), owner))
            return None if event.style is None and event.value in ("", "~") else str(event.value)
        assert isinstance(event, yaml.CollectionStartEvent)
        group = Group(isinstance(event, yaml.SequenceStartEvent), not event.flow_style)
        group.start, group.column = _index(event.start_mark), _column(event.start_mark)
        self.groups.append(group)
        if owner is not None and event.flow_style:
            self.marks.append((_index(event.start_mark) + 1, owner))
        inner = next(events)
        while not isinstance(inner, yaml.CollectionEndEvent):
            self._entry(inner, events, group, (*around, group))
            inner = next(events)
        if event.flow_style:
            group.end = _index(inner.end_mark)
            if owner is not None:
                self.marks.append((group.end, owner))
        return group

    def _start(self, event: yaml.Event, group: Group) -> int:
        """Where an entry begins; an item of a list in lines begins at its dash."""
        begins = _index(event.start_mark)
        return self.dashes[bisect_left(self.dashes, begins) - 1] if group.is_list and group.is_block else begins

    def _entry(self, event: yaml.Event, events: Iterator[yaml.Event], group: Group, around: tuple[Group, ...]) -> None:
        entry = Entry(None, None, self._start(event, group))
        self.entries.append(entry)
        self.inside[id(entry)] = list(around)
        group.entries.append(entry)
        if not group.is_list:
            assert isinstance(event, yaml.ScalarEvent)
            entry.key = str(event.value)
            self.marks.append((_index(event.end_mark), entry))
            event = next(events)
        elif group.is_block:
            self.marks.append((entry.start + 1, entry))
        entry.value = self._group(event, events, entry, around)


class _Mark(Protocol):
    """Where the parser stood, counted from 0."""

    @property
    def index(self) -> int: ...
    @property
    def line(self) -> int: ...
    @property
    def column(self) -> int: ...


def _index(mark: _Mark | None) -> int:
    assert mark is not None, "events that are read from a text have their marks"
    return mark.index


def _column(mark: _Mark | None) -> int:
    assert mark is not None, "as above"
    return mark.column


_OF_NODES = (yaml.ScalarEvent, yaml.CollectionStartEvent, yaml.CollectionEndEvent)


# --- the lines between


@dataclass(frozen=True, slots=True)
class _Comment:
    index: int
    column: int
    text: str


@dataclass(frozen=True, slots=True)
class _Region:
    """Lines of comments and blanks between two lines with tokens; None is a blank line."""

    end: int
    lines: tuple[_Comment | None, ...]


class _Lines:
    """The comments of a text: `beside` a token on the same line, or in `regions` of lines of their own."""

    def __init__(self, text: str) -> None:
        self.text = text
        tokens = [(t.start_mark, t.end_mark) for t in yaml.scan(text, Loader=yaml.SafeLoader)]
        self.comments = list(self._comments(tokens))
        self.beside: list[_Comment] = []
        self.regions: list[_Region] = []
        self._sort_out({line for begin, end in tokens for line in _touched(begin, end)})

    def _comments(self, tokens: list[tuple[_Mark, _Mark]]) -> Iterator[_Comment]:
        end = 0
        for begin, close in tokens:
            if begin.index > end:
                yield from self._between(end, begin.index)
            if self.text[begin.index : begin.index + 1] in ("|", ">") and close.index > begin.index:
                head = _HEAD.match(self.text, begin.index)
                if head and self.text[head.end() : head.end() + 1] == "#":
                    yield from self._between(head.end(), len(self.text), most=1)
            end = max(end, close.index)
        yield from self._between(end, len(self.text))

    def _between(self, start: int, end: int, most: int | None = None) -> Iterator[_Comment]:
        for number, found in enumerate(_COMMENT.finditer(self.text, start, end)):
            if most is not None and number >= most:
                return
            before = max(self.text.rfind(newline, 0, found.start()) for newline in _BREAKS)
            yield _Comment(found.start(), found.start() - before - 1, found[0].rstrip())

    def _sort_out(self, touched: set[int]) -> None:
        by_line: dict[int, _Comment] = {}
        starts = _starts_of_lines(self.text)
        for comment in self.comments:
            line = bisect_right(starts, comment.index) - 1
            by_line[line] = comment
            if line in touched:
                self.beside.append(comment)
        ends = sorted({-1, *touched, len(starts)})
        for before, after in pairwise(ends):
            lines = [by_line.get(line) for line in range(before + 1, after)]
            if lines:
                end = starts[after] if after < len(starts) else len(self.text)
                self.regions.append(_Region(end, tuple(lines)))


_BREAKS = "\n\r\x85\u2028\u2029"
_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")


def _starts_of_lines(text: str) -> list[int]:
    return [0, *(found.end() for found in _BREAK.finditer(text))]


def _touched(begin: _Mark, end: _Mark) -> range:
    """The lines that a token is on; one of no width is on none, and a block scalar ends before its last line."""
    if begin.index == end.index:
        return range(0)
    return range(begin.line, end.line + (1 if end.column or end.line == begin.line else 0))


# --- each comment to its place


class _Placing:
    def __init__(self, tree: _Tree, lines: _Lines) -> None:
        self.tree = tree
        self.lines = lines
        self.starts = [entry.start for entry in tree.entries]
        tree.marks.sort(key=lambda mark: mark[0])
        self.ends = [index for index, _ in tree.marks]
        self.out = Commented(tree.root)

    def placed(self) -> Commented:
        for comment in self.lines.beside:
            at = bisect_right(self.ends, comment.index) - 1
            (self.tree.marks[at][1].beside if at >= 0 else self.out.head).append(comment.text)
        for region in self.lines.regions:
            self._place(region)
        return self.out

    def _place(self, region: _Region) -> None:
        """A blank line goes with what follows it."""
        blank = False
        for line in region.lines:
            if line is None:
                blank = True
                continue
            _add(self._target(line), line.text, blank=blank)
            blank = False
        following = self._next(region.end)
        if blank and (not self.starts or region.end <= self.starts[0]):
            self.out.head.append("")
        elif blank and following is not None:
            following.above.append("")

    def _next(self, index: int) -> Entry | None:
        at = bisect_left(self.starts, index)
        return self.tree.entries[at] if at < len(self.starts) else None

    def _target(self, comment: _Comment) -> list[str]:
        following = self._next(comment.index)
        if not self.starts or comment.index < self.starts[0]:
            return self.out.head
        held = [g for g in self.tree.groups if g.end is not None and g.start < comment.index < g.end]
        if held:
            innermost = max(held, key=lambda group: group.start)
            inner = following is not None and following.start < (innermost.end or 0)
            return following.above if inner and following is not None else innermost.tail
        ending = self._ending(comment)
        if following is None:
            return ending.tail
        around = self.tree.inside[id(following)]
        if comment.column <= around[-1].column or any(group is ending for group in around):
            return following.above
        return ending.tail

    def _ending(self, comment: _Comment) -> Group:
        """The innermost group, of those that the entry before the comment is in, that the comment is indented like."""
        before = self.tree.entries[bisect_left(self.starts, comment.index) - 1]
        around = [group for group in self.tree.inside[id(before)] if group.is_block]
        return next((g for g in reversed(around) if g.column <= comment.column), around[0])


def _add(target: list[str], comment: str, *, blank: bool) -> None:
    target += ["", comment] if blank else [comment]


# --- the tree as text


def text_of(commented: Commented, aligned: str) -> str:
    """The text in one layout: a group on one line where it fits and holds no comment, else a line for each key.

    The group `aligned` at the top always has a line for each key, its values in one column.
    """
    lines = [*commented.head]
    for number, entry in enumerate(commented.root.entries):
        lines += _entry_lines(entry, "", first=not number and not lines, in_lines=entry.key == aligned)
    lines += commented.root.tail
    return "\n".join(_without_double_blanks(lines)) + "\n"


def plain_of(value: "str | Group | None") -> Plain:
    if not isinstance(value, Group):
        return value
    if value.is_list:
        return [plain_of(entry.value) for entry in value.entries]
    return {str(entry.key): plain_of(entry.value) for entry in value.entries}


def _without_double_blanks(lines: list[str]) -> list[str]:
    kept = [line for before, line in zip(["", *lines], lines, strict=False) if line or before]
    while kept and not kept[-1]:
        kept.pop()
    return kept


def _entry_lines(entry: Entry, indent: str, *, first: bool = False, in_lines: bool = False, pad: int = 0) -> list[str]:
    above, beside = [*entry.above], [*entry.beside]
    head = indent + ("-" if entry.key is None else f"{scalar(entry.key)}:")
    value = entry.value
    empty = isinstance(value, Group) and not value.entries
    if isinstance(value, Group) and empty:
        above += value.tail
    while first and above and not above[0]:
        above = above[1:]
    line = _one_line(head, value, pad)
    if isinstance(value, Group) and not empty and (in_lines or _holds_comment(value) or len(line) > WIDTH):
        if entry.key is None:  # behind a bare "-" a comment would be taken for one of the entry before
            above, beside = [*above, *beside], []
        return [*_commented(above, head, beside, indent), *_group_lines(value, indent + "  ", in_lines=in_lines)]
    return _commented(above, line, beside, indent)


def _commented(above: list[str], line: str, beside: list[str], indent: str) -> list[str]:
    if beside and len(line) + 2 + len(beside[0]) <= WIDTH:
        line, beside = f"{line}  {beside[0]}", beside[1:]
    return [*(indent + text if text else "" for text in [*above, *beside]), line]


def _one_line(head: str, value: "str | Group | None", pad: int) -> str:
    if value is None and not head.endswith("-"):
        return head
    return f"{head.ljust(pad)} {flow(plain_of(value))}"


def _group_lines(group: Group, indent: str, *, in_lines: bool) -> list[str]:
    fitting = [
        len(head)
        for entry in group.entries
        if not (isinstance(entry.value, Group) and entry.value.entries and _holds_comment(entry.value))
        and len(_one_line(head := indent + f"{scalar(entry.key or '')}:", entry.value, 0)) <= WIDTH
    ]
    pad = max(fitting, default=0) if in_lines and not group.is_list else 0
    lines: list[str] = []
    for number, entry in enumerate(group.entries):
        lines += _entry_lines(entry, indent, first=not number, pad=pad)
    return lines + [indent + text if text else "" for text in group.tail]


def _holds_comment(value: "str | Group | None") -> bool:
    if not isinstance(value, Group):
        return False
    if any(value.tail):
        return True
    return any(any(entry.above) or entry.beside or _holds_comment(entry.value) for entry in value.entries)

"""The site file of a simulated field: the user's text with ports, hosts and the record's folder exchanged. Pure.

Only those values change, at their places in the text, so comments and order stay and a difference shows nothing else.
The record is another one, so that invented readings never stand among real ones.
"""

import json
from collections.abc import Iterator, Mapping

import yaml

HEADER = "# Written by `tallywell simulate`: every reading of this site is invented. It may be deleted at any time.\n"

NONE: Mapping[str, tuple[str, int]] = {}

Edit = tuple[int, int, str]  # from and to (index in the text), and what stands there instead


def stand_in(text: str, ports: Mapping[str, str], record: str, sockets: Mapping[str, tuple[str, int]] = NONE) -> str:
    """`text` of a site file that was found good, with each line of `ports` (by name) at its new port, without parity,
    and each of `sockets` at its new host and TCP port.

    Linux refuses parity bits on a pseudo-terminal (EINVAL for PARENB).
    """
    text = text.removeprefix("\ufeff")  # a byte order mark, which may stand only at the beginning
    root = yaml.compose(text, Loader=yaml.BaseLoader)
    assert isinstance(root, yaml.MappingNode), "a good site file is a group of keys"
    edits = [_record(root, record)]
    lines = _value(root, "lines")
    for name, port in ports.items():
        line = _value(lines, name) if isinstance(lines, yaml.MappingNode) else None
        assert isinstance(line, yaml.MappingNode), f"line {name} is in a good site file"
        edits += _line(line, port)
    for name, (host, tcp_port) in sockets.items():
        line = _value(lines, name) if isinstance(lines, yaml.MappingNode) else None
        assert isinstance(line, yaml.MappingNode), f"line {name} is in a good site file"
        edits += _network_line(line, host, tcp_port)
    return HEADER + _edited(text, edits)


def _record(root: yaml.MappingNode, record: str) -> Edit:
    present = _value(root, "record")
    if present is not None:
        return _in_place(present, _quoted(record))
    first, _ = root.value[0]
    at: int = first.start_mark.index
    return at, at, f"record: {_quoted(record)}{_next_key(root)}"


def _line(line: yaml.MappingNode, port: str) -> Iterator[Edit]:
    old, parity = _value(line, "port"), _value(line, "parity")
    assert old is not None, "a line of a good site file has a port"
    more = "" if parity is not None else f"{_next_key(line)}parity: none"
    yield _in_place(old, _quoted(port) + more)
    if parity is not None:
        yield _in_place(parity, "none")


def _network_line(line: yaml.MappingNode, host: str, tcp_port: int) -> Iterator[Edit]:
    old, old_port = _value(line, "host"), _value(line, "tcp_port")
    assert old is not None, "such a line of a good site file has a host"
    more = "" if old_port is not None else f"{_next_key(line)}tcp_port: {tcp_port}"
    yield _in_place(old, _quoted(host) + more)
    if old_port is not None:
        yield _in_place(old_port, str(tcp_port))


def _next_key(group: yaml.MappingNode) -> str:
    """What stands between two keys of this group."""
    first, _ = group.value[0]
    return ", " if group.flow_style else "\n" + " " * first.start_mark.column


def _value(group: yaml.Node, key: str) -> yaml.Node | None:
    assert isinstance(group, yaml.MappingNode)
    return next((value for name, value in group.value if name.value == key), None)


def _in_place(node: yaml.Node, new: str) -> Edit:
    return node.start_mark.index, node.end_mark.index, new


def _quoted(text: str) -> str:
    """A JSON string is a YAML string in double quotes (YAML 1.2.2, 1.3)."""
    return json.dumps(text, ensure_ascii=False)


def _edited(text: str, edits: list[Edit]) -> str:
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text

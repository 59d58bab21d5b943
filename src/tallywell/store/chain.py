"""The hash chain over the facts: one line of canonical JSON per fact, with names and hashes instead of ids.

Law: value(n) = sha256(value at the last full block before n, then each line of that block up to n, each ended by LF).
A block is 1,024 numbers; numbers without a fact give no line. The value at a block's end is its link. So the chain
depends on what the facts say, not on the ids that this database happened to give.
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Protocol

from tallywell.readings.facts import Fact
from tallywell.store.schema import TABLE

BLOCK = 1024
ORIGIN = bytes(32)  # what the first block goes on from


class Names(Protocol):
    """What ids stand for. `plan` gives the map's sha256 in hex and the reads as stored."""

    def run(self, run_id: int) -> str: ...
    def point(self, point_id: int) -> str: ...
    def plan(self, plan_id: int) -> tuple[str, str]: ...


@dataclass(frozen=True, slots=True)
class Link:
    """The chain's value at the end of block `id` (from 1 on); last_seq = id x 1,024."""

    id: int
    last_seq: int
    sha256: bytes


def line(fact: Fact, names: Names) -> str:
    """The fact as one line of JSON. `flow`, the only REAL, goes in as its exact hexadecimal text; bytes as hex."""
    said: dict[str, object] = {field.name: getattr(fact, field.name) for field in fields(fact)}
    said["fact"] = TABLE[type(fact)]
    said["run"] = names.run(fact.run)
    if said.get("point") is not None:
        said["point"] = names.point(int(str(said["point"])))
    if said["fact"] == "poll":
        map_sha256, reads = names.plan(int(str(said["plan"])))
        said["plan"] = {"map": map_sha256, "reads": reads}
    exact = {key: _exact(value) for key, value in said.items()}
    return json.dumps(exact, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _exact(value: object) -> object:
    if isinstance(value, bytes):
        return value.hex()
    return value.hex() if isinstance(value, float) else value


def value(previous: bytes, facts: Iterable[Fact], names: Names) -> bytes:
    """Go on from `previous` over facts of one block, in order of seq."""
    digest = hashlib.sha256(previous)
    for fact in facts:
        digest.update(line(fact, names).encode() + b"\n")
    return digest.digest()

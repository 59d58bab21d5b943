"""The facts of the record, as they are stored: they only grow. Times are integer milliseconds.

`boot_ms` is CLOCK_BOOTTIME, `shown_ms` what the wall clock showed, `utc_ms` the dated time (None: not dated yet).
`run` and `point` and `plan` are the record's ids.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Poll:
    """One pass over one plan, attempt or success. `got` bit k = read k came; `raw` = only those reads, in plan order.

    `refused`: JSON, read by read, what was heard and not taken. The decoded columns are for other tools only.
    """

    seq: int
    run: int
    point: int
    plan: int
    boot_ms: int
    shown_ms: int
    utc_ms: int | None
    got: int
    raw: bytes | None
    fault: str | None
    refused: str | None
    forward: int | None = None
    reverse: int | None = None
    net: int | None = None
    flow: float | None = None
    status: int | None = None


@dataclass(frozen=True, slots=True)
class Anchor:
    """At `boot_ms` of this run's boot the true time was `utc_ms`, give or take `half_width_ms`."""

    seq: int
    run: int
    boot_ms: int
    utc_ms: int
    half_width_ms: int


@dataclass(frozen=True, slots=True)
class Event:
    """Something the program noticed. `content` is canonical JSON (sorted keys, no floats)."""

    seq: int
    run: int
    boot_ms: int
    shown_ms: int
    name: str
    content: str


@dataclass(frozen=True, slots=True)
class Entry:
    """Something a person stated. `about_ms`: the UTC instant it is about; `replaces`: uuid of the entry it corrects."""

    seq: int
    uuid: str
    run: int
    boot_ms: int
    shown_ms: int
    about_ms: int | None
    kind: str
    point: int | None
    author: str
    replaces: str | None
    content: str


Fact = Poll | Anchor | Event | Entry


@dataclass(frozen=True, slots=True)
class Run:
    """One start of a writer (daemon or command)."""

    id: int
    uuid: str
    boot_id: str
    version: str

"""Edge: what people state reaches the one writer through a folder. A file lies there until it is in the record."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

from tallywell.store.database import RecordFolder

if TYPE_CHECKING:
    from tallywell.store.append import Writer
    from tallywell.store.query import Reader

ASK = "ask"  # the kind of file that makes the daemon poll a point now
ASKED = "asked"  # event, content {"poll": seq or null, "uuid": ...}: the caller writes it when an ask is done
REFUSED = "inbox_refused"  # event, content {"file": name, "why": ...}


@dataclass(frozen=True, slots=True)
class Draft:
    """What a person typed, before the record knows it. `about_ms`: UTC; `point`: its name; `content`: no floats.

    `boot_id`, `boot_ms`, `shown_ms`: the clock when it was typed; they end up in the entry's content under "typed".
    """

    kind: str
    point: str | None
    about_ms: int | None
    author: str
    replaces: str | None
    content: dict[str, object]
    boot_id: str
    boot_ms: int
    shown_ms: int


@dataclass(frozen=True, slots=True)
class AskFile:
    """Someone wants `draft.point` polled now. After the poll: event ASKED, then `finish`."""

    uuid: str
    draft: Draft


@dataclass(frozen=True, slots=True)
class Turn:
    """What one look into the inbox gave. `stored`: (uuid, seq); `refused`: (file name, why)."""

    stored: tuple[tuple[str, int], ...] = ()
    asks: tuple[AskFile, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()


class Fate(Enum):
    TAKEN = "taken"
    REFUSED = "refused"
    QUEUED = "queued"


@dataclass(frozen=True, slots=True)
class Outlook:
    """What became of a drop. `seq`: of the entry, or for an ask of the poll (None: it was not polled); `why`: if refused."""

    fate: Fate
    seq: int | None = None
    why: str = field(default="")


def drop(folder: RecordFolder, draft: Draft, uuid: str | None = None) -> str:
    """Put a draft durably into the inbox; its uuid. ValueError: content cannot be kept. EdgeFailure: disk, rights."""
    raise NotImplementedError


def waiting(folder: RecordFolder) -> tuple[str, ...]:
    """File names that await the writer, oldest first."""
    raise NotImplementedError


def take(
    writer: "Writer",
    folder: RecordFolder,
    *,
    kinds: Collection[str],
    boot_ms: int,
    shown_ms: int,
    points: Collection[str] | None = None,
    in_hand: Collection[str] = (),
    at_most: int = 64,
) -> Turn:
    """Store what waits, each in its own commit, then unlink it. Asks are handed over and stay until `finish`.

    `kinds`: those the caller knows, without ASK. `points`: names it knows besides the record's own; None = any.
    `in_hand`: uuids of asks already handed over. StorageFault: that file and the rest still wait.
    """
    raise NotImplementedError


def finish(folder: RecordFolder, uuid: str) -> None:
    """The ask is done and its event stored: unlink its file."""
    raise NotImplementedError


def await_taken(
    reader_factory: "Callable[[], Reader]",
    folder: RecordFolder,
    uuid: str,
    seconds: float,
    sleep: Callable[[float], None],
) -> Outlook:
    """Look until the drop is in the record or refused, at most `seconds` (counted by the sleeps)."""
    raise NotImplementedError


__all__: Sequence[str] = [
    "ASK", "ASKED", "REFUSED", "AskFile", "Draft", "Fate", "Outlook", "Turn",
    "await_taken", "drop", "finish", "take", "waiting",
]  # fmt: skip

"""Edge: the record's folder, its lock, and opening it. One process writes; everyone else reads with mode=ro."""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tallywell.store.append import Writer

Connect = Callable[..., sqlite3.Connection]


@dataclass(frozen=True, slots=True)
class RecordFolder:
    """record.db, record.db.lock, inbox/ (with bad/) and backup/ under `path`.

    `gid`: the group that shares it; None = the group `tallywell` where it exists and we may, else the folder's own.
    """

    path: Path
    gid: int | None = None

    def create(self) -> None:
        """Make what is missing: folders 2770, files 0660, whatever the umask. EdgeFailure when it cannot be made."""
        raise NotImplementedError


def open_writer(folder: RecordFolder, version: str, boot_id: str, connect: Connect = sqlite3.connect) -> "Writer":
    """Take the lock, bring the schema up to date, note this run. The folder must exist (RecordFolder.create).

    EdgeFailure: another writer holds the lock (names its pid), folder missing or not writable, not a database, newer
    schema. StorageFault: disk full, I/O error.
    """
    raise NotImplementedError


def lock_held(folder: RecordFolder) -> bool:
    """Whether a writer is at work on this record."""
    raise NotImplementedError

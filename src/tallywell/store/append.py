"""Edge: the one writer. What `append` returned from is durable; what it raised from is not in the record at all."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tallywell.readings.exchange import Read
from tallywell.readings.facts import Fact, Run

if TYPE_CHECKING:
    from tallywell.store.query import Reader


class Writer:
    """Holds the lock until `close`. For one thread. Made by database.open_writer; also a context manager.

    Law of numbers: take a fact's seq with `next_seq` (each call gives a new one), set its run to `run.id`. Facts may
    be appended in any order and in any number of commits; appending the same fact again changes nothing.
    """

    run: Run

    def next_seq(self) -> int:
        """A number never given before; each call counts on."""
        raise NotImplementedError

    def append(self, facts: Sequence[Fact]) -> None:
        """All of them in one commit. StorageFault: nothing of it is stored; `reopen`, then append the same facts again.

        ValueError: our own bug (foreign run, unknown point or plan, a number below the chain's last link).
        """
        raise NotImplementedError

    def text(self, kind: str, content: str) -> int:
        """The id of a stored text (site file, map), stored and committed on first use. StorageFault."""
        raise NotImplementedError

    def point(self, name: str) -> int:
        """The id of a point, stored and committed on first use. StorageFault."""
        raise NotImplementedError

    def plan(self, map_text_id: int, reads: tuple[Read, ...]) -> int:
        """The id of a plan, stored and committed on first use. StorageFault."""
        raise NotImplementedError

    def reopen(self) -> None:
        """After a StorageFault: close and open the database again under the same lock, run and counter."""
        raise NotImplementedError

    def close(self) -> None:
        """Checkpoint, close the writing connection, then the read-only one, then give the lock back."""
        raise NotImplementedError

    def __enter__(self) -> "Writer":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def chain_at(reader: "Reader", seq: int) -> bytes:
    """The chain's value (32 bytes) at `seq`: sha256 of the last link before it and of each fact since, up to `seq`."""
    raise NotImplementedError


def broken_link(reader: "Reader") -> int | None:
    """The last_seq of the first stored link that its facts no longer give; None when the whole chain holds."""
    raise NotImplementedError

"""Two families of trouble: a Problem is a value (a file is at fault, all are shown), an EdgeFailure is raised."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """A fault in something the user wrote. `line` and `column` count from 1. `warning` does not stop anything."""

    file: str
    line: int
    column: int
    what: str
    do: str = ""
    got: str = ""
    warning: bool = False

    def __str__(self) -> str:
        got = f" (got {self.got})" if self.got else ""
        do = f"; {self.do}" if self.do else ""
        kind = "warning: " if self.warning else ""
        return f"{self.file}:{self.line}:{self.column}: {kind}{self.what}{got}{do}"


class EdgeFailure(Exception):
    """A failure at the edge (disk, port, lock) that a person must hear of in one line; never shown as a traceback.

    `hint` says what to do, `again` whether trying again can help.
    """

    def __init__(self, what: str, *, hint: str = "", again: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.hint = hint
        self.again = again

    def __str__(self) -> str:
        return f"{self.what}; {self.hint}" if self.hint else self.what


class StorageFault(EdgeFailure):
    """The record could not be written. Nothing of the refused append is in the record."""

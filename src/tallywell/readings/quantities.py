"""What a point's words mean once decoded, and the facts that the ledger folds. The ledger never hears of registers."""

from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.clocks import When
from tallywell.readings.total import Total


@dataclass(frozen=True, slots=True)
class Scale:
    """What the counts of a total stand for. `one_count_m3`: the volume of one count, exact, in cubic metres.

    `capacity`: the count at which the totalizer goes round to zero (10^n, 2^n or stated).
    """

    one_count_m3: Fraction
    capacity: int


@dataclass(frozen=True, slots=True)
class Reading:
    """A good reading of the books' total. `flow_m3s` exact, None where the map has none; `running` None = not known.

    `words`: all that the poll brought, b"" where that is not known. `tears`: by multiples of which counts the total is
    wrong where its words are of two instants.
    """

    seq: int
    when: When
    total: Total
    scale: Scale
    flow_m3s: Fraction | None = None
    running: bool | None = None
    words: bytes = b""
    tears: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Missed:
    """A poll without a good reading of the books' total; `fault` as in readings.faults."""

    seq: int
    when: When
    fault: str


@dataclass(frozen=True, slots=True)
class Away:
    """There was no way to the line, for the reason `name`: `times` times between `begin_ms` and `end_ms` (UTC, None:
    not dated), so far as it came back `total_ms` in all. `lasts`: it went last, and has not come back.
    """

    name: str
    begin_ms: int | None
    end_ms: int | None
    total_ms: int = 0
    times: int = 1
    lasts: bool = False

    def then(self, later: "Away") -> "Away":
        """Both of them. A return ends the going before it."""
        times = self.times + later.times - (self.lasts and not later.lasts)
        return Away(self.name, self.begin_ms, later.end_ms, self.total_ms + later.total_ms, times, later.lasts)


Cause = str | Away  # a name of something that happened, or how long the line was away


@dataclass(frozen=True, slots=True)
class Happened:
    """Something the program noted beside the polls (started, stopped cleanly, started after an unclean end).

    `away`: where it is that the port of the line went or came back.
    """

    seq: int
    when: When
    name: str
    away: Away | None = None

    @property
    def cause(self) -> Cause:
        return self.away or self.name


@dataclass(frozen=True, slots=True)
class Installed:
    """An entry: a meter hangs at the point from `about_ms` on, its face showing `first_count` (None: not noted).

    `scale`: what `first_count` counts in, where that need not be the scale of the readings that follow.
    `low` and `high`: the least and greatest count that show these digits (None: `first_count` alone).
    """

    uuid: str
    about_ms: int
    first_count: int | None
    serial: str
    scale: Scale | None = None
    low: int | None = None
    high: int | None = None


@dataclass(frozen=True, slots=True)
class HandReading:
    """An entry: at `about_ms` the face showed `total` (in the books' counts, one step of the face in low/high).

    `scale`: what `total` counts in, where that need not be the scale of the readings around it.
    """

    uuid: str
    about_ms: int
    total: Total
    author: str
    scale: Scale | None = None


LedgerFact = Reading | Missed | Happened

"""What a point's words mean once decoded, and the facts that the ledger folds. The ledger never hears of registers."""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from tallywell.readings.clocks import When
from tallywell.readings.total import Total

# Names of what happened, where more hangs on them than a report's sentence.
UNCLEAN_END, STOPPED, STARTED = "unclean end", "stopped", "started"


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
    wrong where its words are of two instants. `not_counting`, `suspect`: names of the conditions by which the meter
    itself says that it does not count, or that its numbers are not to be trusted. `hour_meter_ms`: what the meter's or
    the pump's own counter of hours shows. `reverse_m3`: what a total of reverse flow beside the books' shows.
    """

    seq: int
    when: When
    total: Total
    scale: Scale
    flow_m3s: Fraction | None = None
    running: bool | None = None
    words: bytes = b""
    tears: tuple[int, ...] = ()
    not_counting: frozenset[str] = frozenset()
    suspect: frozenset[str] = frozenset()
    hour_meter_ms: int | None = None
    reverse_m3: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Missed:
    """A poll without a good reading of the books' total; `fault` as in readings.faults. `flow_m3s`: where the flow rate
    came all the same.
    """

    seq: int
    when: When
    fault: str
    flow_m3s: Fraction | None = None


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


class Change(StrEnum):
    """What begins a segment, by the word of a person or of the meter."""

    INSTALLED = "installation"
    CHANGED = "change-out"
    MOVED_HERE = "moved here"
    REMOVED = "removed"  # no meter hangs there from then on
    RESET = "reset"  # the same meter, whose total began anew
    SERIAL = "another serial number read back"


@dataclass(frozen=True, slots=True)
class FaceCount:
    """What a person read from a face, in whole counts of `scale`; one step of the face lies in low/high. `goes_round`:
    after how many of these counts the face begins anew (None: as the register).
    """

    total: Total
    scale: Scale
    goes_round: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Installed:
    """A meter hangs at the point from `about_ms` on, its face showing `first_count` (None: not noted).

    `scale`: what `first_count` counts in, where that need not be the scale of the readings that follow.
    `low` and `high`: the least and greatest count that show these digits (None: `first_count` alone). `goes_round`: of
    the face, as of a FaceCount.
    `converter`: the serial number of its converter, where that has one of its own. `final`: what the meter before it
    showed at last (None: unreadable, or not noted). `read_back`: the serial number that the meter gave first since.
    `after_seq`: of what the program noted itself (SERIAL), that event's place in the record; `withheld`: no entry
    explains it, so that the counts that follow are not the well's.
    """

    uuid: str
    about_ms: int
    first_count: int | None
    serial: str
    scale: Scale | None = None
    low: int | None = None
    high: int | None = None
    change: Change = Change.INSTALLED
    converter: str | None = None
    final: FaceCount | None = None
    read_back: str | None = None
    after_seq: int | None = None
    withheld: bool = False
    goes_round: Fraction | None = None


@dataclass(frozen=True, slots=True)
class SerialRead:
    """The serial numbers that a meter gave, by quantity, as the program noted them."""

    seq: int
    when: When
    serials: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Season:
    """Shut down at `begin_ms` and started up at `end_ms` (None: not yet). No reading is expected in between.

    `shut`, `started`: what the face showed then, where somebody noted it.
    """

    uuid: str
    begin_ms: int
    end_ms: int | None
    shut: FaceCount | None = None
    started: FaceCount | None = None


@dataclass(frozen=True, slots=True)
class Settled:
    """A person's answer to the question that the interval around `about_ms` puts: the totalizer went round so often.

    (That it was reset is an `Installed` of change RESET.)
    """

    uuid: str
    about_ms: int
    rollovers: int


@dataclass(frozen=True, slots=True)
class Answer:
    """The same answer, or that it was reset (`rollovers` None), with who gave it and when, for a report to name."""

    uuid: str
    about_ms: int
    rollovers: int | None
    author: str
    entered_ms: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class HandReading:
    """An entry: at `about_ms` the face showed `total` (in the books' counts, one step of the face in low/high).

    `scale`: what `total` counts in, where that need not be the scale of the readings around it. `capacity`: at which of
    the books' counts the face goes round (None: as the register).
    """

    uuid: str
    about_ms: int
    total: Total
    author: str
    scale: Scale | None = None
    capacity: int | None = None


LedgerFact = Reading | Missed | Happened

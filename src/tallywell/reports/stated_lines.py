"""What people stated of a point, as a report of a period takes it: before the intervals pass by, and after."""

from dataclasses import dataclass
from fractions import Fraction

from tallywell.readings.quantities import Answer, Season
from tallywell.readings.statements import AccuracyTest, Estimate, OutOfUse, ReadAgain, Remarked, WireSeal, Withdrawn
from tallywell.reports.volume import Volume


@dataclass(frozen=True, slots=True)
class NotTaken:
    """An entry that cannot be read, and why."""

    utc_ms: int
    kind: str
    author: str
    why: str


@dataclass(frozen=True, slots=True)
class Stated:
    """All that is in force about a point and is not a meter or a hand reading, of any time, each in order of its dates.

    `entries`: uuids of all entries that served, meters and hand readings among them.
    """

    estimates: tuple[Estimate, ...] = ()
    seasons: tuple[Season, ...] = ()
    answers: tuple[Answer, ...] = ()
    out_of_use: tuple[OutOfUse, ...] = ()
    tests: tuple[AccuracyTest, ...] = ()
    seals: tuple[WireSeal, ...] = ()
    remarks: tuple[Remarked, ...] = ()
    read_again: tuple[ReadAgain, ...] = ()
    withdrawn: tuple[Withdrawn, ...] = ()
    not_taken: tuple[NotTaken, ...] = ()
    entries: tuple[str, ...] = ()


NOT_STATED = Stated()


@dataclass(frozen=True, slots=True)
class EstimateLine:
    """An estimate in a period: `m3` is the part of it that lies inside; `divided`: divided by time for that.

    `metered`: what was metered in its span inside the period, in whose place it stands; None: nothing was, or it stands
    beside that.
    """

    estimate: Estimate
    begin_ms: int
    end_ms: int
    m3: Fraction
    divided: bool
    metered: Volume | None = None


@dataclass(frozen=True, slots=True)
class Idle:
    """A stretch in which nothing was to be pumped, not cut to the period. `reason` empty: a season that was shut down.

    `metered`: what was metered in it inside the period; None: no readings reach over any of it. `over`: what was
    counted between two readings on either side of the period's edge, nobody knows on which.
    """

    begin_ms: int
    end_ms: int | None
    reason: str
    author: str
    metered: Volume | None
    over: Volume | None = None


@dataclass(frozen=True, slots=True)
class StatedLines:
    """What concerns the period. `tests`: those inside it, and the last one before. `answers`: those that settled
    something.
    """

    estimates: tuple[EstimateLine, ...] = ()
    idle: tuple[Idle, ...] = ()
    tests: tuple[AccuracyTest, ...] = ()
    seals: tuple[WireSeal, ...] = ()
    remarks: tuple[Remarked, ...] = ()
    read_again: tuple[ReadAgain, ...] = ()
    withdrawn: tuple[Withdrawn, ...] = ()
    not_taken: tuple[NotTaken, ...] = ()
    entries: tuple[str, ...] = ()
    answers: tuple[Answer, ...] = ()


NOTHING_STATED = StatedLines()

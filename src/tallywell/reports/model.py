"""One report, before it has a layout: exact volumes in m3, whole counts, instants in UTC ms. A layout rounds and words.

None means "not known" everywhere: a layout prints it as unknown, never blank, never zero. A zero is a total that was
read and did not move.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.authorised import Unlikely, YearLine
from tallywell.ledger.detective import Verdict
from tallywell.ledger.intervals import Flag, Kind
from tallywell.ledger.periods import Period
from tallywell.ledger.rates import Hours, Rate
from tallywell.ledger.reverse import Reverse
from tallywell.readings.quantities import Answer, Cause, Change
from tallywell.readings.units import Measure
from tallywell.reports.face import Face
from tallywell.reports.stated_lines import NOTHING_STATED, StatedLines
from tallywell.reports.volume import Total, Volume


@dataclass(frozen=True, slots=True)
class Seen:
    """A count and what the face shows with it, at an instant. `within_ms`: half width of the instant."""

    utc_ms: int
    count: int
    face: str
    within_ms: int = 0


class How(StrEnum):
    """How the count at the beginning or end of a period is known."""

    READ = "a reading stands there"
    BETWEEN = "divided by time between the readings on either side"
    ESTIMATED = "estimated: it lies in a gap and is divided by time across it"
    FIRST = "the first reading on record; the period began before it"
    LAST = "the last reading on record; the period went on after it"
    ENTERED = "as entered: an installation's first count, a final count, or the face at the end of a season"
    UNALLOCATED = "inside a stretch whose counts belong to neither side"


@dataclass(frozen=True, slots=True)
class EdgeCount:
    """The count at the beginning or end, with its bounds in whole counts, and the readings that enclose it."""

    seen: Seen
    low: int
    high: int
    how: How
    before: Seen | None = None
    after: Seen | None = None


@dataclass(frozen=True, slots=True)
class SegmentLine:
    """One totalizer's share of the period: counts = end - begin + rollovers x capacity. `confirmed`: by an entry.

    `withheld`: the meter gave another serial number and no entry explains it, so its counts are not the well's.
    """

    id: str
    serial: str | None
    confirmed: bool
    begin: Seen
    end: Seen
    rollovers: int
    capacity: int
    counts: int
    one_count_m3: Fraction
    withheld: bool = False

    @property
    def balances(self) -> bool:
        return self.counts == self.end.count - self.begin.count + self.rollovers * self.capacity


@dataclass(frozen=True, slots=True)
class Slice:
    """One local day, or the part of a month inside the period; `label` "2026-07-14" or "2026-07".

    `volume` None: no readings, or none that meters. `reached_ms`: how much of it lies between readings that meter.
    `withheld`: readings of a meter whose counts are withheld lie in it.
    """

    label: str
    begin_ms: int
    end_ms: int
    volume: Volume | None
    reached_ms: int
    covered_ms: int
    rollovers: int
    kinds: frozenset[Kind]
    estimated: bool
    withheld: bool = False

    @property
    def expected_ms(self) -> int:
        return self.end_ms - self.begin_ms


@dataclass(frozen=True, slots=True)
class GapLine:
    """A stretch of more than 2.1 x `every` without a good reading. `volume` across all of it; None: unknown.

    `withheld`: it is of a meter whose serial number no entry explains, and not the well's.
    """

    begin_ms: int
    end_ms: int
    volume: Volume | None
    missed: tuple[tuple[str, int], ...]
    cause: tuple[Cause, ...]
    withheld: bool = False


@dataclass(frozen=True, slots=True)
class UnallocatedLine:
    """Counts between two readings whose time is not known, and why; the volume is in no day nor month that they cross.

    `inside`: both readings lie in the period, so that its volume has them; else neither neighbouring period does.
    `season`: a season lies between them, else readings without a date.
    """

    begin_ms: int
    end_ms: int
    volume: Volume
    inside: bool
    season: bool


@dataclass(frozen=True, slots=True)
class FlowAgainstTotal:
    """Whether the total goes with the flow rate beside it. `ratio`: counted over flowed, on `days` that are evidence.

    `sentence`: the finding with its evidence.
    """

    verdict: Verdict
    sentence: str
    ratio: Fraction | None
    days: int


@dataclass(frozen=True, slots=True)
class Outage:
    """The meter did not work, or may not have: dates cut to the period, the last reading before and the first after.

    None: there is no such reading yet, or none near the period. `why`: as in readings.faults, or the kind's words.
    """

    begin_ms: int
    end_ms: int
    why: tuple[str, ...]
    before: Seen | None = None
    after: Seen | None = None


@dataclass(frozen=True, slots=True)
class RolloverLine:
    """The totalizer went round `times` times at `capacity` counts, first seen at `utc_ms`."""

    utc_ms: int
    times: int
    capacity: int


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that is not plainly metered, for one interval or for several of one kind that follow one another.

    `first` and `last`: the readings on either side. `intervals`: how many there are between two readings; the volume
    and its bounds are their sums. `counted`: whether `volume` stands in the books; else only its bounds mean anything.
    `conditions`: the meter's own names of what is wrong with it. `causes`: missed polls by fault, and what happened.
    `settled_by`: what settled a question, where one was; of a reset, the entry that says so.
    """

    first: Seen
    last: Seen
    kind: Kind
    flags: frozenset[Flag]
    rollovers: int
    volume: Volume
    counted: bool
    segment: str
    intervals: int = 1
    conditions: tuple[str, ...] = ()
    missed: tuple[tuple[str, int], ...] = ()
    causes: tuple[Cause, ...] = ()
    settled_by: str | Answer = ""


@dataclass(frozen=True, slots=True)
class Beside:
    """The register beside a hand reading. `register`: at that moment, `divided` by time between the readings around it,
    else as it was read there or next to it. `more`: the number on the face less that of the register, in steps of the
    face's last digit. `agrees`: the face lies `between` the two readings, or within one step of them; None: how often
    the total went round between them is not settled.
    """

    register: Seen
    divided: bool
    before: Seen
    after: Seen
    more: int
    agrees: bool | None
    between: bool = False


@dataclass(frozen=True, slots=True)
class VisitLine:
    """A hand reading: the digits of the `face`, and as they were `entered`. `beside` None: no readings around it, or
    `fault` says why it cannot be taken. `agency`: the agency's own person read it. `when`: empty for a visit, else
    "at the shutdown" or "at the startup".
    """

    utc_ms: int
    face: str
    entered: str
    author: str
    beside: Beside | None
    note: str = ""
    fault: str = ""
    agency: bool = False
    when: str = ""


@dataclass(frozen=True, slots=True)
class MeterLine:
    """A meter as entered: from when to when (None: still there), its first count as the face showed.

    `converter`: its serial number, where it has one of its own. `old_final`: what the face of the meter before it
    showed at last ("unreadable" too; None: there was none). `seal_removed`, `seal`: wire seals. `other`: the other
    point where it was moved from, or to (`change` REMOVED). `refused`: the readings run on past this entry as before.
    """

    serial: str
    begin_ms: int
    end_ms: int | None
    first_count: str | None
    author: str
    fault: str = ""
    change: Change = Change.INSTALLED
    converter: str | None = None
    old_final: str | None = None
    seal_removed: str | None = None
    seal: str | None = None
    sensor_kept: bool = False
    other: str | None = None
    note: str = ""
    uuid: str = ""
    refused: bool = False


@dataclass(frozen=True, slots=True)
class Register:
    """What the map says of the books' total. `digits` None: it goes round at a capacity that is no power of ten."""

    map: str
    quantity: str
    one_count: Measure
    capacity: int
    digits: int | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where the point is: the agency's words first. Empty text: not stated in the site file."""

    point: str
    called: str
    well: str
    agency_id: str
    location: str
    source: str
    permits: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PointReport:
    """One point in one period. `seasonal`: its `months` are the unequal seasons that were asked for.

    `face_stated` False: the register's own step stands in for a face not in the site file. `readout_ms`: how old what a
    register holds may be. `between`: its days run from one reading to another.

    `volume`: what was metered. `total`: that and the estimates; None where there is none of them. `unallocated`: counts
    that belong to none of the days, or to neither side of the period's edge. `steady_peak`: the peak outside the first
    minutes after a start. `reverse`: what ran back by a total of its own, in no volume. `no_readings`: why there is
    nothing to report, if so; then `volume`, `begin` and `end` are None.
    """

    place: Place
    register: Register
    face: Face
    face_stated: bool
    rate_unit: str | None
    meters: tuple[MeterLine, ...]
    begin: EdgeCount | None
    end: EdgeCount | None
    volume: Volume | None
    segments: tuple[SegmentLine, ...]
    days: tuple[Slice, ...]
    months: tuple[Slice, ...]
    maximum: Rate | None
    peak: Rate | None
    hours: Hours | None
    running_above: Measure | None
    covered_ms: int
    expected_ms: int
    known_day_m3: Fraction
    gaps: tuple[GapLine, ...]
    rollovers: tuple[RolloverLine, ...]
    remarks: tuple[Remark, ...]
    visits: tuple[VisitLine, ...]
    no_readings: str = ""
    stated: StatedLines = NOTHING_STATED
    total: Total | None = None
    unallocated: tuple[UnallocatedLine, ...] = ()
    outages: tuple[Outage, ...] = ()
    steady_peak: Rate | None = None
    seasonal: bool = False
    reverse: Reverse | None = None
    flow_against_total: FlowAgainstTotal | None = None
    readout_ms: int | None = None
    between: bool = False


@dataclass(frozen=True, slots=True)
class ShareLine:
    """A point's part in a permit; dates are local and half-open, None = without end. `total`: with the estimates."""

    point: str
    share: Fraction
    starts: date | None
    ends: date | None
    volume: Volume | None
    total: Total | None = None


def _with_estimates(shares: tuple[ShareLine, ...]) -> Fraction | None:
    if all(share.total is None for share in shares):
        return None
    parts = (share.total.m3 if share.total else share.volume.m3 if share.volume else 0 for share in shares)
    return sum((share.share * part for share, part in zip(shares, parts, strict=True)), Fraction(0))


def _unknown(shares: tuple[ShareLine, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(share.point for share in shares if share.volume is None))


@dataclass(frozen=True, slots=True)
class WellLine:
    """A well that is not one point's alone: the sum of the points' volumes by their shares, as a permit's."""

    called: str
    agency_id: str
    shares: tuple[ShareLine, ...]
    volume: Volume | None

    @property
    def total_m3(self) -> Fraction | None:
        """As a permit's."""
        return _with_estimates(self.shares)

    @property
    def unknown(self) -> tuple[str, ...]:
        """As a permit's."""
        return _unknown(self.shares)


@dataclass(frozen=True, slots=True)
class PermitYear:
    """A year of the permit that begins in the period, to before `end` (not `whole`: so far). `line`: exact m3.

    `unlikely`: used so far from the authorised amount that a unit is likelier wrong.
    """

    begin: date
    end: date
    whole: bool
    line: YearLine
    unlikely: Unlikely | None = None


@dataclass(frozen=True, slots=True)
class PermitLine:
    """A permit with the exact share-weighted volume of the period. `authorised`: for `authorised_years` together.

    `volume` None: nothing is known of any point. Where one of its points is unknown and another is not, it is of the
    known ones alone.
    """

    name: str
    called: str
    kind: str
    authorised: Measure | None
    year_starts: tuple[int, int]
    shares: tuple[ShareLine, ...]
    volume: Volume | None
    years: tuple[PermitYear, ...] = ()
    authorised_years: int = 1
    authorised_from: date | None = None
    reckoned_from: date | None = None  # the first day of the account behind `years`
    carry_over: Measure | None = None

    @property
    def total_m3(self) -> Fraction | None:
        """What was metered and what was estimated; None where nothing was estimated."""
        return _with_estimates(self.shares)

    @property
    def unknown(self) -> tuple[str, ...]:
        """The points whose share is not in the volume."""
        return _unknown(self.shares)


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. `provisional` says why it still may change, empty when the period is over and read past its end.

    `starts_ms` and `as_of_ms` are the record's first and last dated fact, never the hour of printing: the same record
    gives the same bytes. `between`: each point's part runs from reading to reading. `site_file` and `maps` are sha256
    in hexadecimal of the texts in the record that served.
    """

    site: str
    zone: ZoneInfo
    period: Period
    begin_ms: int
    end_ms: int
    provisional: str
    starts_ms: int | None
    as_of_ms: int | None
    site_file: str
    maps: Mapping[str, str] = field(hash=False)
    version: str
    points: tuple[PointReport, ...]
    permits: tuple[PermitLine, ...]
    wells: tuple[WellLine, ...] = ()
    between: bool = False

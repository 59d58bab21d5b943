"""Intervals cut at edges and added up, exactly."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from tallywell.ledger.intervals import Flag, Interval, Kind, Segment
from tallywell.readings.quantities import Reading


@dataclass(frozen=True, slots=True)
class Edge:
    """Where a period begins or ends. `at`: the reading that stands there, else `before` and `after` enclose it.

    `count` (interpolated unless `at`) lies in [low, high]; None where no interval reaches the edge. The counts are of
    `segment`. `estimated`: inside a gap.
    """

    utc_ms: int
    at: Reading | None = None
    before: Reading | None = None
    after: Reading | None = None
    segment: Segment | None = None
    count: int | None = None
    low: int | None = None
    high: int | None = None
    estimated: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """One stretch between two edges. Volumes are exact; `low_m3` and `high_m3` bound what may have flowed.

    `counts`: posted counts by segment id. `known_day_m3`: the part of the volume from intervals that lie in this stretch
    whole, or were cut without a gap. `estimated`: an edge of this stretch lies in a gap across which something was posted.
    """

    begin_ms: int
    end_ms: int
    counts: tuple[tuple[str, int], ...]
    volume_m3: Fraction
    low_m3: Fraction
    high_m3: Fraction
    known_day_m3: Fraction
    covered_ms: int
    expected_ms: int
    rollovers: int
    kinds: frozenset[Kind]
    flags: frozenset[Flag]
    estimated: bool


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readings. `begin_ms` and `end_ms` as they lie, not cut to the period; `volume_m3` across all of it.

    `missed`: polls by fault; `cause`: what happened inside (started, stopped, unclean end ...).
    """

    begin_ms: int
    end_ms: int
    volume_m3: Fraction
    missed: tuple[tuple[str, int], ...]
    cause: tuple[str, ...]
    interval: Interval


@dataclass(frozen=True, slots=True)
class Rollover:
    """`utc_ms`: the reading that first showed it."""

    utc_ms: int
    times: int
    capacity: int
    interval: Interval


@dataclass(frozen=True, slots=True)
class Sum:
    """A whole period: `whole` over all of it, `parts` between consecutive edges; the parts add up to the whole exactly."""

    whole: Part
    parts: tuple[Part, ...]
    begin: Edge
    end: Edge
    gaps: tuple[Gap, ...]
    rollovers: tuple[Rollover, ...]
    not_plain: tuple[Interval, ...]


def add_up(intervals: Iterable[Interval], edges_ms: Sequence[int]) -> Sum:
    """Cut at `edges_ms` (ascending UTC ms, at least two) and add up. Intervals outside the edges are passed over."""
    raise NotImplementedError

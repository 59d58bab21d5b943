"""From a point's intervals to its part of the report: all that is cut, added up and compared; nothing rounded.

The intervals pass by once, in order (`PointTally`), and are not kept: what a report holds bounds what it costs.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.detective import Detective, Finding
from tallywell.ledger.intervals import POSTS, Interval, Kind
from tallywell.ledger.periods import Period, days, edges_ms
from tallywell.ledger.rates import HoursPumped, MaximumRate, PeakFlow
from tallywell.ledger.reverse import ReverseVolume
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import Adding, Gap, Unallocated, touches
from tallywell.readings.units import Measure
from tallywell.reports.borne_out import BorneOut
from tallywell.reports.counts import edge_count, segment_line
from tallywell.reports.estimating import Estimating
from tallywell.reports.face import Face
from tallywell.reports.hand_readings import HandReadings, Visit
from tallywell.reports.idle import IdleStretches
from tallywell.reports.model import (
    FlowAgainstTotal,
    GapLine,
    MeterLine,
    Place,
    PointReport,
    Register,
    RolloverLine,
    UnallocatedLine,
)
from tallywell.reports.outages import Outages
from tallywell.reports.runs import RemarkRuns
from tallywell.reports.slices import Months, Reached, slices, volume_of
from tallywell.reports.stated_lines import NOT_STATED, Stated, StatedLines
from tallywell.reports.volume import Volume


@dataclass(frozen=True, slots=True)
class PointFacts:
    """What is known of one point beside its intervals.

    `unread`: stretches before the first and after the last good reading, cut to the period, with their causes.
    """

    place: Place
    face_stated: bool
    rate_unit: str | None
    running_above: Measure | None
    meters: tuple[MeterLine, ...]
    unread: tuple[GapLine, ...]
    no_readings: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a tally must know of a point before the intervals pass by.

    `has_flow`: the map has a flow rate. `visits`: hand readings of any time. `hour_step_ms`: how far off a reading of
    the hour meter may be. `reverse_capacity_m3`: where a total of reverse flow beside the books' goes round, if there
    is one.
    """

    face: Face
    register: Register
    visits: tuple[Visit, ...] = ()
    stated: Stated = NOT_STATED
    rules: Rules | None = None
    has_flow: bool = False
    hour_step_ms: int = 0
    reverse_capacity_m3: Fraction | None = None


class PointTally:
    """A point's report for a period of whole local days while its intervals pass by, one at a time, in order."""

    __slots__ = (
        "_asked",
        "_between",
        "_days",
        "_detective",
        "_edges",
        "_entries",
        "_estimating",
        "_face",
        "_groups",
        "_hands",
        "_hours",
        "_idle",
        "_labels",
        "_maximum",
        "_months",
        "_outages",
        "_peak",
        "_reverse",
        "_runs",
        "_stated",
        "_sum",
    )

    def __init__(self, period: Period, zone: ZoneInfo, asked: Asked) -> None:
        edges = self._edges = edges_ms(period, zone)
        self._between = period.between is not None
        begin_ms, end_ms = edges[0], edges[-1]
        self._labels = [day.isoformat() for day in days(period)]
        self._sum = Adding(edges)
        self._days = Reached(edges)
        self._months = Months(period, zone)
        self._maximum = MaximumRate(begin_ms, end_ms, zone)
        self._peak = PeakFlow(begin_ms, end_ms)
        signal = asked.rules is not None and asked.rules.run_signal
        self._hours = HoursPumped(begin_ms, end_ms, run_signal=signal, step_ms=asked.hour_step_ms)
        self._entries = BorneOut(asked.stated.answers, begin_ms, end_ms)
        self._asked, self._detective = asked, _detective(asked, begin_ms, end_ms, zone)
        self._reverse: ReverseVolume | None = None
        if asked.rules is not None and asked.reverse_capacity_m3 is not None:
            self._reverse = ReverseVolume(asked.rules, begin_ms, end_ms, asked.reverse_capacity_m3)
        face, self._stated = asked.face, asked.stated
        self._face = face
        self._estimating = Estimating(self._stated.estimates, begin_ms, end_ms)
        self._idle = IdleStretches(self._stated, begin_ms, end_ms)
        self._runs, self._outages = RemarkRuns(face, self._stated.answers), Outages(begin_ms, end_ms, face)
        self._groups: list[tuple[Interval, Interval]] = []  # what meters inside: first and last, segment by segment
        self._hands = HandReadings(asked.visits, face, begin_ms, end_ms)

    def take(self, one: Interval) -> None:
        self._sum.take(one)
        self._months.parts.take(one)
        self._maximum.take(one)
        self._peak.take(one)
        self._hours.take(one)
        if self._reverse is not None:
            self._reverse.take(one)
        if self._detective is not None:
            self._detective.take(one)
        self._estimating.take(one)
        self._idle.take(one)
        self._hands.take(one)
        self._entries.take(one)
        if touches(one, self._edges[0], self._edges[-1]):
            self._inside(one)

    def report(self, facts: PointFacts) -> PointReport:
        """The point's part of the report, once the last interval has passed."""
        begin_ms, end_ms = self._edges[0], self._edges[-1]
        added, metered = self._sum.close(), any(not first.segment.withheld for first, _ in self._groups)
        volume = volume_of(added.whole, added.unread) if metered else None
        return PointReport(
            place=facts.place,
            register=self._asked.register,
            face=self._face,
            face_stated=facts.face_stated,
            rate_unit=facts.rate_unit,
            meters=_meters_in(map(self._borne_out, facts.meters), begin_ms, end_ms),
            begin=edge_count(added.begin, self._groups, self._face, begins=True),
            end=edge_count(added.end, self._groups, self._face, begins=False),
            volume=volume,
            segments=tuple(segment_line(*group, added, self._face) for group in self._groups),
            days=slices(self._labels, added.parts, self._days, added.unread),
            months=self._months.close(added.unread),
            seasonal=self._months.seasonal,
            maximum=self._maximum.best,
            peak=self._peak.best,
            steady_peak=self._peak.steady,
            flow_against_total=None if self._detective is None else _found(self._detective.close()),
            reverse=None if self._reverse is None else self._reverse.close(),
            hours=self._hours.close() if metered else None,
            running_above=facts.running_above,
            covered_ms=added.whole.covered_ms,
            expected_ms=end_ms - begin_ms,
            known_day_m3=added.whole.known_day_m3,
            gaps=tuple(sorted([*map(_gap, added.gaps), *facts.unread], key=lambda gap: gap.begin_ms)),
            rollovers=tuple(RolloverLine(each.utc_ms, each.times, each.capacity) for each in added.rollovers),
            remarks=self._runs.close(),
            visits=self._hands.close(),
            no_readings=facts.no_readings,
            stated=self._stated_lines(begin_ms, end_ms),
            total=self._estimating.total(volume),
            unallocated=tuple(map(_unallocated, added.unallocated)),
            outages=self._outages.close(facts.unread),
            readout_ms=None if self._asked.rules is None else self._asked.rules.readout_ms,
            between=self._between,
        )

    def _stated_lines(self, begin_ms: int, end_ms: int) -> StatedLines:
        said = self._stated
        before = [one for one in said.tests if one.about_ms < begin_ms][-1:]
        return StatedLines(
            estimates=self._estimating.lines(),
            idle=self._idle.close(),
            tests=(*before, *(one for one in said.tests if begin_ms <= one.about_ms < end_ms)),
            seals=tuple(one for one in said.seals if begin_ms <= one.about_ms < end_ms),
            remarks=tuple(one for one in said.remarks if begin_ms <= one.about_ms < end_ms),
            read_again=tuple(one for one in said.read_again if one.begin_ms < end_ms and one.end_ms >= begin_ms),
            withdrawn=tuple(one for one in said.withdrawn if begin_ms <= one.about_ms < end_ms),
            not_taken=tuple(sorted((*said.not_taken, *self._entries.idle()), key=lambda one: one.utc_ms)),
            entries=said.entries,
            answers=self._entries.used(),
        )

    def _borne_out(self, meter: MeterLine) -> MeterLine:
        return replace(meter, refused=meter.refused or self._entries.refused(meter.uuid, meter.begin_ms))

    def _inside(self, one: Interval) -> None:
        if _overlap_ms(one, self._edges[0], self._edges[-1]):
            self._days.take(one)
            self._months.reached.take(one)
        self._runs.take(one)
        self._outages.take(one)
        if one.kind in POSTS:
            goes_on = self._groups and self._groups[-1][1].segment.id == one.segment.id
            first = self._groups.pop()[0] if goes_on else one
            self._groups.append((first, one))


def _detective(asked: Asked, begin_ms: int, end_ms: int, zone: ZoneInfo) -> Detective | None:
    """Where the meter gives a flow rate, and its total may be held against it."""
    if asked.rules is None or not asked.has_flow:
        return None
    one_count = asked.register.one_count
    face = asked.face.one_count.si / one_count.si
    return Detective(asked.rules, begin_ms, end_ms, zone, one_count.number, face)


def _found(finding: Finding) -> FlowAgainstTotal:
    return FlowAgainstTotal(finding.verdict, finding.sentence, finding.ratio, len(finding.days))


def _gap(gap: Gap) -> GapLine:
    of = gap.interval
    one = of.scale.one_count_m3
    volume = Volume(gap.volume_m3, of.low * one, of.high * one) if of.kind in POSTS else None
    return GapLine(gap.begin_ms, gap.end_ms, volume, gap.missed, gap.cause, of.segment.withheld)


def _unallocated(one: Unallocated) -> UnallocatedLine:
    of = one.interval
    per_count = of.scale.one_count_m3
    volume = Volume(one.volume_m3, of.low * per_count, of.high * per_count)
    return UnallocatedLine(of.begin_ms, of.end_ms, volume, one.inside, of.kind is Kind.SHUT_DOWN)


def _meters_in(meters: Iterable[MeterLine], begin_ms: int, end_ms: int) -> tuple[MeterLine, ...]:
    """Each until the next; one that the readings run on past ends none."""
    found: list[MeterLine] = []
    until: int | None = None
    for one in sorted(meters, key=lambda line: line.begin_ms, reverse=True):
        found.append(replace(one, end_ms=until))
        until = until if one.refused else one.begin_ms
    shown = (one for one in reversed(found) if one.begin_ms < end_ms and (one.end_ms is None or one.end_ms > begin_ms))
    return tuple(one for one in shown if not one.refused or one.begin_ms >= begin_ms)


def _overlap_ms(interval: Interval, begin_ms: int, end_ms: int) -> int:
    return max(0, min(interval.end_ms, end_ms) - max(interval.begin_ms, begin_ms))

"""The books of a period, from the record alone: rows -> ledger facts -> intervals -> report."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

from tallywell import __version__
from tallywell.ledger.intervals import Interval, joined
from tallywell.ledger.intervals import Kind as IntervalKind
from tallywell.ledger.periods import Period, between_readings, edges_ms, midnight_ms
from tallywell.ledger.reach import FITTING
from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Cause, Happened, LedgerFact, Missed, Reading
from tallywell.registers.quantity import Kind
from tallywell.reports.build import Asked, PointFacts, PointTally
from tallywell.reports.dates import local_day
from tallywell.reports.estimating import Stretch as SharedStretch
from tallywell.reports.hand_readings import AROUND_MS
from tallywell.reports.model import (
    GapLine,
    Place,
    PointReport,
    Register,
    Report,
)
from tallywell.service.accepted import Accepted
from tallywell.service.following import books_of, face_of, followed, reading_before
from tallywell.service.ledger_facts import Reach, reach_of, rules_of
from tallywell.service.permit_lines import Known, Stretch, permit_lines, stretches_of
from tallywell.service.pump_signals import hour_meter_step_ms, reverse_total
from tallywell.service.said import meter_lines, stated_of, visits_of
from tallywell.service.site import Point, Site
from tallywell.service.well_lines import well_lines
from tallywell.stated.content import about_ms, in_force
from tallywell.stated.told import FACES, Told
from tallywell.store.query import Reader


def period_report(
    reader: Reader,
    accepted: Accepted,
    period: Period,
    points: Sequence[str] | None = None,
    *,
    between: bool = False,
) -> Report:
    """The report of a period for the named points (default: all that have a total, in the order written).

    `between`: each point's from its last reading at or before the period's begin to that at or before its end.
    """
    site = accepted.site
    names = [name for name, point in site.points.items() if point.map.books] if points is None else list(points)
    edges = edges_ms(period, site.zone)
    first, last = reader.first_dated(), reader.last_dated()
    as_of = last[1].utc_ms if last else None
    starts = first[1].utc_ms if first else None
    since = None if starts is None else local_day(starts, site.zone)
    books = _Books(reader, site, period, reach_of(reader, edges[0], edges[-1]), in_force(reader.entries()), since)
    gathered = {name: books.point(site.points[name], as_of, between=between) for name in names}
    known = {name: one.shared for name, one in gathered.items()}
    return Report(
        site=site.name,
        zone=site.zone,
        period=period,
        begin_ms=edges[0],
        end_ms=edges[-1],
        provisional=_provisional(as_of, edges[-1], gathered.values()),
        starts_ms=starts,
        as_of_ms=as_of,
        site_file=accepted.site_file,
        maps=_maps(accepted, gathered.values()),
        version=__version__,
        points=tuple(one.report for one in gathered.values()),
        permits=tuple(permit_lines(site.permits.values(), known, period, since)),
        wells=tuple(well_lines(site, known, period)),
        between=between,
    )


@dataclass(frozen=True, slots=True)
class _Gathered:
    """One point: its report, the volumes of its shares by their stretch of the period, the maps that served.

    `settled`: enough good readings follow the period.
    """

    report: PointReport
    shared: dict[Stretch, Known]
    maps: dict[str, str]
    settled: bool


@dataclass(slots=True)
class _Silence:
    """What happened before the first and since the last good reading, cut to the period: no interval can tell of it."""

    begin_ms: int
    end_ms: int
    missed: Counter[str] = field(default_factory=Counter)
    cause: tuple[Cause, ...] = ()
    first: Reading | None = None
    last: Reading | None = None
    before: GapLine | None = None
    reached: int = 0

    def watch(self, facts: Iterable[LedgerFact]) -> Iterator[LedgerFact]:
        for fact in facts:
            if isinstance(fact, Reading):
                self._good(fact)
            elif fact.when.utc_ms is None or self.begin_ms <= fact.when.utc_ms < self.end_ms:
                self._not_good(fact)
            yield fact

    def reaches(self, interval: Interval) -> None:
        """An installation's first count reaches farther back than the first reading, a final count beyond the last."""
        if interval.first.seq == 0 and self.before is not None and interval.begin_ms < self.before.end_ms:
            self.before = replace(self.before, end_ms=max(interval.begin_ms, self.before.begin_ms))
        if interval.last.seq == 0:
            self.reached = max(self.reached, interval.end_ms)

    def froze(self, note: Interval) -> None:
        """The meter is frozen since this reading: what came from it since is as good as missed."""
        self.last, self.missed, self.cause = note.first, Counter(dict(note.missed)), note.cause

    def lines(self, every_ms: int, as_of_ms: int | None) -> tuple[GapLine, ...]:
        """The stretches at either end of the period that are gaps. The record cannot tell what is still to come."""
        if as_of_ms is not None and as_of_ms < self.end_ms:
            self.cause = joined(self.cause, ("record_ends",))
        if self.last is None:
            found: tuple[GapLine | None, ...] = (self._line(self.begin_ms, self.end_ms, "no_reading"),)
        else:
            ended_ms = max(self.begin_ms, self.last.when.utc_ms or self.begin_ms, self.reached)
            found = (self.before, self._line(ended_ms, self.end_ms, "after_last"))
        return tuple(gap for gap in found if gap is not None and gap.end_ms - gap.begin_ms > 2 * every_ms)

    def _good(self, reading: Reading) -> None:
        if self.first is None and reading.when.utc_ms is not None:
            self.first = reading
            self.before = self._line(self.begin_ms, min(reading.when.utc_ms, self.end_ms), "before_first")
        if reading.when.utc_ms is not None:
            self.last = reading
        self.missed.clear()
        self.cause = ()

    def _not_good(self, fact: Missed | Happened) -> None:
        if isinstance(fact, Missed):
            self.missed[fact.fault] += 1
        else:
            self.cause = joined(self.cause, (fact.cause,))

    def _line(self, begin_ms: int, end_ms: int, why: str) -> GapLine:
        return GapLine(begin_ms, end_ms, None, tuple(sorted(self.missed.items())), (why, *self.cause))


@dataclass(frozen=True, slots=True)
class _Books:
    """What all points of one report share. `since`: the record's first day."""

    reader: Reader
    site: Site
    period: Period
    reach: Reach
    entries: tuple[Entry, ...]
    since: date | None

    def point(self, point: Point, as_of_ms: int | None, *, between: bool) -> _Gathered:
        face, face_stated = face_of(point)
        period = self._between(point) if between else self.period
        edges = edges_ms(period, self.site.zone)
        silence = _Silence(edges[0], edges[-1])
        ledger = followed(self.reader, point, self.entries, self._reach(point, edges), silence.watch)
        said, reverse = ledger.said, reverse_total(point.map)
        asked = Asked(
            face=face,
            register=_register(point),
            visits=visits_of(said),
            stated=stated_of(said),
            rules=rules_of(point),
            has_flow=_rate_unit(point) is not None,
            hour_step_ms=hour_meter_step_ms(point.map, point.hour_meter, point.every_ms),
            reverse_capacity_m3=None if reverse is None else reverse.scale.capacity * reverse.scale.one_count_m3,
        )
        tally = PointTally(period, self.site.zone, asked)
        stretches = self._stretches(point)
        shared = self._shared(said, (one for one in stretches if one[0] >= self.period.first))
        for interval in ledger.intervals:
            tally.take(interval)
            silence.reaches(interval)
            if interval.kind is IntervalKind.FROZEN:
                silence.froze(interval)
            for share in shared.values():
                share.take(interval)
        settled = ledger.stream is not None and len(ledger.stream.settled) == FITTING
        known = PointFacts(
            place=_place(point, self.site),
            face_stated=face_stated,
            rate_unit=_rate_unit(point),
            running_above=point.running_above,
            meters=meter_lines(said, ledger.changes),
            unread=silence.lines(point.every_ms, as_of_ms),
            no_readings=_why_none(silence, polled=ledger.stream is not None),
        )
        report = tally.report(known)
        before, maps = self._before(point, [one for one in stretches if one[0] < self.period.first])
        volumes = before | {stretch: share.close() for stretch, share in shared.items()}
        volumes[self.period.first, self.period.end] = report.volume, report.total
        return _Gathered(report, volumes, maps | ledger.decoder.maps_used(), settled)

    def _before(self, point: Point, stretches: Sequence[Stretch]) -> tuple[dict[Stretch, Known], dict[str, str]]:
        """The volumes of a permit's earlier years, and the maps that served: each costs what its own report would."""
        if not stretches:
            return {}, {}
        begin, end = midnight_ms(stretches[0][0], self.site.zone), midnight_ms(stretches[-1][1], self.site.zone)
        ledger = followed(self.reader, point, self.entries, reach_of(self.reader, begin, end))
        shared = self._shared(ledger.said, stretches)
        for interval in ledger.intervals:
            for share in shared.values():
                share.take(interval)
        return {stretch: share.close() for stretch, share in shared.items()}, ledger.decoder.maps_used()

    def _reach(self, point: Point, edges: Sequence[int]) -> Reach:
        """Reaching over the hand readings that stand in the report although they lie beside the period."""
        own = [
            entry for entry in self.entries if entry.kind in FACES and entry.point == self.reader.point_id(point.name)
        ]
        moments = [about_ms(entry) for entry in own]
        shown = [at for at in moments if edges[0] - AROUND_MS <= at < edges[-1] + AROUND_MS]
        if not shown:
            return self.reach
        wide = reach_of(self.reader, min(edges[0], *shown), max(edges[-1], *shown))
        return replace(self.reach, floor=wide.floor, first=min(wide.first, self.reach.first), beyond=wide.last)

    def _between(self, point: Point) -> Period:
        """From reading to reading; where there is none before the begin, or no other behind it, by the local days."""
        edges = edges_ms(self.period, self.site.zone)
        before, end = (reading_before(self.reader, point, self.entries, edge) for edge in (edges[0], edges[-1]))
        begin = edges[0] if before is None else before
        if end is None or end <= begin:
            return self.period
        return between_readings(self.period, begin, end, self.site.zone)

    def _stretches(self, point: Point) -> list[Stretch]:
        """Those that the point's permits and wells ask for; the period's whole is known anyway."""
        asked = stretches_of(self.site.permits.values(), point.name, self.period, point.wells, self.since)
        return sorted(asked - {(self.period.first, self.period.end)})

    def _shared(self, said: Told, stretches: Iterable[Stretch]) -> dict[Stretch, SharedStretch]:
        """The stretches, being added up."""
        zone = self.site.zone
        return {
            (first, end): SharedStretch(said.estimates, midnight_ms(first, zone), midnight_ms(end, zone))
            for first, end in stretches
        }


def _place(point: Point, site: Site) -> Place:
    own = [site.wells[one.well] for one in point.wells]
    permits = tuple(p.name for p in site.permits.values() if any(share.point == point.name for share in p.shares))
    called, agency_id, location, source = (
        ", ".join(dict.fromkeys(filter(None, texts)))
        for texts in zip(*((one.called, one.agency_id, one.location, one.source) for one in own), strict=True)
    )
    return Place(point.name, point.called, called, agency_id, location, source, permits)


def _register(point: Point) -> Register:
    books = books_of(point)
    assert books.one_count is not None
    assert books.capacity is not None
    digits = len(str(books.capacity)) - 1
    decimal = books.capacity == 10**digits
    return Register(point.map.name, books.name, books.one_count, books.capacity, digits if decimal else None)


def _rate_unit(point: Point) -> str | None:
    return next((q.unit for q in point.map.quantities.values() if q.kind is Kind.FLOW), None)


def _why_none(silence: _Silence, *, polled: bool) -> str:
    if not polled:
        return "this point is not on record yet; it has never been polled"
    if silence.last is None:
        return "no good reading in the period or near it"
    return "one good reading alone; a volume lies between two" if silence.last is silence.first else ""


def _provisional(as_of_ms: int | None, end_ms: int, gathered: Iterable[_Gathered]) -> str:
    if as_of_ms is None:
        return "the record holds nothing with a date yet"
    if as_of_ms < end_ms:
        return "the record ends before the period does"
    short = [one.report.place.point for one in gathered if not one.settled]
    if short:
        return f"fewer than {FITTING} good readings in a row after the period are on record for {', '.join(short)}"
    return ""


def _maps(accepted: Accepted, gathered: Iterable[_Gathered]) -> dict[str, str]:
    """Maps by name as the site file writes them; one that served earlier goes by the name it gives itself."""
    used: dict[str, str] = {}
    for one in gathered:
        used |= one.maps
    named = {sha256: name for name, sha256 in accepted.maps.items()}
    texts = {named.get(sha256, f"{own}, earlier text {sha256[:12]}"): sha256 for sha256, own in used.items()}
    return dict(sorted(texts.items()))

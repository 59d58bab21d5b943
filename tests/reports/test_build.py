"""What a report of a long period costs: its intervals pass by and are let go."""

import gc
from collections.abc import Iterable, Iterator
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.fold import Fact, begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.periods import Period, calendar_year, edges_ms
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Happened, Missed, Reading, Scale
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.reports.build import Asked, PointFacts, PointTally
from tallywell.reports.face import Face
from tallywell.reports.hand_readings import Visit
from tallywell.reports.model import Place, PointReport, Register
from tallywell.reports.slices import VolumeBetween

ZONE = ZoneInfo("America/Denver")
YEAR = calendar_year("2026")
EDGES = edges_ms(YEAR, ZONE)
MINUTE_MS = 60_000
SCALE = Scale(Fraction("0.003785411784"), 10**6)
RULES = Rules(MINUTE_MS, SCALE.one_count_m3 * 1000 / 60)
FACE = Face(measure("1 gal", "volume"), 6)
REGISTER = Register("inline-a", "forward_total", measure("1 gal", "volume"), 10**6, 6)
VISIT = Visit(EDGES[0] + 30_000, "000000", "ana", "", None)
FACTS = PointFacts(
    place=Place("north", "", "", "23-0417", "", "", ()),
    face_stated=True,
    rate_unit=None,
    running_above=None,
    meters=(),
    unread=(),
)


def facts(minutes: int, outage: bool) -> Iterator[Fact]:
    """Minute polls from the year's begin on: misses, a reboot every 500 minutes, rounds of the register."""
    for seq in range(1, minutes):
        when = When(seq // 500, seq * MINUTE_MS, EDGES[0] + seq * MINUTE_MS, 0)
        if seq % 500 == 0:
            yield Happened(seq, when, "started")
        elif seq % 71 == 0 or (outage and 1000 <= seq < 1100):
            yield Missed(seq, when, "no_answer")
        else:
            yield Reading(seq, when, Total.exact(seq * 300 % 10**6), SCALE, Fraction(seq % 7), seq % 7 > 3)


def alive_after(minutes: int, outage: bool = False) -> int:
    """How many intervals of so many minutes are still held by what takes them."""
    gc.collect()
    before = _alive()
    tally, share = (
        PointTally(YEAR, ZONE, Asked(FACE, REGISTER, (VISIT,))),
        VolumeBetween(EDGES[1], EDGES[3]),
    )
    for one in fold(facts(minutes, outage), begin(RULES)):
        tally.take(one)
        share.take(one)
    gc.collect()
    return _alive() - before


def _alive() -> int:
    return sum(type(each) is Interval for each in gc.get_objects())


@pytest.mark.parametrize("minutes", [1500, 6000])
def test_plain_intervals_are_let_go(minutes: int) -> None:
    """Held are the ends of each day's run, an interval for each rollover, and those that reach the year's edges."""
    days, rounds = minutes // 1440 + 1, minutes * 300 // 10**6
    assert alive_after(minutes) <= 8 + 2 * days + rounds


def test_an_outage_is_kept_for_its_line() -> None:
    assert alive_after(3000, outage=True) > alive_after(3000)


def test_a_day_takes_no_more_once_the_next_has_begun() -> None:
    """The second boot's dates lie 90 s back, over midnight: its minute before midnight was metered once already."""
    tally, midnight = PointTally(YEAR, ZONE, Asked(FACE, REGISTER)), EDGES[1]
    seen = [(1, at) for at in range(-600, 121, 60)] + [(2, at) for at in range(90, 601, 60)]
    told: list[Fact] = []
    for seq, (boot, at) in enumerate(seen, start=1):
        shown = midnight + (at if boot == 1 else at - 120) * 1000
        told.append(Reading(seq, When(boot, seq * MINUTE_MS, shown, 200_000), Total.exact(seq), SCALE))
    for one in fold(told, begin(RULES)):
        tally.take(one)
    first = tally.report(FACTS).days[0]
    assert (first.reached_ms, first.covered_ms) == (600_000, 600_000)


def test_counts_between_readings_of_one_date_are_reported() -> None:
    """After the reboot the clock stood a minute back: what ran meanwhile has no length, and is water."""
    tally, noon = PointTally(YEAR, ZONE, Asked(FACE, REGISTER)), EDGES[0] + 43_200_000
    told: list[Fact] = [
        Reading(1, When(1, MINUTE_MS, noon, 200_000), Total.exact(100), SCALE),
        Reading(2, When(2, 2 * MINUTE_MS, noon - MINUTE_MS, 200_000), Total.exact(150), SCALE),
    ]
    share = VolumeBetween(EDGES[0], EDGES[1])
    for one in fold(told, begin(RULES)):
        tally.take(one)
        share.take(one)
    report = tally.report(FACTS)
    shared = share.close()
    assert report.volume is not None
    assert shared is not None
    assert shared.m3 == report.volume.m3 == 50 * SCALE.one_count_m3
    assert [line.counts for line in report.segments] == [50]


FARTHER = Scale(SCALE.one_count_m3, 10**7)


def counted(*readings: tuple[int, int, Scale]) -> list[Fact]:
    """Readings of one boot: minutes from the year's begin, count and scale."""
    return [
        Reading(seq, When(1, minute * MINUTE_MS, EDGES[0] + minute * MINUTE_MS, 0), Total.exact(count), scale)
        for seq, (minute, count, scale) in enumerate(readings, start=1)
    ]


ROSE = counted((-3, 999_800, SCALE), (-1, 999_900, SCALE), (1, 1_000_100, FARTHER), (3, 1_000_300, FARTHER))


def test_a_period_cut_where_a_register_began_to_count_farther_balances() -> None:
    """Between its last reading below the old end and its first beyond it the count runs on, and is no rollover."""
    begun, ended = reported(ROSE, YEAR), reported(ROSE, calendar_year("2025"))
    assert begun.begin is not None
    assert (begun.begin.seen.count, begun.begin.low, begun.begin.high) == (1_000_000, 999_900, 1_000_100)
    assert ended.end is not None
    assert (ended.end.seen.count, ended.end.low, ended.end.high) == (1_000_000, 999_900, 1_000_100)
    for report in (begun, ended):
        (line,) = report.segments
        assert line.balances
        assert line.rollovers == 0
    assert (begun.segments[0].counts, ended.segments[0].counts) == (300, 200)


def test_a_rollover_before_the_register_counts_farther_balances() -> None:
    readings = [(1, 999_900, SCALE), (2, 100, SCALE), (3, 300, SCALE), (4, 500, FARTHER), (5, 700, FARTHER)]
    (line,) = reported(counted(*readings), YEAR).segments
    assert (line.counts, line.rollovers, line.capacity) == (800, 1, 10**6)
    assert line.balances


def reported(told: Iterable[Fact], period: Period) -> PointReport:
    tally = PointTally(period, ZONE, Asked(FACE, REGISTER))
    for one in fold(told, begin(RULES)):
        tally.take(one)
    return tally.report(FACTS)

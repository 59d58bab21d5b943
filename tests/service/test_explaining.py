"""A number followed back: the same ledger, the same sums, in sentences that add up."""

from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tallywell.ledger.intervals import Kind
from tallywell.ledger.periods import between, edges_ms, month
from tallywell.readings.units import GALLON
from tallywell.reports.shown_units import RateUnit, volume_unit
from tallywell.service.accepted import accepted_site
from tallywell.service.explained_words import judged, sentences
from tallywell.service.explaining import around, explained
from tallywell.store.query import Reader

from .explained_sums import sums_are_true
from .made_record import QUARTER_MS, MadeRecord, at, made_record

ZONE = ZoneInfo("America/Denver")
POINT = "north-discharge"


@pytest.fixture
def july(tmp_path: Path) -> MadeRecord:
    """Polls a quarter of an hour apart at odd seconds; an outage over a midnight, a rollover, a glitch."""
    made, count, now = made_record(tmp_path, "2026-06-30 20:00"), 99_990_000, at("2026-06-30 20:00:07")
    while now < at("2026-08-01 04:00"):
        out = at("2026-07-10 12:00") < now < at("2026-07-12 06:00")
        count = (count + 7) % 10**8
        odd = now == at("2026-07-20 12:00:07")
        if out:
            made.miss(now, "no_answer")
        else:
            made.read(now, forward_total=count + (40_000_000 if odd else 0), flow_rate=46.7)
        now += QUARTER_MS
    made.flush()
    return made


def of_day(made: MadeRecord, day: str) -> tuple[list[str], Fraction]:
    from datetime import date

    period = between(date.fromisoformat(day), date.fromisoformat(day))
    edges = edges_ms(period, ZONE)
    unit = volume_unit("gal", [100 * GALLON])
    with Reader(made.folder) as reader:
        point = accepted_site(reader).site.points[POINT]
        found = explained(reader, point, edges[0], edges[-1])
        told = list(sentences(found, unit, RateUnit("gpm"), ZONE))
    return told, sum((piece.counts * piece.first.scale.one_count_m3 for piece in found.pieces), Fraction(0))


@pytest.mark.parametrize("day", ["2026-07-05", "2026-07-10", "2026-07-11", "2026-07-12", "2026-07-15", "2026-07-20"])
def test_the_pieces_of_a_day_add_up_to_the_reports_row(july: MadeRecord, day: str) -> None:
    (row,) = [one for one in july.report(month("2026-07")).points[0].days if one.label == day]
    told, added = of_day(july, day)
    assert row.volume is not None
    assert added == row.volume.m3
    unit = volume_unit("gal", [100 * GALLON])
    low, high = unit.number(row.volume.low_m3), unit.text(row.volume.high_m3)
    assert told[0] == f"volume {unit.text(row.volume.m3)}, at least {low}, at most {high}"
    assert sums_are_true(told) >= 3


def test_what_is_not_plain_stands_alone_with_its_words(july: MadeRecord) -> None:
    gap = "\n".join(of_day(july, "2026-07-11")[0])
    assert "metered across a gap" in gap
    assert "inside: the meter did not answer (" in gap
    assert "may have flowed" not in gap, "both bounds are the counts themselves"
    glitch = "\n".join(of_day(july, "2026-07-20")[0])
    assert "glitch; it posts nothing" in glitch
    rollover = "\n".join("\n".join(of_day(july, f"2026-07-{day:02}")[0]) for day in range(13, 18))
    assert " + 1 x 100,000,000 = 7 counts" in rollover


def test_a_moment_leads_to_the_two_readings_around_it(july: MadeRecord) -> None:
    with Reader(july.folder) as reader:
        point = accepted_site(reader).site.points[POINT]
        moment = around(reader, point, at("2026-07-05 10:05"))
        one = moment.interval
        assert one is not None
        assert (one.kind, one.posted) == (Kind.METERED, 7)
        assert one.begin_ms <= at("2026-07-05 10:05") <= one.end_ms
        assert next(judged(one, RateUnit("gpm"))).startswith(
            "at most 776 counts can pass in 15 min: in 900,000 ms + 5,"
        )
        assert moment.explained.followed.decoder.maps_used()
        assert around(reader, point, at("2030-01-01 00:00")).interval is None


def test_a_day_without_readings_says_so_and_where_the_record_ends(july: MadeRecord) -> None:
    told, _ = of_day(july, "2026-09-05")
    assert "nothing is metered in it" in told[0]
    assert told[1].startswith("the record ends 2026-08-01 03:")


def test_a_day_before_the_record_says_where_it_begins(july: MadeRecord) -> None:
    """2016 for 2026, as it is typed at times."""
    assert of_day(july, "2016-07-05")[0][1].startswith(
        "the record begins 2026-06-30 20:00:00 -06:00: of what was before"
    )
    (known,) = [line for line in of_day(july, "2026-06-30")[0] if line.startswith("not in it: ")]
    assert known.startswith("not in it: from 2026-06-30 00:00:00 -06:00 to 2026-06-30 20:")

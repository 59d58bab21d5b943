"""One meter that measures the water of several wells: shares that sum to the whole on every date."""

from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from tallywell.ledger.periods import month
from tallywell.readings.problems import Problem
from tallywell.readings.units import GALLON
from tallywell.reports.text import text
from tallywell.service.site import WellShare
from tallywell.service.site_file import parse_site

from .made_record import MAP, QUARTER_MS, at, made_record

SITE = """\
site: Quail Flat Orchard
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/example, baud: 19200, parity: even}
wells:
  north: {called: Well 1, agency_id: 23-0417}
  south: {called: Well 2}
points:
  north-discharge: {WELLS, line: field, address: 17, map: inline-a.yaml, every: 15 min, pipe: 8 in,
                    counts_without_external_power: yes}
"""


def read(wells: str) -> tuple[tuple[WellShare, ...], list[Problem]]:
    site, problems = parse_site(SITE.replace("WELLS", wells), "quail.yaml", lambda _: MAP, ahead=False)
    faults = [problem for problem in problems if not problem.warning]
    return (() if site is None else site.points["north-discharge"].wells), faults


def test_a_point_belongs_to_one_well_or_to_several_by_shares() -> None:
    assert read("well: north") == ((WellShare("north"),), [])
    assert read("wells: [{well: north, share: 2/3}, {well: south, share: 1/3}]") == (
        (WellShare("north", Fraction(2, 3)), WellShare("south", Fraction(1, 3))),
        [],
    )
    moved = "wells: [{well: north, to: 2026-07-16}, {well: south, from: 2026-07-16}]"
    assert read(moved)[0][1] == WellShare("south", Fraction(1), date(2026, 7, 16))


@pytest.mark.parametrize(
    ("wells", "said"),
    [
        ("called: x", "says no well that it belongs to"),
        ("well: north, wells: [south]", "wells stands beside well"),
        ("wells: []", "must be a list"),
        ("wells: north", "must be a list"),
        ("wells: [nort, south]", "is not among the wells"),
        ("wells: [{well: north, share: 2/3}, {well: south, share: 1/2}]", "sum to 7/6, not to 1"),
        ("wells: [north, south]", "sum to 2, not to 1"),
        ("wells: [{well: north, from: 2026-02-01, to: 2026-01-01}]", "is not after from"),
        ("wells: [{well: north, share: lots}]", "share"),
        ("well: nort", 'did you mean "north"'),
    ],
)
def test_what_is_wrong_with_them_is_one_message_each(wells: str, said: str) -> None:
    found, problems = read(wells)
    assert not found
    assert any(said in str(problem) for problem in problems), [str(problem) for problem in problems]
    assert len(problems) == 1, [str(problem) for problem in problems]


def test_a_report_gives_each_well_its_share_by_its_dates(tmp_path: Path) -> None:
    wells = "wells: [{well: north, to: 2026-07-16}, {well: north, share: 1/4, from: 2026-07-16}, "
    wells += "{well: south, share: 3/4, from: 2026-07-16}]"
    made = made_record(tmp_path, "2026-06-30 20:00", site=SITE.replace("WELLS", wells))
    count, now = 5_000, at("2026-06-30 20:00")
    while now < at("2026-08-01 03:00"):
        made.read(now, forward_total=count, flow_rate=46.7)
        count, now = count + 8, now + QUARTER_MS
    report = made.report(month("2026-07"))
    by_name = {one.called: one.volume for one in report.wells}
    north, south = by_name["Well 1"], by_name["Well 2"]
    assert north is not None
    assert south is not None
    day = 96 * 8 * 100
    assert north.m3 / GALLON == 15 * day + Fraction(16 * day, 4)
    assert south.m3 / GALLON == Fraction(16 * day * 3, 4)
    (point,) = report.points
    assert point.volume is not None
    assert north.m3 + south.m3 == point.volume.m3
    assert "3/4 of north-discharge" in text(report) or "0.75 of north-discharge" in text(report)

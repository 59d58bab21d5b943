"""The demo's scenario: the same for the same seed, and its mishaps where the period has room for them."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest

from tallywell.ledger.periods import Period, between, month
from tallywell.service.demo_field import EVERY_MS, FALLS_SILENT, GOES_ROUND, MAPS, scenario, site_text, whole_counts
from tallywell.service.demo_truth import Side, answers_csv, meters_csv, side_by_side, truth_csv
from tallywell.service.site import Line
from tallywell.service.site_file import parse_site
from tallywell.simulator.station import Served

HOUR_MS = 3_600_000


@pytest.mark.parametrize("port", ["/tmp/demo.port", '/tmp/a "quoted" \\ folder/demo.port'])
def test_the_invented_site_and_its_maps_are_without_fault(port: str) -> None:
    site, problems = parse_site(site_text(port), "demo.yaml", MAPS.__getitem__)
    assert not problems
    assert site is not None
    line = site.lines["field"]
    assert isinstance(line, Line)
    assert line.port == port


@pytest.mark.parametrize(
    "period", [month("2026-03"), month("2026-11"), month("2028-02"), between(date(2026, 3, 1), date(2026, 3, 3))]
)
@pytest.mark.parametrize("seed", ["1", "two"])
def test_mishaps_lie_where_they_belong(period: Period, seed: str) -> None:
    played = scenario(period, seed)
    assert truth_csv(played) == truth_csv(scenario(period, seed)) != truth_csv(scenario(period, seed + "x"))
    assert (
        played.begin_ms < played.first_ms < played.outage.from_ms < played.outage.to_ms < played.last_ms < played.end_ms
    )
    assert played.begin_ms % HOUR_MS == 0
    assert played.end_ms % EVERY_MS == 0
    silent = {point: meter.silences for point, meter in played.meters.items() if meter.silences}
    assert list(silent) == [FALLS_SILENT]
    assert silent[FALLS_SILENT][0].from_ms < played.last_ms < (silent[FALLS_SILENT][0].to_ms or 0) < played.end_ms
    for point, meter in played.meters.items():
        shown = [meter.count(ms) for ms in range(played.outage.to_ms, played.last_ms, EVERY_MS)]
        falls = [k for k in range(1, len(shown)) if shown[k] < shown[k - 1]]
        assert len(falls) == (point == GOES_ROUND)
        assert whole_counts(meter, played.first_ms, played.last_ms) >= 1000


def test_a_month_is_37_hours_short_of_polls() -> None:
    played = scenario(month("2026-03"), "1")
    hours = 31 * 24 - 1 + 1 + Fraction(7, 2) - 37 - Fraction(7, 60)  # one hour less for the clocks, one more before it
    assert played.polls == 3 * int(hours * 4)


SIDE = Side("north", "100 gal", Fraction(1005), Fraction(990), Fraction(1010), 1000)


@pytest.mark.parametrize(
    ("side", "inside", "words"),
    [
        (SIDE, True, "1,005  1,000          +5   990 to 1,010  yes"),
        (replace(SIDE, true=990), True, "1,005    990         +15   990 to 1,010  yes"),
        (replace(SIDE, true=989), False, "1,005    989         +16   990 to 1,010  NO"),
        (replace(SIDE, true=1011), False, "1,005  1,011          -6   990 to 1,010  NO"),
        (replace(SIDE, reported=None), False, "unknown  1,000     unknown    none  NO"),
    ],
)
def test_side_by_side(side: Side, inside: bool, words: str) -> None:
    assert side.inside is inside
    (_, line) = side_by_side([side])
    assert line.split() == ["north", "100", "gal", *words.split()]


def test_the_truth_as_files() -> None:
    played = scenario(month("2026-03"), "1")
    rows = [line.split(",") for line in truth_csv(played).splitlines()]
    assert rows[0] == ["point", "start_utc_ms", "millionths_of_a_count_per_s"]
    assert len(rows) - 1 == sum(len(meter.profile.pieces) for meter in played.meters.values())
    assert [line.split(",")[0] for line in meters_csv(played).splitlines()[1:]] == list(played.meters)
    answers = answers_csv([Served(1_772_345_700_002, 11, 4, 0, 2, b"\x00\x01\xab\xcd")])
    assert answers == "utc_ms,address,function,register,words,data\r\n1772345700002,11,4,0,2,0001abcd\r\n"

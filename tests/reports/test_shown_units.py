"""Units as printed. Every expected number has its published source beside it."""

from fractions import Fraction

import pytest

from tallywell.readings.units import FLOWS, VOLUMES, measure
from tallywell.reports.shown_units import RateUnit, VolumeUnit, factor, rate_unit, volume_unit


@pytest.mark.parametrize(
    ("volume", "unit", "places", "text"),
    [
        ("1 acre_foot", "gal", 4, "325,851.4286"),  # USGS, water-use conversion page: 325,851
        ("1 acre_inch", "gal", 3, "27,154.286"),  # Upper Niobrara White NRD; Central Platte NRD: 27,154
        ("1857030 gal", "acre_foot", 3, "5.699"),  # Edwards Aquifer Authority, report-your-usage
        ("9568500 gal", "acre_inch", 2, "352.38"),  # Upper Niobrara White NRD
        ("6.426 acre_foot", "acre_inch", 3, "77.112"),  # Upper Niobrara White NRD
        ("1 Mgal", "acre_foot", 5, "3.06888"),  # OAS unit annex
    ],
)
def test_volumes_of_published_pages(volume: str, unit: str, places: int, text: str) -> None:
    assert VolumeUnit(unit, places).number(measure(volume, "volume").si) == text


def test_one_cubic_foot_a_second() -> None:
    assert RateUnit("gpm").text(FLOWS["cfs"]) == "448.8 gpm"  # Idaho Department of Water Resources: 448.83
    a_day = VolumeUnit("acre_foot", 5).number(FLOWS["cfs"] * 86400)
    assert a_day == "1.98347"  # the same: 1.9835


def test_no_more_decimals_than_one_count_has() -> None:
    assert volume_unit("gal", [measure("100 gal", "volume").si]).places == 0
    assert volume_unit("m3", [measure("0.1 m3", "volume").si]).places == 1
    assert volume_unit("acre_foot", [measure("0.001 acre_foot", "volume").si]).places == 3
    assert volume_unit("acre_foot", [measure("0.01 acre_foot", "volume").si]).places == 2
    assert volume_unit("acre_foot", [measure("100 gal", "volume").si]).places == 3


@pytest.mark.parametrize("name", VOLUMES)
def test_each_factor_names_its_unit_and_an_exact_definition(name: str) -> None:
    assert "exactly" in factor(name)
    assert "rounded" in factor(name)


def test_the_factor_of_the_acre_foot() -> None:
    assert factor("acre_foot") == "1 acre-foot = 43,560 ft3 exactly, rounded 325,851.4286 US gal"


def test_the_rate_is_in_the_map_s_unit_where_that_is_known() -> None:
    assert rate_unit("gal", "L/s") == RateUnit("L/s")
    assert rate_unit("m3", None) == RateUnit("m3/h")
    assert rate_unit("acre_foot", "strokes/min") == RateUnit("gpm")
    assert rate_unit("ML", "ML/day").text(Fraction(1000, 86400)) == "1.000 ML/day"

"""What a permit's account knows of the years before a report's period, from a record on disk."""

from datetime import date
from pathlib import Path

import pytest

from tallywell.ledger.periods import month, water_year
from tallywell.readings.units import VOLUMES
from tallywell.reports.model import PermitLine
from tallywell.reports.permit_words import authorised, year
from tallywell.reports.shown_units import VolumeUnit
from tests.service.made_record import SITE, MadeRecord, at, made_record

ONE = 100 * VOLUMES["gal"]  # a count of the made meter, 100 US gal
DAY_MS = 86_400_000
ACRE_FEET = VolumeUnit("acre_foot", 3)


def record(path: Path, begins: str, ends: str, amount: str, uses: dict[int, int]) -> MadeRecord:
    """A poll a day; so many counts in each water year, all of them in its July."""
    site = SITE.replace("authorised: 420 acre_foot, year_starts: 10-01", amount)
    made = made_record(path, begins, site=site)
    total = 1000
    for now in range(at(begins), at(ends), DAY_MS):
        made.read(now, forward_total=total)
        for of, counts in uses.items():
            if at(f"{of}-07-10 00:00") <= now < at(f"{of}-07-20 00:00"):
                total += counts // 10
    made.flush()
    return made


def account(made: MadeRecord) -> PermitLine:
    (permit,) = made.report(water_year("2026")).permits
    return permit


CARRIED = "authorised: 10000 gal, year_starts: 10-01, carry_over: 3000 gal"


def test_it_is_known_exactly_where_the_year_before_is(tmp_path: Path) -> None:
    made = record(tmp_path, "2024-10-01 00:00", "2026-10-05 12:00", CARRIED, {2025: 80, 2026: 100})
    permit = account(made)
    (this,) = permit.years
    assert permit.reckoned_from == date(2024, 10, 1)
    assert this.line.carried.m3 == 20 * ONE
    assert this.line.available.m3 == 120 * ONE
    assert this.line.left.m3 == 20 * ONE
    assert "reckoned from 2024-10-01 on" in authorised(permit)
    assert "of it carried over" in year(this, permit, ACRE_FEET)


def test_the_second_year_of_an_amount_for_three_begins_with_what_the_first_left(tmp_path: Path) -> None:
    amount = "authorised: 30000 gal, year_starts: 10-01, authorised_years: 3, authorised_from: 2024-10-01"
    made = record(tmp_path, "2024-10-01 00:00", "2026-10-05 12:00", amount, {2025: 80, 2026: 100})
    permit = account(made)
    (this,) = permit.years
    assert this.line.available.m3 == 220 * ONE
    assert this.line.left.m3 == 120 * ONE
    assert permit.reckoned_from == date(2024, 10, 1)


def test_of_a_year_that_the_record_begins_in_nobody_knows_what_was_left(tmp_path: Path) -> None:
    """All of it may have been used, or none: what is carried lies between nothing and what the meter leaves of it."""
    made = record(tmp_path, "2025-03-01 00:00", "2026-10-05 12:00", CARRIED, {2025: 80, 2026: 100})
    (this,) = account(made).years
    carried = this.line.carried
    assert carried.m3 is None
    assert carried.low_m3 == 0
    assert carried.high_m3 is not None
    assert 19 * ONE < carried.high_m3 <= 21 * ONE
    assert year(this, account(made), ACRE_FEET).count("between") == 3


def test_an_estimate_says_what_ran_before_the_record(tmp_path: Path) -> None:
    made = record(tmp_path, "2025-03-01 00:00", "2026-10-05 12:00", CARRIED, {2025: 80, 2026: 100})
    said: dict[str, object] = {
        "begin_ms": at("2024-10-01 00:00"),
        "end_ms": at("2025-03-01 00:00"),
        "standing": "in addition to",
        "method": "volume",
        "volume": "500 gal",
        "because": "last year's filed end",
    }
    made.enter(at("2026-01-01 00:00"), "estimate", said)
    (this,) = account(made).years
    assert this.line.carried.m3 == 15 * ONE


@pytest.mark.parametrize("first", [date(2026, 7, 1), date(2026, 10, 1)])
def test_a_month_reads_no_year_unless_one_begins_in_it(tmp_path: Path, first: date) -> None:
    made = record(tmp_path, "2024-10-01 00:00", "2026-11-05 12:00", CARRIED, {2025: 80})
    made.flush()
    (permit,) = made.report(month(f"{first:%Y-%m}")).permits
    assert [one.begin for one in permit.years] == ([first] if first.month == 10 else [])
    assert permit.reckoned_from == (date(2024, 10, 1) if first.month == 10 else None)

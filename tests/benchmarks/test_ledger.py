"""The fold costs as much for each reading of a long record as of a short one. Ratios within one run, no time."""

import pytest

from tests.benchmarks.ledger import FOLD, STAGES, facts, per_reading_us

pytestmark = pytest.mark.alone

SHORT, LONG = 1, 8


def test_a_reading_costs_no_more_in_a_long_record() -> None:
    """Measured 0.9 to 1.1; a fold that kept or went through what lies behind it would cost eight times as much."""
    told = {days: facts(days) for days in (SHORT, LONG)}
    short, long = (per_reading_us(FOLD, told[days], days) for days in (SHORT, LONG))
    assert long < 3 * short


def test_every_stage_of_the_benchmark_runs() -> None:
    told = facts(SHORT)
    for stage in STAGES:
        stage.run(told, SHORT)

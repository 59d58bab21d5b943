"""What happened, as a report tells it: each story a golden file of both layouts."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.ledger.periods import Period
from tallywell.reports.csv_layout import csv
from tallywell.reports.table import WIDTH
from tallywell.reports.text import text
from tests.reports.golden import same_as_golden
from tests.reports.stories import STORIES, told
from tests.service.made_record import MadeRecord

Story = Callable[[Path], tuple[MadeRecord, Period]]


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_told(story: Story, tmp_path: Path) -> None:
    report = told(story, tmp_path)
    shown = text(report)
    assert max(map(len, shown.splitlines())) <= WIDTH
    same_as_golden(f"stories/{story.__name__}.txt", shown)
    same_as_golden(f"stories/{story.__name__}.csv", csv(report))

"""The month that the layouts share, made once."""

import pytest

from tallywell.reports.model import Report
from tests.reports.july import july_report


@pytest.fixture(scope="session")
def july(tmp_path_factory: pytest.TempPathFactory) -> Report:
    return july_report(tmp_path_factory.mktemp("july"))

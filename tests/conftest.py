"""The same examples in every ordinary run, so that a red run means a change and not a lucky draw.

`TALLYWELL_EXAMPLES=new .venv/bin/pytest` draws new ones; what fails is printed and can be reproduced.
"""

import os

import pytest
from hypothesis import settings

# The runner loads readline, which tells every program started from here that the screen has 80 columns.
os.environ["COLUMNS"] = "100"

settings.register_profile("same", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("new", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("TALLYWELL_EXAMPLES", "same"))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Side by side, whole systems begin first: they wait more than they work, and others work meanwhile."""
    if hasattr(config, "workerinput"):  # one of pytest-xdist's workers
        items.sort(key=lambda item: item.path.parent.name != "whole")

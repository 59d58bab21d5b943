"""Golden reports: kept as files, and changed only by a visible diff.

After a change that is meant, run the test once with TALLYWELL_GOLDEN=write and look at what `git diff` shows.
"""

import os
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "data" / "reports"


def same_as_golden(name: str, content: str) -> None:
    path = FOLDER / name
    if os.environ.get("TALLYWELL_GOLDEN") == "write":
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode())
    assert path.read_bytes().decode() == content, f"{path} differs; see tests/reports/golden.py if that is meant"

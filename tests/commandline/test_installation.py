"""An installation ends the books of the meter read before it; so it does that only when it is said."""

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.whole.site_on_ptys import called, field, rows, site_text, tallywell

POINT = "line0-p1"


@pytest.fixture(scope="module")
def read_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A site whose point was read already, without an installation."""
    with field(tmp_path_factory.mktemp("stand"), site_text(1, 1)) as site:
        called("read", site)
        yield site


def refused(*words: str | Path) -> str:
    done = subprocess.run(tallywell(*words), capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    return done.stderr


def test_after_the_first_reading_it_must_be_said_that_it_is_another_meter(read_once: Path) -> None:
    said = refused("installation", read_once, POINT, "--serial", "A-1", "--shows", "00000012")
    assert f"{POINT} was read already, since 2" in said
    assert "--at" in said
    assert "`tallywell changeout`" in said
    assert not rows(read_once.with_suffix(".record"), "SELECT * FROM entry")


def test_before_the_first_reading_and_the_next_one_are_taken(read_once: Path) -> None:
    yesterday = time.strftime("%Y-%m-%d 12:00Z", time.gmtime(time.time() - 86_400))
    first = called("installation", read_once, POINT, "--serial", "A-1", "--shows", "00000012", "--at", yesterday)
    uuid = first.split()[-1]
    said = refused(
        "installation", read_once, POINT, "--serial", "A-1", "--replaces", uuid[:8], "--correcting", "no count"
    )
    assert "was read already" in said, "the corrected one would end the same meter"
    called("installation", read_once, POINT, "--serial", "B-2", "--shows", "00000000")
    assert len(rows(read_once.with_suffix(".record"), "SELECT * FROM entry WHERE kind = 'installation'")) == 2


def test_a_changeout_is_taken_after_readings(tmp_path: Path) -> None:
    with field(tmp_path, site_text(1, 1)) as site:
        called("read", site)
        called("changeout", site, POINT, "--serial", "B-2", "--old-final", "unreadable", "--first-count", "unknown")
        assert rows(site.with_suffix(".record"), "SELECT kind FROM entry") == [("changeout",)]

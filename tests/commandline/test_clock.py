"""`tallywell clock` says how many rows it dates, and warns of a time that can hardly be."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tallywell.schedule import system_clock
from tests.service.made_record import MadeRecord, at, made_record

from .made_site import called, made_site


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return made_site(tmp_path)


def of(days: float) -> str:
    return f"{datetime.now(UTC) + timedelta(days=days):%Y-%m-%d %H:%M}Z"


def test_a_time_far_from_the_machines_clock_is_warned_of(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "warning" not in called(capsys, "clock", site, "--it-is", of(0.01))[1]
    code, said = called(capsys, "clock", site, "--it-is", of(238.01))
    assert code == 0
    assert "warning: that is 238 days from what this machine's clock shows" in said


def test_a_start_before_what_is_dated_already_is_warned_of(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = called(capsys, "clock", site, "--it-is", "2026-06-30 12:00")
    assert code == 0
    assert "readings before that start are dated up to 2026-07-01 23:45:00 -06:00" in said
    assert "it dates no row yet, as the record holds none since this start of the machine" in said


def test_the_rows_that_it_dates_are_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "one").mkdir()
    site = made_site(tmp_path / "one")
    monkeypatch.setattr(system_clock, "boot_id", lambda: "boot-1")
    said = called(capsys, "clock", site, "--it-is", of(0))[1]
    assert "it dates no row: a synchronised clock has dated those since this start" in said
    undated = tmp_path / "quail.yaml"
    for name in ("quail.yaml", "inline-a.yaml"):
        (tmp_path / name).write_text((tmp_path / "one" / name).read_text())
    made = made_record(tmp_path, "2026-06-30 00:00", undated=True)
    made.read(at("2026-06-30 00:15"), forward_total=5_000)
    made.flush()
    MadeRecord.open_ones.pop().close()
    said = called(capsys, "clock", undated, "--it-is", of(0))[1]
    assert "it dates 3 rows, 1 to 3, and those to come until the next start" in said

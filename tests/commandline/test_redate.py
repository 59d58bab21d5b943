"""`tallywell redate` shows what it would do, and does it only with --enter."""

from pathlib import Path

import pytest

from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

from .made_site import POINT, called, made_site

STRETCH = ("--from", "2026-06-30 20:00", "--to", "2026-07-01 04:00")


def entered(site: Path) -> int:
    with Reader(RecordFolder(site.with_suffix(".record"))) as reader:
        return sum(entry.kind == "redate" for entry in reader.entries())


def test_what_it_would_do_is_shown_and_not_done(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two hours of 8 polls and 700 gal each come to lie in June."""
    site = made_site(tmp_path)
    code, said = called(capsys, "redate", site, *STRETCH, "--shift", "-2 h")
    assert code == 0
    assert "2026-06-30 20:00:00 -06:00 becomes 2026-06-30 18:00:00 -06:00" in said
    assert f"{POINT} 2026-06 67,200 72,800 5,600 US gal" in said
    assert f"{POINT} 2026-07 66,500 60,900 -5,600 US gal" in said
    assert said.endswith("nothing is changed; with --enter and --because it is put on record")
    assert entered(site) == 0


def test_it_is_entered_with_its_reason_and_a_second_look_knows_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = made_site(tmp_path)
    code, said = called(capsys, "redate", site, *STRETCH, "--shift", "-2 h", "--enter")
    assert code == 2
    assert "--because is missing" in said
    code, said = called(capsys, "redate", site, *STRETCH, "--shift", "-2 h", "--enter", "--because", "set wrongly")
    assert code == 0
    assert "redate entered as" in said
    assert entered(site) == 1
    moved = ("--from", "2026-06-30 20:01", "--to", "2026-07-01 02:00")
    code, said = called(capsys, "redate", site, *moved, "--shift", "-3 h")
    assert code == 0
    assert f"{POINT} 2026-06 72,800 75,600 2,800 US gal" in said, (
        "it holds instead of the first, from the clock's dates"
    )
    assert "2026-07-01 02:00:00 -06:00 becomes 2026-07-01 01:00:00 -06:00" in said


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--from", "2026-06-30", "--to", "2026-07-01 04:00", "--shift", "1 h"), "--from: '2026-06-30' has no time of"),
        (("--from", "2026-06-30 20:00", "--to", "4", "--shift", "1 h"), "--to: '4' is not a time"),
        ((*STRETCH, "--shift", "1"), "--shift: '1' is not a number with a unit"),
        ((*STRETCH, "--shift", "90000000 day"), "--shift: '90000000 day' is more than 100 years; look at the unit"),
        ((*STRETCH, "--shift", "0 h"), "--shift: say by how much the dates were wrong"),
        ((*STRETCH, "--shift", "1 h", "--within", "x"), "--within: 'x' is not a number with a unit"),
        (("--from", "2020-06-30 20:00", "--to", "2020-07-01 04:00", "--shift", "1 h"), "no row of the record lies in"),
    ],
)
def test_a_fault_names_its_flag(
    tmp_path: Path, words: tuple[str, ...], answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = called(capsys, "redate", made_site(tmp_path), *words)
    assert code == 2
    assert said.startswith(answer)

"""`tallywell check` as a person sees it."""

import argparse
from pathlib import Path

import pytest

from tallywell.commandline import check

CONFIGS = Path(__file__).parents[2] / "configs"
SAMPLE = CONFIGS / "quail-flat.yaml"


def checked(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    parser = argparse.ArgumentParser()
    check.arguments(parser)
    code = check.run(parser.parse_args([str(path)]))
    shown = capsys.readouterr()
    assert shown.err == ""
    return code, shown.out.splitlines()


def test_a_file_in_order(capsys: pytest.CaptureFixture[str]) -> None:
    code, lines = checked(SAMPLE, capsys)
    assert code == 0
    assert lines == [
        f"{SAMPLE} is in order: Quail Flat Orchard, America/Denver",
        "point            line   address  map           every  reads a poll",
        "north-discharge  field  17       inline-a (2)  1 min  2 (7 words)",
        "south-discharge  field  18       insert-b (1)  1 min  1 (8 words)",
        "hill-discharge   hill   3        spool-c (4)   5 min  1 (15 words)",
    ]


def test_every_fault_is_a_line_and_they_are_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    text = SAMPLE.read_text().replace("maps/", f"{CONFIGS}/maps/")
    path.write_text(text.replace("address: 18", "address: 17").replace("baud: 9600", "baud: 9601"))
    code, lines = checked(path, capsys)
    assert code == 1
    assert len(lines) == 3
    assert lines[0].startswith(f"{path}:6:")
    assert ": warning: " in lines[0]
    assert 'is that of point "north-discharge"' in lines[1]
    assert lines[2] == "1 fault, 1 warning"


def test_warnings_alone_are_no_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    text = SAMPLE.read_text().replace("maps/", f"{CONFIGS}/maps/")
    path.write_text(text.replace("baud: 9600", "baud: 9601"))
    code, lines = checked(path, capsys)
    assert code == 0
    assert lines[1] == f"{path} is in order, with 1 warning: Quail Flat Orchard, America/Denver"


def test_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, lines = checked(tmp_path / "gone.yaml", capsys)
    assert code == 1
    assert "cannot be read" in lines[0]
    assert lines[1] == "1 fault, 0 warnings"

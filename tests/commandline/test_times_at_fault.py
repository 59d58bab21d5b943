"""Every time or date that is at fault is named with the flag that holds it."""

from pathlib import Path

import pytest

from .made_site import POINT, called, made_site

WRONG = [
    ("visit", ("--shows", "00005280", "--at")),
    ("installation", ("--serial", "A", "--at")),
    ("changeout", ("--serial", "A", "--old-final", "00005280", "--first-count", "00000000", "--at")),
    ("shutdown", ("--at",)),
    ("startup", ("--at",)),
    ("wireseal", ("--number", "4", "--put-on", "--at")),
    ("remark", ("text", "--at")),
    ("settle", ("--rounds", "1", "--at")),
    ("accuracy-test", ("--error", "1 %", "--reference", "a", "--tester", "b", "--at")),
    ("out-of-use", ("--because", "x", "--from")),
    ("estimate", ("--from",)),
    ("explain", ("--at",)),
    ("explain", ("--day",)),
    ("explain", ("--month",)),
]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_site(tmp_path_factory.mktemp("quail"))


@pytest.mark.parametrize(("command", "words"), WRONG)
def test_the_flag_is_named(
    site: Path, command: str, words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = called(capsys, command, site, POINT, *words, "yesterday")
    assert code == 2
    assert said.startswith(f"{words[-1]}: 'yesterday' is no"), said


@pytest.mark.parametrize("flag", ["--from", "--to"])
def test_of_a_stretch_to_be_read_again_too(site: Path, flag: str, capsys: pytest.CaptureFixture[str]) -> None:
    map_ = site.parent / "inline-a.yaml"
    code, said = called(capsys, "reread", site, POINT, "--map", map_, flag, "2026-13-01")
    assert code == 2
    assert said.startswith(f"{flag}: ")
    assert called(capsys, "clock", site, "--it-is", "noon")[1].startswith("--it-is: 'noon' is not a time")

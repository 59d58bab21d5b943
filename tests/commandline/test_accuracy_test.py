"""`tallywell accuracy-test`: an error is refused by the flag that holds it; nothing is said to change volumes."""

from pathlib import Path

import pytest

from .made_site import POINT, called, made_site

BY = ("--reference", "tank", "--tester", "A. Tester")


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--error", "1.2"), "--error: '1.2' has no percent sign"),
        (("--error", "120 %"), "--error: '120 %' is more than a meter that works can be wrong"),
        (("--meter", "1015 gal", "--true", "1 m3"), "--meter: '1015 gal' against '1 m3' would be an error of +284.2 %"),
        (("--meter", "1015 gal", "--true", "0 gal"), "--true: the reference must have measured more than nothing"),
        (("--meter", "1015 gal", "--true", "1 gpm"), "--meter: give both as volumes or both as flow rates"),
        (("--meter", "1015 gal"), "give --error, or both --meter and --true"),
    ],
)
def test_what_cannot_be_is_refused_by_its_flag(
    tmp_path: Path, words: tuple[str, ...], answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = called(capsys, "accuracy-test", made_site(tmp_path), POINT, *words, *BY)
    assert code == 2
    assert said.startswith(answer)


def test_an_error_below_zero_needs_no_quotes_and_changes_no_volume(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = called(capsys, "accuracy-test", made_site(tmp_path), POINT, "--error", "-1.2%", *BY)
    assert code == 0
    assert "the meter's error is -1.2 %; no volume is changed by it" in said
    assert "It changes no volume" in called(capsys, "accuracy-test", "--help")[1]

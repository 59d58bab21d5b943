"""`tallywell estimate` shows what was metered in its span, so that nothing is counted twice by a slip."""

from pathlib import Path

import pytest

from .made_site import POINT, called, made_site

WHY = ("--because", "x")
RATE = ("--rate", "750 gpm", "--tested", "2026-05-02")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return made_site(tmp_path)


def test_what_is_metered_is_shown_and_a_double_count_warned_of(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """96 quarters of 700 gal are 67,200 gal."""
    day = ("--from", "2026-06-30", "--to", "2026-07-01", "--volume", "500 gal", *WHY)
    code, said = called(capsys, "estimate", site, POINT, *day, "--in-addition")
    assert code == 0
    assert said.startswith(f"{POINT}: metered in that span 67,200 US gal, between 66,600 and 67,800")
    assert "warning: what passed the meter in that span is metered already" in said
    code, said = called(capsys, "estimate", site, POINT, *day, "--instead-of-metered")
    assert code == 0
    assert "67,200 US gal" in said
    assert "warning" not in said


def test_a_span_that_was_read_in_part_or_not_at_all(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--to", "2026-07-03", "--in-addition", "--volume", "500 gal", *WHY)
    code, said = called(capsys, "estimate", site, POINT, "--from", "2026-07-01", *words)
    assert code == 0
    assert "it was read only from 2026-07-01 00:00:00 -06:00 to 2026-07-01 23:45:00 -06:00" in said
    assert "warning" not in said
    code, said = called(capsys, "estimate", site, POINT, "--from", "2026-07-02 12:00", *words)
    assert code == 0
    assert f"{POINT}: nothing was metered in that span" in said


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (("--hours", "30", *RATE), "--hours: 30 h do not fit into a span of 24.0 h"),
        (("--hours", "x", *RATE), "--hours: 'x' is not a decimal number"),
        (("--hours", "3", "--rate", "750 gal", "--tested", "2026-05-02"), "--rate: 'gal' is a volume"),
        (("--kwh", "3", "--kwh-per", "430", "--tested", "2026-05-02"), "--kwh-per: '430' is no energy for a volume"),
        (("--volume", "500"), "--volume: '500' is not a number with a unit"),
        (("--same-span-of", "2026"), "--same-span-of: the span of 2026 is, or overlaps, the one to estimate"),
        (("--same-span-of", "0"), "--same-span-of: '0' is no year; write it as 2025"),
        (("--same-span-of", "2025"), "--same-span-of: nothing was metered"),
        ((), "--volume, --hours, --kwh or --same-span-of is missing: say how it is reckoned"),
    ],
)
def test_what_cannot_be_is_refused_by_its_flag(
    site: Path, words: tuple[str, ...], answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    day = ("--from", "2026-06-30", "--to", "2026-07-01", "--in-addition")
    code, said = called(capsys, "estimate", site, POINT, *day, *words, *WHY)
    assert code == 2
    assert answer in said
    assert "how it is reckoned: volume" not in said
    assert called(capsys, "entries", site)[1] == "the record holds no entries yet"


def test_a_span_without_length_is_named_by_its_flag(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    day = ("--from", "2026-06-30", "--to", "2026-06-30", "--in-addition", "--volume", "1 gal")
    code, said = called(capsys, "estimate", site, POINT, *day, *WHY)
    assert (code, said) == (2, "--to: the span of an estimate ends after it begins")

"""`tallywell bring-in` holds each row against the register and the calendar before anything is entered."""

from pathlib import Path

import pytest

from .made_site import POINT, called, made_site

# Every quarter of an hour 7 counts from 5,000: at 10:00 of 30 June the register shows 5,280.
RIGHT = "2026-06-30 10:00,00005280,A. Reader,"


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return made_site(tmp_path)


def table(site: Path, *rows: str, heading: str = "time,shows,by,note") -> Path:
    path = site.parent / "t.csv"
    path.write_text("\n".join((heading, *rows)) + "\n")
    return path


def test_rows_are_held_against_the_register(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = table(site, RIGHT, "2026-06-30 12:00,00045336,,slip", "2025-12-31 08:00,00001200,,filed")
    for dry in ("--dry-run", ""):
        code, said = called(capsys, "bring-in", site, POINT, file, *filter(None, [dry]))
        assert code == 0
        assert "00005280 528,000 agrees A. Reader" in said
        assert "00045336 4,533,600 DIFFERS slip" in said
        assert "00001200 120,000 not read filed" in said
        assert said.count("warning: ") == 1
        assert f"warning: {file}:3: register 00005336: 40,000 above it; DIFFERS" in said
        done = "would be entered" if dry else "entered"
        assert said.endswith(f"3 {done}, 0 on record already; 1 DIFFERS from the register")


def test_a_row_on_record_already_is_warned_of_no_more(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = table(site, RIGHT)
    called(capsys, "bring-in", site, POINT, file)
    code, said = called(capsys, "bring-in", site, POINT, file)
    assert code == 0
    assert "warning" not in said
    assert said.endswith("0 entered, 1 on record already")


@pytest.mark.parametrize(
    ("row", "warned"),
    [
        ("2091-06-30 10:00,00005280,,", "2091-06-30 10:00:00 -06:00 is still to come by this machine's clock"),
        ("2016-06-30 10:00,00005280,,", "2016-06-30 10:00:00 -06:00 is long before the record begins"),
        ("2026-06-30 10:00,00005281,,", "on record is of the same minute and shows 00005280"),
    ],
)
def test_what_may_be_a_slip_is_warned_of(site: Path, row: str, warned: str, capsys: pytest.CaptureFixture[str]) -> None:
    called(capsys, "visit", site, POINT, "--shows", "00005280", "--at", "2026-06-30 10:00")
    code, said = called(capsys, "bring-in", site, POINT, table(site, row), "--dry-run")
    assert code == 0
    assert warned in said


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        (["2026-06-30,00005280,,"], ":2:1: time: '2026-06-30' has no time of day; write it as"),
        (["2026-06-30 10:00,000005280,,"], ":2:2: shows: '000005280' has 9 digits, the face 8"),
        (
            [RIGHT, "2026-06-30 10:00:30,00005290,,"],
            ":3: line 2 is of the same minute and shows 00005280; keep the right one",
        ),
    ],
)
def test_what_cannot_be_is_refused(site: Path, rows: list[str], fault: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = called(capsys, "bring-in", site, POINT, table(site, *rows))
    assert code == 1
    assert fault in said
    assert "nothing was entered" in said


def test_a_workbook_is_known_by_its_name_too(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (site.parent / "t.xls").write_bytes(b"\xd0\xcf\x11\xe0")
    code, said = called(capsys, "bring-in", site, POINT, site.parent / "t.xls")
    assert code == 2
    assert "this is a workbook" in said


def test_thousands_in_quotation_marks_are_a_number(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, said = called(capsys, "bring-in", site, POINT, table(site, '2026-06-30 10:00,"5,280",,'), "--dry-run")
    assert code == 0
    assert "5280 528,000 agrees" in said


def test_tabs_part_values_too(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = table(site, "2026-06-30 10:00\t00005280", heading="time\tshows")
    assert "00005280 528,000 agrees" in called(capsys, "bring-in", site, POINT, file, "--dry-run")[1]


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"PK\x03\x04rest", ':1:1: this is a workbook, no text; save the sheet as "CSV UTF-8"'),
        (b"time,shows\n2026-06-30 10:00,1\n\xff", ":3:1: it is not UTF-8"),
    ],
)
def test_what_is_no_text_is_said_to_be_so(
    site: Path, content: bytes, fault: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (site.parent / "t.csv").write_bytes(content)
    code, said = called(capsys, "bring-in", site, POINT, site.parent / "t.csv")
    assert code == 2
    assert fault in said

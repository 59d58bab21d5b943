"""`tallywell report`: what it prints, what it writes, and what it says when it is called wrongly."""

from pathlib import Path

import pytest

from tallywell.commandline import main
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site file with its map beside it, and a record of July 2026 up to the 2nd of August."""
    folder = tmp_path_factory.mktemp("quail")
    path = folder / "quail.yaml"
    path.write_text(SITE)
    (folder / "inline-a.yaml").write_text(MAP)
    made = made_record(folder, "2026-07-01 00:00")
    for step, now in enumerate(range(at("2026-07-01 00:00"), at("2026-08-02 00:00"), QUARTER_MS)):
        made.read(now, forward_total=step)
    made.flush()
    MadeRecord.open_ones.pop().close()
    return path


def said(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    """Exit code, output and complaints of one call."""
    try:
        code = main(["report", *map(str, words)])
    except SystemExit as end:
        code = int(end.code or 0)
    out, complaints = capsys.readouterr()
    assert "Traceback" not in complaints
    return code, out, complaints.replace("\n  ", " ")  # a message that is wider than the screen goes on below itself


@pytest.mark.parametrize(
    ("words", "heading"),
    [
        (("--month", "2026-07"), "Volumes of 2026-07"),
        (("--year", "2026"), "Volumes of 2026"),
        (("--water-year", "2026"), "Volumes of water year 2026"),
        (("--from", "2026-07-03", "--to", "2026-07-04"), "Volumes of 2026-07-03 to 2026-07-04"),
    ],
)
def test_a_report_of_each_kind_of_period(
    site: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], heading: str
) -> None:
    code, out, complaints = said(capsys, site, *words)
    assert (code, complaints) == (0, "")
    assert heading in out.splitlines()


def test_a_period_that_is_not_over_is_provisional(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, site, "--month", "2026-08")
    assert code == 0
    assert "PROVISIONAL: the record ends before the period does" in out


def test_units_are_chosen_by_name(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "acre-feet (at least" in said(capsys, site, "--month", "2026-07", "--unit", "acre_foot")[1]


def test_csv_on_the_screen_and_in_a_file_is_the_same(
    site: Path, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert main(["report", str(site), "--month", "2026-07", "--csv", "-"]) == 0
    shown = capsysbinary.readouterr().out
    assert shown.startswith(b"point,section,item,")
    file = tmp_path / "july.csv"
    assert main(["report", str(site), "--month", "2026-07", "--csv", str(file)]) == 0
    assert file.read_bytes() == shown
    assert [path.name for path in tmp_path.iterdir()] == ["july.csv"]


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ((), "name one period"),
        (("--month", "2026-07", "--year", "2026"), "name one period"),
        (("--month", "July"), "--month: 'July' is no month; write it as 2026-07"),
        (("--month", "2026-13"), "--month: '2026-13' is no month"),
        (("--year", "26"), "--year: '26' is no year"),
        (("--quarter", "2026-Q5"), "--quarter: '2026-Q5' is no quarter"),
        (("--year-from", "11-01"), "name one period"),
        (("--month", "2026-07", "--year-from", "11-01"), "add --year 2026"),
        (("--year", "2026", "--year-from", "02-29"), "--year: '02-29' is no day of every year"),
        (("--dates", "2026-07-01"), "--dates: seasons need at least two dates"),
        (("--dates", "2026-07-01,2026-07-32"), "--dates: '2026-07-32' is no date"),
        (("--from", "2026-07-01"), "--to is missing"),
        (("--from", "2026-07-32", "--to", "2026-08-01"), "--from: '2026-07-32' is no date"),
        (("--from", "2026-08-01", "--to", "2026-07-01"), "is before the first"),
        (("--month", "2026-07", "--point", "north-dischrage"), "did you mean 'north-discharge'?"),
        (("--month", "2026-07", "--unit", "acre_feet"), "did you mean 'acre_foot'?"),
    ],
)
def test_a_wrong_call_is_told_what_to_do(
    site: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], complaint: str
) -> None:
    code, out, complaints = said(capsys, site, *words)
    assert (code, out) == (2, "")
    assert complaint in complaints
    assert len(complaints.splitlines()) == 1


@pytest.mark.parametrize(
    ("name", "complaint"),
    [("2026-01", "the record begins 2026-07-01 00:00:00 -06:00"), ("2031-01", "the record ends 2026-08-01 23:45:00")],
)
def test_a_period_wholly_outside_the_record(
    site: Path, capsys: pytest.CaptureFixture[str], name: str, complaint: str
) -> None:
    code, out, complaints = said(capsys, site, "--month", name)
    assert (code, out) == (1, "")
    assert complaint in complaints


def test_without_a_record_it_says_who_makes_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "quail.yaml"
    path.write_text(SITE)
    (tmp_path / "inline-a.yaml").write_text(MAP)
    code, _, complaints = said(capsys, path, "--month", "2026-07")
    assert code == 1
    assert "there is no record yet" in complaints
    assert "tallywell run" in complaints


def test_a_site_file_with_faults_does_not_hide_the_record(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, before, _ = said(capsys, site, "--month", "2026-07")
    site.write_text(SITE.replace("address: 17", "address: 700"))
    try:
        code, out, complaints = said(capsys, site, "--month", "2026-07")
    finally:
        site.write_text(SITE)
    assert (code, out) == (0, before)
    assert "the site file on record is used" in complaints


def test_a_file_that_cannot_be_written_leaves_nothing_behind(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, complaints = said(capsys, site, "--month", "2026-07", "--csv", tmp_path / "nowhere" / "july.csv")
    assert code == 1
    assert "cannot be written" in complaints
    (tmp_path / "july.csv").mkdir()
    code, _, complaints = said(capsys, site, "--month", "2026-07", "--csv", tmp_path / "july.csv")
    assert code == 1
    assert "cannot be written" in complaints
    assert [path.name for path in tmp_path.iterdir()] == ["july.csv"]

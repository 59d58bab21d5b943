"""`tallywell reread`: whether the map fits comes first; what does not fit, or changes nothing, is not entered."""

from pathlib import Path

import pytest

from tallywell.commandline import main
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record

TEN = MAP.replace("one_count: 100 gal", "one_count: 10 gal")
SWAPPED = MAP.replace("type: uint32", "type: uint32, word_order: low_word_first")
ELSEWHERE = MAP.replace("register: 2", "register: 200")
WIDTH = 100


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Two days around the end of a month."""
    (tmp_path / "quail.yaml").write_text(SITE)
    (tmp_path / "inline-a.yaml").write_text(MAP)
    made = made_record(tmp_path, "2026-06-30 00:00")
    for step, now in enumerate(range(at("2026-06-30 00:00"), at("2026-07-02 00:00"), QUARTER_MS)):
        made.read(now, forward_total=5_000 + 7 * step, flow_rate=46.7)
    made.flush()
    MadeRecord.open_ones.pop().close()
    return tmp_path / "quail.yaml"


def said(site: Path, capsys: pytest.CaptureFixture[str], map_: str, *words: str) -> tuple[int, str, str]:
    (site.parent / "corrected.yaml").write_text(map_)
    call = ["reread", str(site), "north-discharge", "--map", str(site.parent / "corrected.yaml"), *words]
    try:
        code = main(call)
    except SystemExit as end:
        code = int(end.code or 0)
    out, complaints = capsys.readouterr()
    assert "Traceback" not in complaints
    assert all(len(line) <= WIDTH for line in (out + complaints).splitlines())
    return code, out, complaints


def entered(site: Path) -> int:
    with Reader(RecordFolder(site.with_suffix(".record"))) as reader:
        return sum(entry.kind == "reread" for entry in reader.entries())


@pytest.mark.parametrize(
    ("map_", "why"),
    [
        (SWAPPED, "cannot read: the value was outside the range"),
        (ELSEWHERE, "192 it cannot read: its registers were not asked for"),
        (SWAPPED.replace(", digits: 8", ""), "follow from none of their neighbours"),
    ],
)
def test_a_map_that_does_not_fit_is_told_first_and_makes_no_volumes(
    site: Path, capsys: pytest.CaptureFixture[str], map_: str, why: str
) -> None:
    code, out, _ = said(site, capsys, map_)
    assert code == 0
    assert out.startswith("THIS MAP DOES NOT FIT: of 192 polls that the maps in force read\n")
    assert why in out
    assert "volumes in" not in out
    assert "--although-unfit" in out


def test_it_is_entered_only_by_its_own_word(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, complaint = said(site, capsys, ELSEWHERE, "--enter", "--because", "try")
    assert (code, entered(site)) == (1, 0)
    assert "--enter is refused" in complaint
    code, out, _ = said(site, capsys, ELSEWHERE, "--enter", "--because", "the meter was another", "--although-unfit")
    assert (code, entered(site)) == (0, 1)
    assert "reread entered as" in out


def test_where_nothing_differs_nothing_is_entered(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(site, capsys, MAP)
    assert code == 0
    assert out.startswith("nothing differs: this map reads these polls just as the maps in force do\n")
    assert out.endswith("there is nothing to enter\n")
    code, _, complaint = said(site, capsys, MAP, "--enter", "--because", "again")
    assert (code, complaint, entered(site)) == (1, "there is nothing to enter\n", 0)


def test_the_interval_that_posts_nothing_is_named(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = said(site, capsys, TEN, "--from", "2026-07-01")
    flat = " ".join(out.split())
    assert (
        "between 2026-06-30 23:45:00 -06:00 and 2026-07-01 00:00:00 -06:00 the volume of one count would change: what "
        "ran there, at most " in flat
    )
    assert "the volume of one count would change" not in said(site, capsys, TEN)[1]


def test_a_month_without_readings_has_no_change(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A map for half of the polls of a month; entered all the same, the month has nothing metered."""
    said(site, capsys, ELSEWHERE, "--enter", "--because", "for the test", "--although-unfit")
    code, out, _ = said(site, capsys, MAP)
    assert code == 0
    assert out.count("not known") == 2, "both months had no readings before"

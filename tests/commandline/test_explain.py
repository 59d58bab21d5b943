"""`tallywell explain`: from a volume to the words that came over the line, on a screen of 100 columns."""

from pathlib import Path

import pytest

from tallywell.commandline import main
from tests.reports import stories
from tests.service.made_record import MAP, MadeRecord, at

WIDTH = 100


def written(made: MadeRecord, folder: Path) -> Path:
    """The site file and its maps beside the record."""
    made.flush()
    MadeRecord.open_ones.pop().close()
    (folder / "quail.yaml").write_text(made.site)
    for name, text in made.maps.items():
        (folder / name).write_text(text)
    return folder / "quail.yaml"


def said(capsys: pytest.CaptureFixture[str], site: Path, *words: str) -> tuple[int, str]:
    """Exit code and output, with the lines of a sentence put together."""
    try:
        code = main(["explain", str(site), "north-discharge", *words])
    except SystemExit as end:
        code = int(end.code or 0)
    out, complaints = capsys.readouterr()
    assert "Traceback" not in complaints
    lines = (out + complaints).splitlines()
    assert [line for line in lines if len(line) > WIDTH] == []
    return code, " ".join(" ".join(lines).split())


@pytest.mark.parametrize("story", [stories.change_out, stories.other_serial, stories.estimates, stories.settled])
def test_all_of_it_fits_the_screen(story: stories.Story, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = written(story(tmp_path)[0], tmp_path)
    for words in (("--day", "2026-07-03"), ("--month", "2026-07"), ("--at", "2026-07-03 09:10")):
        code, out = said(capsys, site, *words)
        assert code == 0
        assert "entry 00000000, installation, 2026-07-01 00:00:00 -06:00, by ana:" in out


def test_a_reading_leads_to_its_words_and_to_what_makes_a_count_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = written(stories.change_out(tmp_path)[0], tmp_path)
    _, out = said(capsys, site, "--at", "2026-07-02 03:10")
    count = 10_000 + 112 * (40 + 13)  # by 03:15 of the second day
    assert int("00003E40", 16) == count
    assert "0000 3E40 input 2" in out
    assert f"the books count {count:,}: forward_total, uint32, high_word_first, one_count 100 gal, capacity 10^8" in out
    assert "right within 500 ms; boot 1," in out, "never less than it is"


def test_a_reading_is_told_by_the_map_that_it_is_read_by(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The corrected one, not the one that the site file names now."""
    made, _ = stories.out_of_use(tmp_path)
    flow = MAP.replace("forward_total: {table: input, register: 2", "forward_total: {table: input, register: 0")
    flow = flow.replace("flow_rate:     {table: input, register: 0", "flow_rate:     {table: input, register: 2")
    kept: dict[str, object] = {"map": flow, "sha256": "", "name": "inline-a", "from_ms": 1, "to_ms": 2}
    seqs = {"first_seq": 1, "last_seq": 10_000, "because": "the two were mixed up"}
    made.enter(at("2026-07-06 03:00"), "reread", kept | seqs)
    _, out = said(capsys, written(made, tmp_path), "--at", "2026-07-03 03:10")
    assert "forward_total 0 gal 0000 0000 input 0" in out
    assert "are read by map inline-a (" in out


def test_what_the_machine_s_clock_showed_is_called_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made, _ = stories.out_of_use(tmp_path)
    shift: dict[str, object] = {"first_seq": 1, "last_seq": 10_000, "shift_ms": 3_600_000, "within_ms": 60_000}
    made.enter(at("2026-07-06 03:00"), "redate", shift | {"because": "summer time"})
    site = written(made, tmp_path)
    _, out = said(capsys, site, "--at", "2026-07-03 03:10")
    dated = "2026-07-03 03:00:00 -06:00, right within 1 min; boot 1,"
    assert dated in out
    assert "the machine's clock then had it 2026-07-03 02:00:00 -06:00" in out
    assert "not synchronised" not in out


def test_a_moment_before_the_record_says_where_it_begins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = written(stories.change_out(tmp_path)[0], tmp_path)
    code, out = said(capsys, site, "--at", "2016-07-03 09:10")
    assert code == 1
    assert "the record begins 2026-07-01 00:00:00 -06:00: of what was before it, nothing is known" in out
    _, out = said(capsys, site, "--at", "2036-07-03 09:10")
    assert "the record ends 2026-07-06 01:45:00 -06:00: what comes after it is not known yet" in out


def test_readings_set_aside_stand_with_the_interval_across_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made = stories.begun(tmp_path, "2026-07-01 00:00")
    last = stories.pumped(made, "2026-07-01 00:00", "2026-07-01 05:00", 10_000)
    made.read(at("2026-07-01 05:00"), forward_total=70_000_000)
    stories.pumped(made, "2026-07-01 05:15", "2026-07-02 05:00", last + stories.PUMPED)
    _, out = said(capsys, written(made, tmp_path), "--at", "2026-07-01 05:05")
    assert "(2026-07-01 05:00:00 -06:00, 70,000,000): glitch; it posts nothing" in out

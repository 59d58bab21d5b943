"""`tallywell check` as a person sees it."""

import argparse
import re
from pathlib import Path

import pytest

from tallywell.commandline import check
from tallywell.commandline.site import sound_site

CONFIGS = Path(__file__).parents[2] / "configs"
SAMPLE = CONFIGS / "quail-flat.yaml"


# North, 19,200 baud: 8 + 17 and 8 + 7 characters and 14 of silence are 54 of 11 bits, 30.9 ms, and 20 ms twice. South:
# 8 + 21 + 7 = 36, 20.6 ms and 20. Hill, 9,600 baud with 10 bits: 8 + 35 + 7 = 50, 52.1 ms, 20, and a pause of 20 in the
# place of a silence of 3.6 (Modbus over Serial Line V1.02, 2.5.1). 10^10 gal at 5,140.1 gpm are 1,945,470 min; 10^5
# acre-feet are 4,356,000,000 ft3; 10^12 L at 60 L/s are 1.67 x 10^10 s.
PLAN = """
Points
  point            line   address  map           every  least possible  possible rate
  north-discharge  field       17  inline-a (2)  1 min           71 ms    5,140.1 gpm
  south-discharge  field       18  insert-b (1)  1 min           41 ms    25.7677 cfs
  hill-discharge   hill         3  spool-c (4)   5 min           89 ms      60.00 L/s

What a pass costs on the wire
  point            when       reads         bytes sent  back  wire time  read singly
  north-discharge  each poll  2 (7 words)           16    24      71 ms  4 reads, 134 ms
  south-discharge  each poll  1 (8 words)            8    21      41 ms  3 reads, 104 ms
  hill-discharge   each poll  1 (15 words)           8    35      89 ms  5 reads, 314 ms

What each line carries
  line   points  wire time of a cycle  least possible every       in use  at the longest delays
  field       2                112 ms                112 ms        0.2 %                  2.7 %
  hill        1                 89 ms                 89 ms  under 0.1 %                  0.4 %

How long a total lasts before it goes round, at the possible rate
  point            total                           goes round at             lasts         seconds
  north-discharge  forward_total (books)       10^8 x 100 US gal         3.6 years     116,728,204
  north-discharge  reverse_total               10^8 x 100 US gal         3.6 years     116,728,204
  south-discharge  forward_total (books)  10^8 x 0.001 acre-feet         5.3 years     169,049,120
  hill-discharge   forward_total (books)             10^12 x 1 L         528 years  16,666,666,666
  hill-discharge   net_total                          2^64 x 1 L  over 1,000 years

Assumed: an answer begins 20 ms after the silence behind its request (common practice, no source),
or at the map's longest_delay where that is sooner. The longest likely outage is 7 days where no
point says otherwise (longest_outage)."""


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
    assert lines[0] == f"{SAMPLE} is in order: Quail Flat Orchard, America/Denver"
    assert "\n".join(lines[1:]) == PLAN


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


AWKWARD = """\
map: awkward
revision: 3
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 90, type: float32, unit: gal, one_count: 1 gal, digits: 9, for_the_books: yes}
"""
PLAIN_SITE = """\
site: A
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/a, baud: 19200}
wells:
  north: {called: N}
points:
  north: {well: north, line: field, address: 1, map: awkward.yaml, every: 1 h, possible_rate: 64 gpm}
"""


def test_what_the_notes_say(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Blocks of one length far apart, and a total whose words are coarser than its counts: 64 gal near 10^9."""
    (tmp_path / "awkward.yaml").write_text(AWKWARD)
    path = tmp_path / "site.yaml"
    path.write_text(PLAIN_SITE)
    code, lines = checked(path, capsys)
    assert code == 0
    assert all(len(line) <= 100 for line in lines if not line.startswith(str(tmp_path)))
    said = " ".join(" ".join(lines).split())
    alike = r"north: the reads of input (90 and 0|0 and 90) \(2 words each\) have answers of one length, so that a"
    assert re.search(alike, said)
    assert "the quiet-line rule guards against it" in said
    steps = "near its capacity it moves in steps of 64 US gal, 1.0 min of pumping at the possible rate."
    assert f"north: forward_total is a float32: {steps}" in said
    assert "29.7 years" in said  # 10^9 gal at 64 gpm: 15,625,000 min


def test_what_takes_two_requests_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    said = " ".join(" ".join(checked(CONFIGS / "bench.yaml", capsys)[1]).split())
    assert "sluice-r: forward_total and reverse_total take two requests each: the high part is read again" in said
    assert said.count("two requests") == 1


def test_the_commands_that_show_no_plan_see_the_same_faults(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    text = SAMPLE.read_text().replace("maps/", f"{CONFIGS}/maps/").replace("every: 1 min", "every: 1 s")
    path.write_text(text.replace("baud: 19200", "baud: 300"))
    code, lines = checked(path, capsys)
    assert code == 1
    assert any("its meter cannot be polled so often" in line for line in lines)
    with pytest.raises(SystemExit):
        sound_site(path)
    assert "its meter cannot be polled so often" in capsys.readouterr().err


def test_no_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, lines = checked(tmp_path / "gone.yaml", capsys)
    assert code == 1
    assert "cannot be read" in lines[0]
    assert lines[1] == "1 fault, 0 warnings"

"""The commands that state something: what they answer, what they refuse, what they ask for at a terminal."""

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader
from tests.commandline.answers import said

MAP = """\
map: plain
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""
SITE = """\
site: Quail Flat   # invented
time_zone: America/Denver
lines:
  near: {port: /dev/serial/by-path/near, baud: 19200, parity: even}
wells:
  north: {called: Well 1}
points:
  north: {well: north, line: near, address: 17, map: plain.yaml, every: 1 min, pipe: 8 in}
  south: {well: north, line: near, address: 18, map: plain.yaml, every: 1 min, pipe: 8 in}
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "plain.yaml").write_text(MAP)
    (tmp_path / "quail.yaml").write_text(SITE)
    return tmp_path / "quail.yaml"


def kept(site: Path) -> list[tuple[str, dict[str, object]]]:
    with Reader(RecordFolder(site.with_suffix(".record"))) as reader:
        return [(one.kind, json.loads(one.content)) for one in reader.entries()]


CHANGEOUT = ("--old-final", "00092600", "--serial", "B-2", "--first-count", "00000012")
TAKEN: list[tuple[str, tuple[str, ...], str]] = [
    ("installation", ("--serial", "A-1", "--shows", "00000012"), "00000012 is 12 US gal"),
    ("changeout", (*CHANGEOUT, "--seal", "44", "--sensor-kept"), "00092600 is 92,600 US gal"),
    ("changeout", ("--old-final", "unreadable", *CHANGEOUT[2:], "--old-face", "0.001 acre_foot,8"), "entered as"),
    ("moved", ("--to", "south", "--serial", "B-2", "--final", "00000500"), "00000500 is 500 US gal"),
    ("visit", ("--shows", "00092545", "--agency"), "no reading of the register around it"),
    ("shutdown", ("--shows", "00092545"), "shutdown entered"),
    ("out-of-use", ("--from", "2026-01-01", "--to", "2026-01-31", "--because", "fallow"), "entered"),
    ("accuracy-test", ("--error", "+1.25 %", "--reference", "clamp-on", "--tester", "A."), "error is +1.2 %"),
    ("accuracy-test", ("--meter", "99 gal", "--true", "100 gal", "--reference", "tank", "--tester", "A."), "-1.0 %"),
    ("wireseal", ("--number", "4471", "--found-broken"), "entered"),
    ("remark", ("new pump",), "entered"),
]


@pytest.mark.parametrize(("kind", "words", "answer"), TAKEN)
def test_it_is_taken_and_said_back(site: Path, kind: str, words: tuple[str, ...], answer: str) -> None:
    code, told = said(kind, site, "north", *words)
    assert code == 0, told
    assert answer in told
    assert [name for name, _ in kept(site)] == [kind]


ESTIMATE = ("--from", "2026-07-03", "--to", "2026-07-04 12:00", "--because", "struck by lightning")
REFUSED: list[tuple[str, tuple[str, ...], str]] = [
    ("changeout", CHANGEOUT[:4], "--first-count is missing"),
    ("changeout", ("--old-final", "x", *CHANGEOUT[2:]), "--old-final: 'x' is not what a face shows"),
    ("changeout", (*CHANGEOUT, "--old-face", "8"), "write it as"),
    ("moved", ("--to", "nort", "--serial", "B", "--final", "1"), "did you mean 'north'?"),
    ("moved", ("--to", "north", "--serial", "B", "--final", "1"), "name the other point"),
    ("out-of-use", ("--from", "January", "--because", "x"), "'January' is no date"),
    ("out-of-use", ("--from", "2026-02-01", "--to", "2026-01-01", "--because", "x"), "before the first"),
    ("estimate", (*ESTIMATE, "--in-addition"), "say how it is reckoned"),
    ("estimate", (*ESTIMATE, "--in-addition", "--volume", "3 acre_foot", "--hours", "3"), "in one way"),
    (
        "estimate",
        (*ESTIMATE, "--in-addition", "--hours", "3", "--rate", "5 gal", "--tested", "2026-01-01"),
        "rate: 'gal'",
    ),
    ("estimate", (*ESTIMATE, "--in-addition", "--same-span-of", "2025"), "nothing was metered at north"),
    ("accuracy-test", ("--error", "1.2", "--reference", "x", "--tester", "y"), "no percent sign"),
    ("accuracy-test", ("--meter", "1 gal", "--reference", "x", "--tester", "y"), "both --meter and --true"),
    ("settle", ("--rounds", "2"), "--at is missing"),
    ("settle", ("--at", "2026-07-01 10:00", "--rounds", "2"), "north was never read"),
    ("visit", ("--shows", "000092545"), "--shows: '000092545' has 9 digits, the face 8"),
    ("installation", ("--serial", "A", "--shows", "000000012"), "has 9 digits, the face 8"),
    ("remark", (), "TEXT is missing"),
    ("visit", ("--shows", "1", "--replaces", "abc"), "is replaced with its reason"),
    ("visit", ("--shows", "1", "--replaces", "abc", "--correcting", "x"), "the record holds no entries yet"),
]


@pytest.mark.parametrize(("kind", "words", "answer"), REFUSED)
def test_what_cannot_be_meant_is_one_message_and_no_entry(
    site: Path, kind: str, words: tuple[str, ...], answer: str
) -> None:
    code, told = said(kind, site, "north", *words)
    assert code == 2, told
    assert answer in told
    assert not site.with_suffix(".record").exists() or not kept(site)


def test_a_season_is_entered_for_all_points_and_what_does_not_pair_is_said(site: Path) -> None:
    code, told = said("startup", site, "north", "--at", "2026-04-01 08:00")
    assert code == 0
    assert "it was not shut down before then" in told
    assert said("shutdown", site, "--all", "--at", "2026-10-15 08:00")[1].count("shutdown entered") == 2
    assert (
        "it is shut down already, since 2026-10-15 08:00:00 -06:00 by entry"
        in said("shutdown", site, "north", "--at", "2026-10-16 08:00")[1]
    )
    assert said("startup", site, "south", "--at", "2026-10-20 08:00")[0] == 0
    told = said("startup", site, "--all", "--at", "2026-10-21 08:00")[1]
    assert told.count("it was not shut down before then; a startup alone begins nothing; nothing was entered") == 1
    assert told.count("startup entered") == 1
    assert said("startup", site)[0] == 2
    assert "each meter has a face of its own" in said("startup", site, "--all", "--shows", "1")[1]


def test_an_estimate_prints_its_sum_and_stands_instead_once(site: Path) -> None:
    rate = ("--hours", "20.5", "--rate", "750 gpm", "--tested", "2026-05-02")
    code, told = said("estimate", site, "north", *ESTIMATE, "--instead-of-metered", *rate)
    assert code == 0, told
    assert "north: 20.5 h x 750 gpm, tested 2026-05-02, = 922,500 US gal, instead of the metered volume" in told
    uuid = told.split()[-1]
    again = (*ESTIMATE, "--instead-of-metered", "--volume", "3 acre_foot")
    code, told = said("estimate", site, "north", *again)
    assert code == 2
    assert f"estimate {uuid[:8]} stands instead of the metered volume" in told
    assert said("estimate", site, "north", *again, "--replaces", uuid[:8], "--correcting", "tank measured")[0] == 0
    listed = said("entries", site, "north")[1]
    assert listed.count("estimate") == 1
    assert f"corrects {uuid[:8]}: tank measured" in listed
    assert "REPLACED by" in said("entries", site, "--all")[1]


def test_a_table_is_brought_in_whole_once_or_not_at_all(site: Path) -> None:
    good, bad = site.parent / "good.csv", site.parent / "bad.csv"
    good.write_bytes(
        "\ufefftime;shows;by;note\r\n2025-01-01 08:00;00078120;A. Reader;\r\n\r\n2025-02-01 8:00;79000;;\r\n".encode()
    )
    bad.write_text("time,shows\n2025-13-01 08:00,x\n2025-01-01 08:00,1\n8:00,123456789\n")
    code, told = said("bring-in", site, "north", bad)
    assert code == 1
    assert [line.split(": ")[0] for line in told.splitlines()[:4]] == [
        f"{bad}:{at}" for at in ("2:1", "2:2", "4:1", "4:2")
    ]
    assert "nothing was entered" in told
    assert "2 would be entered, 0 on record already" in said("bring-in", site, "north", good, "--dry-run")[1]
    assert not site.with_suffix(".record").exists()
    assert "2 entered, 0 on record already" in said("bring-in", site, "north", good, "--by", "B.")[1]
    assert "0 entered, 2 on record already" in said("bring-in", site, "north", good, "--by", "C.")[1]
    assert {content["shows"] for _, content in kept(site)} == {"00078120", "79000"}


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"", ":1:1: the table is empty"),
        (b"when,shows\n", ":1:1: there is no column 'when'"),
        (b"time,note\n", ":1:1: the column 'shows' is missing"),
        (b"time,shows,shows\n", "stands twice"),
        (b"time,shows\n", "no row stands below the heading"),
        (b"time,shows\n2025-01-01 08:00,\xff\n", "it is not UTF-8"),
        (b"time,shows,note\n2025-01-01 08:00,1,wet, and cold\n", ":2:4: ' and cold' stands behind the last column"),
        (b'time,shows\n2025-01-01 08:00,"1\n', "it is no table"),
    ],
)
def test_a_table_that_is_none_is_said_to_be_so(site: Path, content: bytes, fault: str) -> None:
    table = site.parent / "table.csv"
    table.write_bytes(content)
    code, told = said("bring-in", site, "north", table)
    assert code in (1, 2)
    assert fault in " ".join(told.split())  # the folder's name decides where its lines break


def talk(words: list[str], answers: list[str]) -> tuple[int, str]:
    """A command at a terminal: each question is waited for, and answered."""
    master, slave = pty.openpty()
    asked = subprocess.Popen([sys.executable, "-m", "tallywell", *words], stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    heard, until = "", time.monotonic() + 60
    while time.monotonic() < until:
        ready, _, _ = select.select([master], [], [], 0.2)
        try:
            heard += os.read(master, 4096).decode() if ready else ""
        except OSError:  # the other end is closed: it has ended
            break
        if answers and heard.endswith(": "):
            os.write(master, f"{answers[0]}\n".encode())
            heard += f"<{answers.pop(0)}>"
        if not ready and asked.poll() is not None:
            break
    os.close(master)
    return asked.wait(timeout=20), heard


def test_at_a_terminal_it_asks_for_what_is_missing_and_again_where_it_is_wrong(site: Path) -> None:
    answers = [
        "2026-13-01 10:00",
        "2026-07-01 10:20",
        "9260x",
        "92600",
        "00,092,600",
        "B-2",
        "",
        "00000012",
        "",
        "4471",
    ]
    code, heard = talk(["changeout", str(site), "north"], [*answers, "", "yes, please", "y"])
    assert code == 0, heard
    assert "'2026-13-01 10:00' is not a time" in heard
    assert "'9260x' is not what a face shows" in heard
    assert "'92600' has 5 digits, the face 8; copy all, zeros included" in heard
    assert "this cannot be left out" in heard
    assert re.search(r"when +2026-07-01 10:20:00 -06:00", heard)
    assert re.search(r"old final +00092600, which is 92,600 US gal", heard)
    assert heard.index("enter this? y/n") > heard.index("old final")
    assert "y enters it, n ends this" in heard
    ((_, content),) = kept(site)
    assert {name: content[name] for name in ("old_final", "serial", "first_count", "seal_removed", "seal")} == {
        "old_final": "00092600",
        "serial": "B-2",
        "first_count": "00000012",
        "seal_removed": "4471",
        "seal": None,
    }


@pytest.mark.parametrize("answers", [["\x04"], ["", "\x04"], ["", "00092545", "\x04"], ["", "00092545", "n"]])
def test_without_a_yes_nothing_is_entered(site: Path, answers: list[str]) -> None:
    code, heard = talk(["visit", str(site), "north"], answers)
    assert code == 2, heard
    assert "nothing was entered" in heard
    assert not site.with_suffix(".record").exists()


def test_when_it_was_is_asked_for_and_choices_are_numbered(site: Path) -> None:
    code, heard = talk(["wireseal", str(site), "north"], ["2026-07-01 10:00", "4471", "found", "3", "y"])
    assert code == 0, heard
    assert "2 found whole" in heard
    assert "'found' may be found whole or found broken" in heard
    ((kind, content),) = kept(site)
    assert (kind, content["number"], content["state"]) == ("wireseal", "4471", "found broken")
    code, heard = talk(["remark", str(site), "north"], ["2026-07-02 10:00", "new pump", "y"])
    assert code == 0, heard
    assert re.search(r"when +2026-07-02 10:00:00 -06:00", heard)


def test_each_kind_has_a_page_of_help() -> None:
    overview = said("--help")[1]
    for kind in {kind for kind, _, _ in TAKEN} | {"estimate", "bring-in", "settle", "withdraw", "entries"}:
        assert re.search(rf"^  {kind} ", overview, re.MULTILINE), kind


def uuid_of(site: Path, *words: str) -> str:
    code, told = said(words[0], site, *words[1:])
    assert code == 0, told
    return next(line for line in told.splitlines() if " entered as " in line).split()[-1]


METER = ("installation", "north", "--serial", "A-1", "--at", "2026-07-01 10:00")
OTHER_KIND_OR_POINT: list[tuple[tuple[str, ...], tuple[str, ...], str]] = [
    (METER, ("visit", "north", "--shows", "00000012"), "a visit does not correct that; correct it with"),
    (METER, ("remark", "north", "a"), "is the installation at north, 2026-07-01 10:00:00 -06:00"),
    (METER, ("startup", "north"), "take it back with `tallywell withdraw`"),
    (METER, ("installation", "south", "--serial", "A-1"), "this one is about south"),
    (("visit", "north", "--shows", "00000012"), ("visit", "south", "--shows", "00000012"), "this one is about south"),
]


@pytest.mark.parametrize(("first", "second", "answer"), OTHER_KIND_OR_POINT)
def test_an_entry_is_corrected_by_one_of_its_kind_and_point_alone(
    site: Path, first: tuple[str, ...], second: tuple[str, ...], answer: str
) -> None:
    uuid = uuid_of(site, *first)
    code, told = said(second[0], site, *second[1:], "--replaces", uuid[:8], "--correcting", "x")
    assert code == 2, told
    assert answer in " ".join(told.split())
    assert len(kept(site)) == 1


@pytest.mark.parametrize(
    "second",
    [
        ("changeout", "north", *CHANGEOUT),
        ("moved", "south", "--to", "north", "--serial", "B-2", "--final", "00000500"),
        METER,
    ],
)
def test_what_begins_a_meter_may_turn_out_to_be_any_of_these(site: Path, second: tuple[str, ...]) -> None:
    uuid = uuid_of(site, *METER)
    code, told = said(second[0], site, *second[1:], "--replaces", uuid[:8], "--correcting", "x")
    assert code == 0, told


@pytest.mark.parametrize("words", [METER, ("remark", "north", "a"), ("shutdown", "south")])
def test_an_entry_is_withdrawn_once_with_its_reason(site: Path, words: tuple[str, ...]) -> None:
    uuid = uuid_of(site, *words)
    assert "--because is missing" in said("withdraw", site, uuid[:8])[1]
    code, told = said("withdraw", site, uuid[:8], "--because", "it never happened", "--by", "B.")
    assert code == 0, told
    assert f"{uuid[:8]} is the {words[0]} at {words[1]}" in told
    by = told.split()[-1]
    code, told = said("withdraw", site, uuid[:8], "--because", "again")
    assert (code, f"{uuid[:8]} is withdrawn by {by[:8]} already" in told) == (2, True)
    code, told = said("withdraw", site, by[:8], "--because", "again")
    assert (code, f"{by[:8]} is itself a withdrawal" in told) == (2, True)
    code, told = said(*words[:1], site, *words[1:], "--replaces", uuid[:8], "--correcting", "x")
    assert (code, "is withdrawn by" in told) == (2, True)
    assert f"takes back {words[0]} {uuid[:8]}: it never happened" in said("entries", site)[1]
    assert uuid[:8] not in [line[:8] for line in said("entries", site)[1].splitlines()]
    assert f"WITHDRAWN by {by[:8]}" in said("entries", site, "--all")[1]


def test_what_may_not_have_been_meant_is_said_and_entered(site: Path) -> None:
    uuid = uuid_of(site, *METER)
    code, told = said(METER[0], site, *METER[1:])
    assert code == 0
    assert f"the same installation is entered already, as {uuid[:8]}" in told
    changed = (
        "changeout",
        site,
        "north",
        "--old-final",
        "unreadable",
        "--serial",
        "b-0001",
        "--first-count",
        "unknown",
    )
    assert "long before" not in said("visit", site, "north", "--shows", "00000012")[1]
    assert said(*changed)[0] == 0


def test_digits_are_kept_without_what_parts_their_thousands(site: Path) -> None:
    assert said("visit", site, "north", "--shows", " 92,545 ")[0] == 0
    assert [content["shows"] for _, content in kept(site)] == ["92545"]


def test_what_was_replaced_is_not_replaced_twice(site: Path) -> None:
    uuid = said("remark", site, "north", "a")[1].split()[-1]
    again = ("--replaces", uuid[:8], "--correcting", "slip")
    assert said("remark", site, "north", "b", *again)[0] == 0
    code, told = said("remark", site, "north", "c", *again)
    assert code == 2
    assert f"{uuid[:8]} is replaced by" in told


def test_dates_are_put_right_by_start(site: Path) -> None:
    assert said("redate", site, "--from", "2026-07-01 13:00", "--to", "2026-07-01 14:00")[0] == 2
    said("remark", site, "north", "a")
    words = ("--from", "2020-07-01 13:00", "--to", "2020-07-01 14:00", "--shift", "-1 h", "--because", "set wrongly")
    code, told = said("redate", site, *words)
    assert code == 2
    assert "no row of the record lies in that stretch" in told


def test_a_record_folder_without_a_record_keeps_nobody_from_stating_anything(site: Path) -> None:
    folder = site.with_suffix(".record")
    folder.mkdir()
    assert "the record holds no entries yet" in said("entries", site)[1]
    assert said("withdraw", site, "a", "--because", "x")[0] == 2
    assert said("settle", site, "north", "--at", "2026-07-01 10:00", "--rounds", "1")[0] == 2
    code, told = said("changeout", site, "north", *CHANGEOUT)
    assert code == 0, told
    assert len(kept(site)) == 1


def test_a_meter_that_is_moved_to_another_face_is_named(site: Path) -> None:
    assert (
        "its face is another" not in said("moved", site, "north", "--to", "south", "--serial", "B", "--final", "1")[1]
    )
    text = site.read_text()
    last = text.rindex("pipe: 8 in}")
    site.write_text(text[:last] + "pipe: 8 in, display: {one_count: 10 gal, digits: 8}}\n")
    code, told = said("moved", site, "north", "--to", "south", "--serial", "B", "--final", "2")
    assert code == 0, told
    assert "the same digits stand for another volume" in " ".join(told.split())
    again = ("moved", site, "north", "--to", "south", "--serial", "B", "--final", "30", "--first-count", "3")
    assert "its face is another" not in said(*again)[1]

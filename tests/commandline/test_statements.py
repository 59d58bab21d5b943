"""What a person states, as it is answered: the time is said back, and what was clearly not meant is named."""

import os
import pwd
from pathlib import Path

import pytest

from tallywell.commandline.site import user
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
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "plain.yaml").write_text(MAP)
    (tmp_path / "quail.yaml").write_text(SITE)
    return tmp_path / "quail.yaml"


def test_a_visit_still_to_come_is_taken_with_a_warning(site: Path) -> None:
    code, answer = said("visit", site, "north", "--shows", "00092545", "--at", "2099-01-01 10:00")
    assert code == 0
    assert "warning: 2099-01-01 10:00:00 -07:00 is still to come by this machine's clock" in answer
    assert "visit entered as " in answer
    assert "warning" not in said("visit", site, "north", "--shows", "00092545", "--at", "2026-01-01 10:00")[1]


def test_fewer_digits_than_the_face_has_are_named(site: Path) -> None:
    code, answer = said("visit", site, "north", "--shows", "92545")
    assert code == 0
    assert "north: 92545 is 92,545 US gal; 5 digits, where the face has 8" in answer
    assert "where the face" not in said("visit", site, "north", "--shows", "00092545")[1]


def test_a_user_without_a_name_goes_by_the_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(_uid: int) -> None:
        raise KeyError("uid not found")

    for name in ("LOGNAME", "USER", "LNAME", "USERNAME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(pwd, "getpwuid", nobody)
    assert user() == f"user {os.getuid()}"


def test_a_stated_time_is_said_back_with_its_date(site: Path) -> None:
    code, answer = said("clock", site, "--it-is", "2026-07-01 14:05")
    assert code == 0
    assert answer.startswith("it is 2026-07-01 14:05:00 -06:00; this machine's clock shows ")
    assert "machine's own" not in answer


def test_a_time_without_a_date_is_answered_with_whose_date_was_taken(site: Path) -> None:
    code, answer = said("clock", site, "--it-is", "14:05")
    assert code == 0
    assert "the date is this machine's own" in answer


def test_a_site_file_that_is_not_there_has_nothing_to_be_mended(site: Path) -> None:
    code, answer = said("read", site.with_name("quail-flat.yaml"))
    assert code == 1
    assert "the site file cannot be read" in " ".join(answer.split())
    assert "mend" not in answer
    site.write_text(SITE.replace("address: 17", "address: 700"))
    answer = " ".join(said("read", site)[1].split())
    assert f"mend it; `tallywell check {site}` says when it is in order" in answer

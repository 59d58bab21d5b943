"""What commands begin with: the point that is meant, the time that is meant, the file that is meant."""

from pathlib import Path

import pytest

from tallywell.commandline.site import called_wrongly, instant, point_named, sound_site
from tallywell.service.site import Site
from tests.commandline.answers import said
from tests.commandline.test_statements import MAP, SITE

WELL = SITE.replace("north: {called: Well 1}", "one: {called: Well 1}").replace("well: north", "well: one")


@pytest.fixture
def site(tmp_path: Path) -> Site:
    (tmp_path / "plain.yaml").write_text(MAP)
    (tmp_path / "quail.yaml").write_text(WELL)
    return sound_site(tmp_path / "quail.yaml")[1]


def test_a_well_is_no_point_but_names_it(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    assert point_named(site, "north").name == "north"
    with pytest.raises(SystemExit) as ended:
        point_named(site, "one")
    assert ended.value.code == 2
    assert capsys.readouterr().err == "'one' is a well; name the point that measures it: north\n"
    with pytest.raises(SystemExit):
        point_named(site, "nort")
    assert "did you mean 'north'?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "flag", "said"),
    [
        ("2026-04-01", "--at", """--at: '2026-04-01' has no time of day; write it as "2026-04-01 14:05"\n"""),
        ("noon", "--it-is", """--it-is: 'noon' is not a time; write "14:05" or "2026-07-01 14:05"\n"""),
    ],
)
def test_a_time_at_fault_is_named_with_its_flag(
    site: Site, text: str, flag: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        instant(site, text, flag)
    assert ended.value.code == 2
    assert capsys.readouterr().err == said
    assert instant(site, None) is None


def test_what_is_said_fits_the_screen(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    called_wrongly("word " * 40)
    assert max(map(len, capsys.readouterr().err.splitlines())) <= 80


def test_a_map_that_lies_one_folder_below_is_found(tmp_path: Path) -> None:
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "plain.yaml").write_text(MAP)
    (tmp_path / "plain-site.yaml").write_text(WELL)
    code, answer = said("map", "show", tmp_path / "plain.yaml")
    assert code == 1
    assert 'did you mean "maps/plain.yaml"?' in answer

"""What the page about new maps shows is what the commands say."""

import re
import shlex
import textwrap
from pathlib import Path

import pytest

from tallywell.commandline import main

PAGE = Path(__file__).parents[2] / "docs" / "howto" / "new-map.md"
_BLOCK = re.compile(r"^( *)```(\w+)(.*)\n((?:.*\n)*?)\1```$", re.MULTILINE)


def blocks() -> list[tuple[str, str, str]]:
    """(language, name, content) of each fenced block, in order."""
    found = _BLOCK.findall(PAGE.read_text(encoding="utf-8"))
    return [(language, name.strip(), textwrap.dedent(content)) for _, language, name, content in found]


def test_the_commands_of_the_page_print_what_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "maps").mkdir()
    shown = 0
    for language, name, content in blocks():
        if language == "yaml":
            Path(name).write_text(content, encoding="utf-8")
        elif language == "sh":
            program, *words = shlex.split(content)
            assert program == "tallywell"
            main(words)
        elif language == "text":
            assert capsys.readouterr().out == content
            shown += 1
    assert shown == 2


def test_the_maps_of_the_page_are_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "maps").mkdir()
    for language, name, content in blocks():
        if language == "yaml":
            Path(name).write_text(content, encoding="utf-8")
            assert main(["map", "show", name]) == 0
            assert "warning" not in capsys.readouterr().out
            assert main(["map", "tidy", name]) == 0
            assert capsys.readouterr().out == content, "a sample is tidy"

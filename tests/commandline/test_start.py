"""A command starts quickly, since timers on small boxes call it: help and version import next to nothing."""

import subprocess
import sys

import pytest

from tallywell.commandline import COMMANDS, PARTS, main

# Each of these costs milliseconds on a small box, and no help text needs it.
DEAR = {
    "dataclasses",
    "datetime",
    "pathlib",
    "pydantic",
    "serial",
    "sqlite3",
    "tempfile",
    "threading",
    "typing",
    "yaml",
}


def modules_after(*words: str) -> set[str]:
    script = (
        "import sys\nfrom tallywell.commandline import main\n"
        f"try:\n    main({list(words)!r})\nexcept SystemExit:\n    pass\n"
        "print('\\n'.join(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    return set(done.stderr.split())


@pytest.fixture(scope="module")
def bare() -> set[str]:
    script = "import sys; print('\\n'.join(sys.modules), file=sys.stderr)"
    return set(
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stderr.split()
    )


# Every command as it is typed, those with a word of their own behind them included.
TYPED = [(name, *part) for name in COMMANDS for part in ([(one,) for one in PARTS[name]] if name in PARTS else [()])]


@pytest.mark.parametrize("words", [("--help",), ("--version",), *((name, "--help") for name in PARTS)])
def test_help_and_version_import_nothing_dear(words: tuple[str, ...], bare: set[str]) -> None:
    assert not (modules_after(*words) - bare) & DEAR


# What reads YAML, the record or a line: nothing that a help text needs.
DEAREST = {"pydantic", "serial", "sqlite3", "yaml", "zoneinfo"}


@pytest.mark.parametrize("words", TYPED, ids=" ".join)
def test_the_help_of_each_command_imports_nothing_of_what_it_does(words: tuple[str, ...], bare: set[str]) -> None:
    assert not (modules_after(*words, "--help") - bare) & DEAREST


@pytest.mark.parametrize("words", TYPED, ids=" ".join)
def test_the_help_of_each_command_reads_well(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([*words, "--help"])
    shown = capsys.readouterr().out
    assert ended.value.code == 0
    assert shown.startswith(f"usage: tallywell {' '.join(words)}")
    description = shown.split("\n\n")[1]
    assert description.endswith("."), "a sentence"
    assert max(map(len, shown.splitlines())) <= 120


def test_the_overview_names_every_command_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    for command in COMMANDS:
        assert sum(line.startswith(f"  {command} ") for line in shown.splitlines()) == 1
    assert max(map(len, shown.splitlines())) <= 100


@pytest.mark.parametrize("command", PARTS)
def test_the_overview_of_a_command_with_parts_names_each_once(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--help"]) == 0
    shown = capsys.readouterr().out
    assert shown.startswith(f"usage: tallywell {command} COMMAND")
    for part in PARTS[command]:
        assert sum(line.startswith(f"  {part} ") for line in shown.splitlines()) == 1
    assert max(map(len, shown.splitlines())) <= 120


def test_without_a_command_the_overview_and_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().out


def test_an_unknown_command_is_answered_with_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    for word in ("reprot", "REPORT"):
        assert main([word]) == 2
        assert "did you mean 'report'?" in capsys.readouterr().err

"""Every command takes its names and flags in any order; what cannot be meant is one message that says what to type."""

import argparse
import io
import os
import random
import sys
import termios
from importlib import import_module
from pathlib import Path

import pytest

from tallywell.commandline import COMMANDS, PARTS, main
from tallywell.commandline.calls import Call, fitted, placed, screen_width

TYPED = [name if not part else f"{name} {part}" for name in COMMANDS for part in PARTS.get(name, ("",))]
SEED = 20261125
VALUES = ("2026-03", "5", "near", "1")


def parser_of(name: str) -> Call:
    call = Call(name, "Something.")
    import_module(f"tallywell.commandline.{name.replace(' ', '_').replace('-', '_')}").arguments(call)
    return call


def value_for(action: argparse.Action) -> str:
    """One that the action takes."""
    if action.choices:
        return str(next(iter(action.choices)))
    for value in VALUES:
        try:
            if callable(action.type):
                action.type(value)
        except (ValueError, argparse.ArgumentTypeError):
            continue
        return value
    raise AssertionError(action)


def pieces(call: Call) -> tuple[list[str], list[list[str]]]:
    """The names, and each flag with its value; of flags that exclude one another the first."""
    beside = {id(one) for group in call._mutually_exclusive_groups for one in group._group_actions[1:]}
    names: list[str] = []
    flags: list[list[str]] = []
    for action in call._actions:
        if not action.option_strings:
            names.append(value_for(action) if action.choices else f"name-{len(names)}")
        elif action.dest not in ("help", "list_troubles") and id(action) not in beside:
            flags.append([action.option_strings[0], *([] if action.nargs == 0 else [value_for(action)])])
    return names, flags


@pytest.mark.parametrize("name", TYPED)
def test_names_and_flags_stand_in_any_order(name: str) -> None:
    names, flags = pieces(parser_of(name))
    wanted = parser_of(name).read([*names, *(word for flag in flags for word in flag)])
    chance = random.Random(SEED)
    for _ in range(20):
        order = chance.sample([True] * len(names) + [False] * len(flags), len(names) + len(flags))
        left, mixed = list(names), chance.sample(flags, len(flags))
        words = [word for is_name in order for word in ([left.pop(0)] if is_name else mixed.pop())]
        assert parser_of(name).read(words) == wanted, f"seed {SEED}: {words}"


@pytest.mark.parametrize("name", TYPED)
def test_a_word_too_many_or_too_few_is_called_wrongly(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        parser_of(name).read(["--no-such-flag"])
    assert ended.value.code == 2
    assert f"tallywell {name}: " in capsys.readouterr().err


S = "quail.yaml"
SAID: list[tuple[tuple[str, ...], str]] = [
    (("visit", S, "N", "--at", "2026-04-01", "00:10"), 'put it in quotes: --at "2026-04-01 00:10"'),
    (("shutdown", "--at", "2026-04-01", "00:10", S, "N"), 'put it in quotes: --at "2026-04-01 00:10"'),
    (("remark", S, "N", "--at", "2026-04-01", "00:10"), 'put it in quotes: --at "2026-04-01 00:10"'),
    (("estimate", S, "N", "--volume", "1", "gal"), 'put it in quotes: --volume "1 gal"'),
    (("estimate", "--volume", "1", "gal", S, "N"), 'put it in quotes: --volume "1 gal"'),
    (("redate", S, "--shift", "-30", "min"), 'put it in quotes: --shift "-30 min"'),
    (("remark", S, "N", "gate", "valve", "stuck"), 'put it in quotes: "gate valve stuck"'),
    (("estimate", S, "N", "--because", "gate", "valve", "stuck"), 'put it in quotes: --because "gate valve stuck"'),
    (("visit", "--by", "A.", "Reader", S, "N"), 'put it in quotes: --by "A. Reader"'),
    (("report", S, "--dates", "2026-01-01,", "2026-02-01"), 'put it in quotes: --dates "2026-01-01, 2026-02-01"'),
    (("report", S, "2026-03"), "write --month 2026-03"),
    (("report", S, "--month", "2026-03", "N"), "write --point N"),
    (("entries", S, "--point", "N"), "there is no --point here; write the name alone"),
    (("visit", S, "N", "--show", "1"), "did you mean --shows?"),
    (("entries", S, "N", "S"), "'S' is one word too many"),
    (("visit", S), "the following arguments are required: POINT"),
    ((S, "report", "--month", "2026-03"), f"the command comes first: tallywell report {S}"),
    (("shows",), "`tallywell --help` lists the commands"),
]


@pytest.mark.parametrize(("words", "answer"), SAID, ids=lambda one: " ".join(one) if isinstance(one, tuple) else "")
def test_what_cannot_be_meant_says_what_to_type(
    words: tuple[str, ...], answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        code: object = main(list(words))
    except SystemExit as ended:
        code = ended.code
    said = capsys.readouterr().err
    assert code == 2
    assert answer in said
    assert max(map(len, said.splitlines())) <= 100


def test_a_site_file_behind_its_point_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "quail.yaml").write_text("site: Quail Flat\n")
    with pytest.raises(SystemExit):
        main(["installation", "N", str(tmp_path / "quail.yaml"), "--serial", "A"])
    said = " ".join(capsys.readouterr().err.split())
    assert f"the site file comes first: tallywell installation {tmp_path / 'quail.yaml'} N" in said


def test_an_amount_below_zero_is_a_value_and_no_flag() -> None:
    assert parser_of("accuracy-test").read([S, "N", "--error", "-1.2%"]).error == "-1.2%"
    assert parser_of("redate").read(["--shift", "-30min", S]).shift == "-30min"


def test_long_lines_are_laid_out_and_what_is_to_be_typed_stays_whole() -> None:
    long = f'--at: {"word " * 18}write "2026-04-01 00:10" or `tallywell entries demo.yaml`, or nothing at all'
    lines = fitted(long).splitlines()
    assert max(map(len, lines)) <= 100
    assert " ".join(line.strip() for line in lines) == long
    assert any('"2026-04-01 00:10"' in line for line in lines)
    assert any("`tallywell entries demo.yaml`" in line for line in lines)
    assert fitted("short\n  and another") == "short\n  and another"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_fault_with_its_place_is_one_line_but_at_a_terminal() -> None:
    fault = f"quail.yaml:3:4: {'word ' * 30}end"
    assert placed(fault, io.StringIO()) == fault
    lines = placed(fault, Terminal()).splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[0].startswith("quail.yaml:3:4: ")


def test_help_fits_the_screen_but_for_flags_that_exclude_one_another(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for columns in (80, 100):
        monkeypatch.setenv("COLUMNS", str(columns))
        for name in TYPED:
            with pytest.raises(SystemExit):
                main([*name.split(), "--help"])
            lines = capsys.readouterr().out.splitlines()
            assert max(len(line) for line in lines if " | " not in line) <= columns, name
            assert max(map(len, lines)) <= 100, name


def test_the_terminal_of_any_stream_gives_the_width(monkeypatch: pytest.MonkeyPatch) -> None:
    """`tallywell visit --help | head` is read on the same screen."""
    monkeypatch.delenv("COLUMNS")
    monkeypatch.setattr(sys, "__stdout__", io.StringIO())
    monkeypatch.setattr(sys, "__stdin__", None)
    master, slave = os.openpty()
    termios.tcsetwinsize(slave, (24, 72))
    with os.fdopen(slave, "w") as screen:
        monkeypatch.setattr(sys, "__stderr__", screen)
        assert screen_width() == 72
        termios.tcsetwinsize(slave, (24, 200))
        assert screen_width() == 100
    os.close(master)
    monkeypatch.setattr(sys, "__stderr__", io.StringIO())
    assert screen_width() == 100
    monkeypatch.setenv("COLUMNS", "0")
    assert screen_width() == 100

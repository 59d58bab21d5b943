"""The command line: a table of commands, each a thin file: SUMMARY, arguments(parser) and run(options) -> exit code.

Exit codes: 0 fine, 1 something was found (a faulty file included), 2 called wrongly. A user's mistake shows one clear
message, never a traceback. Only the chosen command's file is imported, so that a timer on a small box starts quickly.
"""

import sys
from importlib import import_module
from types import ModuleType

from tallywell import __version__
from tallywell.commandline.calls import Call, fitted, laid_out, screen_width

GROUPS: dict[str, tuple[str, ...]] = {
    "before the meter is wired": ("check", "map", "schema", "simulate", "demo"),
    "at the panel": ("run", "read", "status", "frames"),
    "what a person states": (
        *("installation", "changeout", "moved", "visit", "bring-in", "shutdown", "startup", "out-of-use", "estimate"),
        *("accuracy-test", "wireseal", "remark", "settle", "withdraw", "clock", "redate", "entries"),
    ),
    "at the end of the month": ("report", "explain", "reread"),
}
COMMANDS = tuple(name for names in GROUPS.values() for name in names)
# Commands that have a word of their own behind them; the file of `map show` is map_show.py.
PARTS: dict[str, tuple[str, ...]] = {"map": ("show", "diff", "try", "tidy")}

USAGE = "usage: tallywell COMMAND ... | tallywell COMMAND --help | tallywell --version"


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    words = sys.argv[1:] if arguments is None else arguments
    if not words or words[0] in ("-h", "--help", "help"):
        print(_overview())
        return 0 if words else 2
    if words[0] in ("-V", "--version"):
        print(f"tallywell {__version__}")
        return 0
    if words[0] not in COMMANDS:
        return _no_command(words)
    if words[0] in PARTS:
        return _part(words[0], words[1:])
    return _guarded(words[0], words[1:])


def _part(name: str, words: list[str]) -> int:
    """Run the part of a command that is named by the next word."""
    if not words or words[0] in ("-h", "--help", "help"):
        print(_overview_of(name))
        return 0 if words else 2
    if words[0] not in PARTS[name]:
        return _called_wrongly(f"tallywell {name}", words[0], PARTS[name])
    return _guarded(f"{name} {words[0]}", words[1:])


def _command(name: str) -> ModuleType:
    return import_module(f"tallywell.commandline.{name.replace(' ', '_').replace('-', '_')}")


def _guarded(name: str, words: list[str]) -> int:
    command = _command(name)
    parser = Call(name, command.__doc__ or "")
    command.arguments(parser)
    options = parser.read(words)
    from tallywell.readings.problems import EdgeFailure

    try:
        return int(command.run(options))
    except EdgeFailure as failure:
        print(fitted(f"tallywell {name}: {failure}"), file=sys.stderr)
        return 1
    except BrokenPipeError:  # the reader of our output went away, as `| head` does
        sys.stderr.close()
        return 1
    except KeyboardInterrupt:
        print(file=sys.stderr)
        return 130


def _no_command(words: list[str]) -> int:
    if words[0].endswith((".yaml", ".yml")):
        meant = next((word for word in words if word in COMMANDS), "COMMAND")
        print(f"tallywell: the command comes first: tallywell {meant} {words[0]} ...", file=sys.stderr)
        return 2
    return _called_wrongly("tallywell", words[0], COMMANDS)


def _called_wrongly(before: str, word: str, known: tuple[str, ...]) -> int:
    from difflib import get_close_matches

    near = get_close_matches(word.lower(), known, n=1, cutoff=0.7)
    meant = f"did you mean {near[0]!r}?" if near else f"`{before} --help` lists the commands."
    print(f"{before}: there is no command {word!r}; {meant}", file=sys.stderr)
    return 2


def _overview_of(name: str) -> str:
    command = _command(name)
    lines = [
        f"usage: tallywell {name} COMMAND ... | tallywell {name} COMMAND --help",
        "",
        laid_out(command.__doc__ or "", screen_width()),
    ]
    lines += ["", "commands:"]
    lines += [f"  {part:<6} {_command(f'{name} {part}').SUMMARY}" for part in PARTS[name]]
    return fitted("\n".join(lines))


def _overview() -> str:
    lines = [
        "Tallywell keeps the readings of flow meters on wells and turns them into volumes that balance.",
        "",
        USAGE,
    ]
    for group, names in GROUPS.items():
        lines += ["", f"{group}:"]
        lines += [f"  {name:<13} {_command(name).SUMMARY}" for name in names]
    lines += ["", "SITE is the site file. Exit codes: 0 fine, 1 something was found, 2 called wrongly."]
    return fitted("\n".join(lines))

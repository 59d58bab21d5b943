"""How the words of a call are read, the same for all commands: names and flags in any order, one clear word for what
cannot be meant, and nothing wider than the screen.
"""

import argparse
import re
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import NoReturn, TextIO

WIDEST = 100  # of a sheet in a small type; a narrower terminal counts
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}\Z")
_TIME_OF_DAY = re.compile(r"\d{1,2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?\Z")
_NUMBER = re.compile(r"[+-]?[\d.,_]*\d\Z")
_BELOW_ZERO = re.compile(r"-\.?\d")
_TAKES = re.compile(r"(--[\w-]+)\s+([A-Z][\w,.-]*)")
_ONE_WORD = {"DIGITS", "N", "UUID", "YEAR", "DATE", "FILE", "POINT", "UNIT", "NAME,NAME"}  # what a flag takes
_FLAG_OF = {
    "--month": re.compile(r"\d{4}-\d{2}\Z"),
    "--quarter": re.compile(r"\d{4}-[Qq]\d\Z"),
    "--year": re.compile(r"\d{4}\Z"),
    "--day": _DATE,
    "--point": re.compile(r"[A-Za-z][\w-]*\Z"),
}


class Call(argparse.ArgumentParser):
    """The parser of one command. What is called wrongly ends the command with 2."""

    def __init__(self, name: str, description: str) -> None:
        super().__init__(
            prog=f"tallywell {name}",
            description=description,
            formatter_class=_Fitted,
            allow_abbrev=False,
        )

    def read(self, words: list[str]) -> argparse.Namespace:
        """The options; names may stand before, between and behind the flags."""
        if torn := _torn_time(words):
            self._end(f"put it in quotes: {torn}")
        options, beyond = self.parse_known_intermixed_args(_negatives_joined(words))
        if beyond:
            self._end(_too_many(words, beyond, self.format_usage(), getattr(options, "text", None)))
        if swapped := _site_behind(options):
            self._end(f"the site file comes first: {self.prog} {swapped}")
        return options

    def error(self, message: str) -> "NoReturn":
        self.print_usage(sys.stderr)
        self._end(message.removeprefix("argument "))

    def _end(self, message: str) -> "NoReturn":
        self.exit(2, f"{fitted(f'{self.prog}: {message}')}\n")


class _Fitted(argparse.RawDescriptionHelpFormatter):
    """Help as wide as the screen."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=screen_width())

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return laid_out(text, width)


def laid_out(text: str, width: int) -> str:
    """Paragraphs as wide as that; those with lines that begin with a blank (samples) stay as they are."""
    import textwrap

    paragraphs = text.strip("\n").split("\n\n")
    return "\n\n".join(
        one
        if any(line.startswith(" ") for line in one.splitlines())
        else textwrap.fill(one, width, break_long_words=False, break_on_hyphens=False)
        for one in paragraphs
    )


def screen_width() -> int:
    """What COLUMNS says, else of the terminal that any of the three streams has, at most 100; without one, 100."""
    import os

    said = os.environ.get("COLUMNS", "")
    columns = [int(said)] if said.isdecimal() and int(said) else []
    for stream in (sys.__stdout__, sys.__stderr__, sys.__stdin__):
        if not columns and stream is not None and stream.isatty():
            columns = [os.get_terminal_size(stream.fileno()).columns or WIDEST]
    return max(40, min([WIDEST, *columns]))


def fitted(text: str) -> str:
    """Lines no wider than the screen; what stands in quotes, to be typed or copied, is kept whole where it is short."""
    import textwrap

    width = screen_width()

    def lines() -> "Iterator[str]":
        for line in text.split("\n"):
            if len(line) <= width:
                yield line
                continue
            indent = line[: len(line) - len(line.lstrip())]
            whole = re.sub(r'"[^"]{1,40}"|`[^`]{1,60}`', lambda found: found[0].replace(" ", "\0"), line.strip())
            yield textwrap.fill(
                whole,
                width,
                initial_indent=indent,
                subsequent_indent=f"{indent}  ",
                break_long_words=False,
                break_on_hyphens=False,
            ).replace("\0", " ")

    return "\n".join(lines())


def placed(fault: object, stream: "TextIO") -> str:
    """A fault with its place in a file: laid out at a terminal, else on one line, as editors take it."""
    return fitted(str(fault)) if stream.isatty() else str(fault)


def _negatives_joined(words: list[str]) -> list[str]:
    """`--error -1.2%` is `--error=-1.2%`: no flag begins with a digit."""
    joined: list[str] = []
    for word in words:
        if joined and re.match(r"--[\w-]+\Z", joined[-1]) and _BELOW_ZERO.match(word):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _torn_time(words: list[str]) -> str:
    for flag, date, time in zip(words, words[1:], words[2:], strict=False):
        if flag.startswith("--") and _DATE.match(date) and _TIME_OF_DAY.match(time):
            return f'{flag} "{date} {time}"'
    return ""


def _site_behind(options: argparse.Namespace) -> str:
    """What was typed as the site and as something behind it, where these are the other way round."""
    from pathlib import Path

    first = str(getattr(options, "site", ""))
    if not first or first.endswith((".yaml", ".yml")):
        return ""
    for value in vars(options).values():
        for word in value if isinstance(value, list) else [value]:
            if isinstance(word, str) and word.endswith((".yaml", ".yml")) and Path(word).is_file():
                return f"{word} {first}"
    return ""


def _too_many(words: list[str], beyond: list[str], usage: str, text: str | None) -> str:
    """What to do about words that nothing takes. `text`: the free text of the call, where it has one."""
    flags = re.findall(r"--[\w-]+", usage)
    unknown = next((word for word in beyond if word.startswith("-")), None)
    if unknown is not None:
        return _unknown_flag(unknown.partition("=")[0], flags, usage)
    first = beyond[0]
    for flag, shape in _FLAG_OF.items():
        if flag in flags and shape.match(first) and not (flag == "--point" and len(beyond) > 1):
            return f"{first!r} has no flag before it; write {flag} {first}"
    if together := _together(words, len(beyond), dict(_TAKES.findall(usage))):
        return f"put it in quotes: {together}"
    if text is not None:
        return f'put it in quotes: "{" ".join([text, *beyond])}"'
    many = "is one word too many" if len(beyond) == 1 else f"and {len(beyond) - 1} more are words too many"
    return f"{first!r} {many}; put words that belong together in quotes"


def _unknown_flag(word: str, flags: list[str], usage: str) -> str:
    from difflib import get_close_matches

    if word.lstrip("-").upper() in re.findall(r"(?<![-\w] )\b[A-Z]{3,}\b", usage):
        return f"there is no {word} here; write the name alone"
    near = get_close_matches(word, flags, n=1)
    return f"there is no {word} here; {f'did you mean {near[0]}?' if near else '--help shows what there is'}"


def _together(words: list[str], beyond: int, takes: dict[str, str]) -> str:
    """The flag whose value was most likely typed as several words: a number and its unit first, else a text."""
    runs = [(flag, _run(words[at + 1 :])) for at, flag in enumerate(words) if flag in takes]
    for flag, run in runs:
        if len(run) > 1 and (_NUMBER.match(run[0]) or run[0].endswith(",")) and takes[flag] not in _ONE_WORD:
            return f'{flag} "{run[0]} {run[1]}"'
    for flag, run in runs:
        if len(run) > beyond and takes[flag] not in _ONE_WORD:
            return f'{flag} "{" ".join(run[: beyond + 1])}"'
    return ""


def _run(words: list[str]) -> list[str]:
    """The words up to the next flag or site file."""
    run: list[str] = []
    for word in words:
        if word.startswith("--") or word.endswith((".yaml", ".yml")):
            break
        run.append(word)
    return run

"""What a command needs and was not given: asked for, one question each, where a person sits at the terminal."""

import sys
from collections.abc import Callable

from tallywell.commandline.site import called_wrongly

Check = Callable[[str], object]  # raises ValueError with what is wrong


class Asking:
    """`need` and `may` give the text as typed in the call, or else what the person answers.

    A needed flag that is missing is asked for only at a terminal; elsewhere it ends the command with 2. What may be
    left out is asked for only where something needed was.
    """

    def __init__(self) -> None:
        self._at_terminal = sys.stdin.isatty()
        self._asked = False

    def need(self, given: str | None, flag: str, question: str, check: Check | None = None) -> str:
        if given is not None:
            return _checked(given, flag, check)
        if not self._at_terminal:
            raise called_wrongly(f"{flag} is missing: {question}")
        self._asked = True
        while True:
            answer = _answer(f"{question}: ")
            if answer and _is_right(answer, check):
                return answer

    def may(self, given: str | None, flag: str, question: str, check: Check | None = None) -> str | None:
        if given is not None or not self._asked:
            return None if given is None else _checked(given, flag, check)
        while True:
            answer = _answer(f"{question} (empty: none): ")
            if not answer or _is_right(answer, check):
                return answer or None


def one_of(*words: str) -> Check:
    """Checks an answer that is one of a few."""

    def check(text: str) -> None:
        if text not in words:
            raise ValueError(f"{text!r} is none of these: {', '.join(words)}")

    return check


def _checked(given: str, flag: str, check: Check | None) -> str:
    if check is not None:
        try:
            check(given)
        except ValueError as wrong:
            raise called_wrongly(f"{flag}: {wrong}") from None
    return given


def _is_right(answer: str, check: Check | None) -> bool:
    if check is None:
        return True
    try:
        check(answer)
    except ValueError as wrong:
        print(f"  {wrong}", file=sys.stderr)
        return False
    return True


def _answer(question: str) -> str:
    """One line; the end of the input ends the command, as there is nobody to ask."""
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        print(file=sys.stderr)
        raise called_wrongly("nothing was entered")
    return line.strip()

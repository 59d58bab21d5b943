"""What a command needs and was not given: asked for, one question each, where a person sits at the terminal; and what
was gathered so is entered only after a yes.
"""

import sys
from collections.abc import Callable, Sequence

from tallywell.commandline.calls import fitted
from tallywell.commandline.site import called_wrongly

Check = Callable[[str], object]  # raises ValueError with what is wrong
AT_TIME = '"14:05" or "2026-07-01 14:05"'


class Asking:
    """`need` and `may` give the text as typed in the call, or else what the person answers.

    A needed flag that is missing is asked for only at a terminal; elsewhere it ends the command with 2. What may be
    left out is asked for only where something needed was. `needed`: what was given for the needed flags; where one of
    them is None, a terminal asks for all from the first question on.
    """

    def __init__(self, *needed: object) -> None:
        self._at_terminal = sys.stdin.isatty()
        self._told = False
        self.asked = self._at_terminal and any(one is None for one in needed)

    def need(self, given: str | None, flag: str, question: str, check: Check | None = None) -> str:
        if given is not None:
            return _checked(given, flag, check)
        if not self._at_terminal:
            raise called_wrongly(f"{flag} is missing: {question}")
        self.asked = True
        self._begin(check)
        while True:
            answer = _answer(f"{question}: ")
            if not answer:
                _wrong("this cannot be left out")
            elif _is_right(answer, check):
                return _meant(answer, check)

    def may(
        self, given: str | None, flag: str, question: str, check: Check | None = None, without: str = "none"
    ) -> str | None:
        """`without`: what an empty answer means."""
        if given is not None or not self.asked:
            return None if given is None else _checked(given, flag, check)
        self._begin(check)
        while True:
            answer = _answer(f"{question} (empty: {without}): ")
            if not answer:
                return None
            if _is_right(answer, check):
                return _meant(answer, check)

    def when(self, given: str | None, what: str, check: Check) -> str | None:
        """The time that it is about, as `--at`; None: now. `what`: "it was changed"."""
        return self.may(given, "--at", f"when {what}, {AT_TIME}", check, "now")

    def agreed(self, lines: Sequence[str]) -> None:
        """Where anything was asked, all is shown as it will be entered; without a yes the command ends with 2."""
        if not self.asked:
            return
        print("\n".join(("this will be entered:", *(f"  {line}" for line in lines))), file=sys.stderr)
        while (answer := _answer("enter this? y/n: ").lower()) not in ("y", "yes"):
            if answer in ("n", "no"):
                raise called_wrongly("nothing was entered")
            _wrong("y enters it, n ends this without entering anything")

    def _begin(self, check: Check | None) -> None:
        if not self._told:
            print("(Ctrl-D ends this, and nothing is entered)", file=sys.stderr)
        self._told = True
        if isinstance(check, OneOf):
            print("\n".join(f"  {at} {word}" for at, word in enumerate(check.words, start=1)), file=sys.stderr)


class OneOf:
    """Checks an answer that is one of a few words: whole, by its number, or by a beginning that only one has."""

    def __init__(self, *words: str) -> None:
        self.words = words

    def __call__(self, text: str) -> str:
        if text in self.words:
            return text
        if text.isdecimal() and 1 <= int(text) <= len(self.words):
            return self.words[int(text) - 1]
        begun = [word for word in self.words if text and word.casefold().startswith(text.casefold())]
        if len(begun) == 1:
            return begun[0]
        if begun:
            raise ValueError(f"{text!r} may be {' or '.join(begun)}; write more of it")
        raise ValueError(f"{text!r} is none of these: {', '.join(self.words)}")


one_of = OneOf


def _checked(given: str, flag: str, check: Check | None) -> str:
    if check is not None:
        try:
            check(given)
        except ValueError as wrong:
            raise called_wrongly(f"{flag}: {wrong}") from None
    return _meant(given, check)


def _meant(answer: str, check: Check | None) -> str:
    return check(answer) if isinstance(check, OneOf) else answer


def _is_right(answer: str, check: Check | None) -> bool:
    """A check may be stricter with what was asked for than with a flag: it then has an `asked` of its own."""
    if check is None:
        return True
    try:
        getattr(check, "asked", check)(answer)
    except ValueError as wrong:
        _wrong(str(wrong))
        return False
    return True


def _wrong(what: str) -> None:
    print(fitted(f"  {what}"), file=sys.stderr)


def _answer(question: str) -> str:
    """One line; the end of the input ends the command, as there is nobody to ask."""
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        print(file=sys.stderr)
        raise called_wrongly("nothing was entered")
    return line.strip()

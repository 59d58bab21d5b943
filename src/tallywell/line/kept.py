"""The text in which what passed over lines is kept: a head, then a row for each run of bytes. Pure.

    tallywell frames 1
    site Quail Flat Orchard
    began 2026-11-25T14:05:09.120-07:00
    line field port=/dev/ttyUSB0 baud=19200 parity=even stop_bits=1 latency_ms=20

    0.000120301 field asked address=17 function=4 register=0 words=2 longest_delay_ms=100 pause_ms=0 expects_reply=yes
    0.004123456 field sent 11 04 00 00 00 02 73 5b
    0.031000000 field heard 11 04 04 41 c8 00 00
    0.038000000 field ended good

The version counts up whenever an older program could not read what a newer one writes.
"""

import re
import shlex
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any

from tallywell.line.timing import AnySettings, LineSettings, SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure, Problem
from tallywell.readings.traffic import Asked, Passed, Traffic, Way

VERSION = 1
FIRST = f"tallywell frames {VERSION}"
MOST_CHARACTERS = 100_000  # of one row: no lump of bytes comes near it
GOOD = "good"
SECOND_NS, MS_NS = 1_000_000_000, 1_000_000

_TIME = re.compile(r"(\d{1,9})(?:\.(\d{1,9}))?\Z", re.ASCII)
_ASK_KEYS = ("address", "function", "register", "words", "longest_delay_ms", "pause_ms", "expects_reply")


@dataclass(frozen=True, slots=True)
class Ended:
    """How an exchange ended when it was kept: with a good answer (None), or a fault."""

    at_ns: int
    fault: Fault | None


@dataclass(frozen=True, slots=True)
class Missing:
    """So many exchanges, or runs of bytes, passed before this and were not kept."""

    at_ns: int
    count: int


Kept = Asked | Traffic | Ended | Missing


@dataclass(frozen=True, slots=True)
class Row:
    """One row: which row of the file it is, whose line, and what."""

    number: int
    line: str
    what: Kept


@dataclass(frozen=True, slots=True)
class Head:
    """`began`: the local time to which the rows' times are added, as written; `lines`: how each was set."""

    site: str
    began: str
    lines: Mapping[str, AnySettings] = field(hash=False)


# --- writing


def head_text(head: Head) -> str:
    lines = [f"line {name} {settings_text(settings)}" for name, settings in head.lines.items()]
    return "\n".join([FIRST, f"site {head.site}", f"began {head.began}", *lines, "", ""])


def settings_text(settings: AnySettings) -> str:
    """ "port=/dev/ttyUSB0 baud=19200 ...": every setting by its name, times in ms."""
    return " ".join(_pair(one.name, getattr(settings, one.name)) for one in _kept_fields(type(settings)))


def _kept_fields(kind: type[AnySettings]) -> list[Field[Any]]:
    """All but how the driver switches the direction of the pair, which no exchange knows of."""
    return [one for one in fields(kind) if one.name != "rs485"]


def row_text(line: str, passed: Passed | Missing, from_ns: int) -> str:
    """One row, with its line end. `from_ns`: what its time is counted from."""
    match passed:
        case Outcome():
            return _row(passed.ended_ns - from_ns, line, f"ended {passed.fault or GOOD}")
        case Asked():
            return _row(passed.at_ns - from_ns, line, f"asked {_ask_text(passed.ask)}")
        case Missing():
            return _row(passed.at_ns - from_ns, line, f"missing {passed.count}")
        case Traffic():
            what = f"{passed.way} {passed.content.hex(' ')}" if passed.content else "opened"
            return _row(passed.at_ns - from_ns, line, what)


def _row(ns: int, line: str, what: str) -> str:
    return f"{max(0, ns) // SECOND_NS}.{max(0, ns) % SECOND_NS:09} {line} {what}\n"


def _ask_text(ask: Ask) -> str:
    values = (
        ask.address, ask.read.function, ask.read.register, ask.read.words,
        _ms(ask.longest_delay_ns), _ms(ask.pause_ns), ask.expects_reply,
    )  # fmt: skip
    return " ".join(_pair(key, value) for key, value in zip(_ASK_KEYS, values, strict=True))


def _pair(name: str, value: object) -> str:
    if name.endswith("_ns") and isinstance(value, int):
        name, value = f"{name[:-3]}_ms", _ms(value)
    if isinstance(value, bool):
        value = "yes" if value else "no"
    return f"{name}={shlex.quote(str(value))}"


def _ms(ns: int) -> str:
    """Exact, without zeros behind: "20", "0.5"."""
    return f"{ns // MS_NS}.{ns % MS_NS:06}".rstrip("0").rstrip(".")


# --- reading


class _Wrong(ValueError):
    """What is wrong with a row and what to do."""

    def __init__(self, what: str, do: str, got: str = "") -> None:
        super().__init__(what)
        self.do, self.got = do, got


class Trace:
    """A kept file. `head` is there at once; `rows` come one by one, as a file may hold weeks.

    EdgeFailure names file and row, what is wrong and what to do. `cut_off`: the last row has no end, as when the
    machine lost its power while it was written; it is left out.
    """

    def __init__(self, texts: Iterable[str], name: str) -> None:
        self.name = name
        self.cut_off = False
        self._texts = enumerate(texts, 1)
        self._first: tuple[int, str] | None = None
        self.head = self._head()

    def rows(self) -> Iterator[Row]:
        last_ns: dict[str, int] = {}
        for number, text in self._rows():
            if not text.endswith("\n"):
                self.cut_off = True
                return
            try:
                row = Row(number, *_parsed(text, self.head.lines))
            except _Wrong as wrong:
                raise self.failure(number, str(wrong), wrong.do, wrong.got) from None
            if row.what.at_ns < last_ns.get(row.line, 0):
                do = "the rows of one line stand in the order of their times; mend the time or the order"
                raise self.failure(number, "this row is earlier than the one before of its line", do)
            last_ns[row.line] = row.what.at_ns
            yield row

    def failure(self, number: int, what: str, do: str, got: str = "") -> EdgeFailure:
        return EdgeFailure(str(Problem(self.name, number, 1, what, do, got)))

    def _rows(self) -> Iterator[tuple[int, str]]:
        if self._first is not None:
            yield self._first
        yield from (found for found in self._texts if _says_something(found[1]))

    def _head(self) -> Head:
        number, text = next(self._texts, (1, ""))
        if text.rstrip() != FIRST:
            raise self._other_version(text.strip())
        words: dict[str, str] = {}
        lines: dict[str, AnySettings] = {}
        for number, text in self._texts:
            if _says_something(text):
                if text[:1].isdigit():
                    self._first = number, text
                    break
                self._head_row(number, text, words, lines)
        if not lines:
            do = 'write "line NAME port=... baud=... parity=... stop_bits=... latency_ms=..." before the first row'
            raise self.failure(number, "the file does not say how any line was set", do)
        return Head(words.get("site", ""), words.get("began", ""), lines)

    def _head_row(self, number: int, text: str, words: dict[str, str], lines: dict[str, AnySettings]) -> None:
        key, _, rest = text.strip().partition(" ")
        try:
            if key == "line":
                name, _, settings = rest.strip().partition(" ")
                lines[name] = settings_of(settings)
            else:
                words[_head_key(key)] = rest.strip()
        except _Wrong as wrong:
            raise self.failure(number, str(wrong), wrong.do, wrong.got) from None

    def _other_version(self, first: str) -> EdgeFailure:
        if re.fullmatch(r"tallywell frames \d+", first):
            return self.failure(1, "this file is of another version of the format", f"this program reads {FIRST!r}")
        do = f'it must begin with "{FIRST}"; `tallywell frames SITE --keep FILE` writes such files'
        return self.failure(1, "this is no file of kept frames", do, _short(first))


def _head_key(text: str) -> str:
    if text not in ("site", "began"):
        raise _Wrong("this is no row and no line of the head", "a head has site, began and line", _short(text))
    return text


def _says_something(text: str) -> bool:
    return bool(text.strip()) and not text.startswith("#")


def settings_of(text: str) -> AnySettings:
    """The settings that `settings_text` wrote; what is not said is as usual. ValueError says what is wrong."""
    pairs = _pairs(text)
    kind: type[LineSettings | SocketSettings] = SocketSettings if "host" in pairs else LineSettings
    found: dict[str, Any] = {}
    for one in _kept_fields(kind):
        written = f"{one.name[:-3]}_ms" if one.name.endswith("_ns") else one.name
        if written in pairs:
            found[one.name] = _value(one.default, written, pairs.pop(written))
        elif one.default is MISSING:
            raise _Wrong(f"the line has no {written}", f'write "{written}=..."')
    if pairs:
        known = ", ".join(one.name.replace("_ns", "_ms") for one in _kept_fields(kind))
        raise _Wrong("the line has a setting that is not known", f"known are {known}", _short(next(iter(pairs))))
    try:
        return kind(**found)
    except ValueError as wrong:
        raise _Wrong(str(wrong), "write the line's settings as they were") from None


def _value(usual: object, name: str, text: str) -> object:
    if isinstance(usual, bool):
        return _yes(name, text)
    if isinstance(usual, int):
        return _ns(name, text) if name.endswith("_ms") else _whole(name, text)
    return text


def _parsed(text: str, lines: Mapping[str, AnySettings]) -> tuple[str, Kept]:
    if len(text) > MOST_CHARACTERS:
        raise _Wrong(f"the row has more than {MOST_CHARACTERS} characters", "keep a run of bytes a row")
    time, line, what, rest = (*text.split(maxsplit=3), "", "", "", "")[:4]
    at_ns = _at(time)
    if line not in lines:
        raise _Wrong("no line of this name is in the head", f"the head has {', '.join(lines)}", _short(line))
    return line, _what(at_ns, what, rest.strip())


def _what(at_ns: int, what: str, rest: str) -> Kept:
    match what:
        case "sent" | "heard":
            return Traffic(at_ns, Way(what), _bytes(rest))
        case "opened" if not rest:
            return Traffic(at_ns, Way.HEARD, b"")
        case "asked":
            return Asked(at_ns, _ask(rest))
        case "ended":
            return Ended(at_ns, _fault(rest))
        case "missing":
            return Missing(at_ns, _whole("missing", rest))
    do = "behind time and line stands sent, heard, opened, asked, ended or missing"
    raise _Wrong("it is not known what this row says", do, _short(what))


def _at(text: str) -> int:
    found = _TIME.match(text)
    if not found:
        raise _Wrong("a row begins with its time in seconds", "write it as 12.345678901", _short(text))
    return int(found[1]) * SECOND_NS + int((found[2] or "0").ljust(9, "0"))


def _bytes(text: str) -> bytes:
    try:
        found = bytes.fromhex(text)
    except ValueError:
        found = b""
    if not found:
        raise _Wrong("these are no bytes", "write each as two digits, 0 to 9 and a to f", _short(text))
    return found


def _fault(text: str) -> Fault | None:
    try:
        return None if text == GOOD else Fault(text)
    except ValueError:
        raise _Wrong("this is no fault", f'write "{GOOD}" or a fault', _short(text)) from None


def _ask(text: str) -> Ask:
    pairs = _pairs(text)
    for key in pairs:
        if key not in _ASK_KEYS:
            raise _Wrong("an ask has no such key", f"it has {', '.join(_ASK_KEYS)}", _short(key))
    missing = next((key for key in _ASK_KEYS[:5] if key not in pairs), None)
    if missing:
        raise _Wrong(f"the ask does not say its {missing}", f'write "{missing}=..."')
    address, function, register, words = (_whole(key, pairs[key]) for key in _ASK_KEYS[:4])
    delay_ns, pause_ns = (_ns(key, pairs.get(key, "0")) for key in _ASK_KEYS[4:6])
    expects = _yes("expects_reply", pairs.get("expects_reply", "yes"))
    try:
        return Ask(address, Read(function, register, words), delay_ns, pause_ns, expects)
    except ValueError as wrong:
        raise _Wrong(str(wrong), "mend the numbers of this ask") from None


def _pairs(text: str) -> dict[str, str]:
    try:
        words = shlex.split(text)
    except ValueError:
        raise _Wrong("a quotation mark is not closed", "close it") from None
    found: dict[str, str] = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals or key in found:
            raise _Wrong("expected name=value, each name once", "mend it", _short(word))
        found[key] = value
    return found


def _whole(name: str, text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise _Wrong(f"{name} is no whole number", f'write "{name}=17", or another number', _short(text))
    return int(text)


def _ns(name: str, text: str) -> int:
    found = re.fullmatch(r"(\d{1,9})(?:\.(\d{1,6}))?", text, re.ASCII)
    if not found:
        raise _Wrong(f"{name} is no time", f'write "{name}=100", milliseconds', _short(text))
    return int(found[1]) * MS_NS + int((found[2] or "0").ljust(6, "0"))


def _yes(name: str, text: str) -> bool:
    if text not in ("yes", "no"):
        raise _Wrong(f"{name} is yes or no", f'write "{name}=yes"', _short(text))
    return text == "yes"


def _short(text: str) -> str:
    shown = text if text.isprintable() else ascii(text)[1:-1]
    return repr(shown if len(shown) <= 30 else f"{shown[:30]}...")

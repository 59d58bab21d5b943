"""What a field accepts: text as written -> value, or a refusal that says what it must be and what to do.

Every acceptor takes the plain value (text, None, group or list). Numbers are exact and never pass through a float.
Each carries its schema for editors and its words for the reference, so that what a key takes is told once.
"""

import difflib
import re
import unicodedata
from collections.abc import Iterable
from datetime import date
from enum import StrEnum
from fractions import Fraction
from typing import TypeVar

from pydantic_core import PydanticCustomError

from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.written import acceptor
from tallywell.written.acceptor import Acceptor, accepts

Chosen = TypeVar("Chosen", bound=StrEnum)
NAME = re.compile(rf"{acceptor.NAME}\Z")
MOST_IN_NUMBER = 40  # characters; no instrument shows more
_WHOLE = re.compile(r"[+-]?[0-9]+\Z")
_POWER = re.compile(r"(2|10)\^([0-9]{1,2})\Z")
_HEX = re.compile(r"0[xX][0-9A-Fa-f]{1,16}\Z")
_GROUPS = re.compile(r"(?<=[0-9])[,_](?=[0-9]{3}(?![0-9]))")
_SHARE = re.compile(r"\s*([0-9]{1,9})\s*/\s*([0-9]{1,9})\s*\Z")
_PERCENT = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*%\s*\Z")

# How people write units, against the one spelling that is taken. Compared in small letters.
_ALSO = {
    "ac-ft": "acre_foot", "acft": "acre_foot", "af": "acre_foot", "acre-foot": "acre_foot", "acre-feet": "acre_foot",
    "acre_feet": "acre_foot", "ac-in": "acre_inch", "acre-inch": "acre_inch", "acre-inches": "acre_inch",
    "gallon": "gal", "gallons": "gal", "liter": "L", "litre": "L", "liters": "L", "litres": "L", "cf": "ft3",
    "cubic meter": "m3", "cubic meters": "m3", "cubic metre": "m3", "cubic metres": "m3", "kl": "m3", "usg": "gal",
    "cu ft": "ft3", "cubic feet": "ft3", "cubic foot": "ft3",
    "cuft": "ft3", "ft^3": "ft3", "m^3": "m3", "cbm": "m3", "lps": "L/s", "lpm": "L/min", "lph": "L/h",
    "mgd": "Mgal/day",
    "gal/min": "gpm", "ft3/s": "cfs", "m3/d": "m3/day", "gpd": "gal/day", "gph": "gal/h", "cfm": "ft3/min",
    "inch": "in", "inches": "in", '"': "in", "feet": "ft", "foot": "ft", "sec": "s", "second": "s", "seconds": "s",
    "minute": "min", "minutes": "min", "hour": "h", "hours": "h", "hr": "h", "days": "day", "d": "day",
}  # fmt: skip
_VOLUME_OF_FLOW = {"gpm": "gal", "cfs": "ft3"}


def refuse(what: str, do: str = "") -> PydanticCustomError:
    """The error that says what a field must be ("must be a volume") and what to do about it."""
    return PydanticCustomError("written", "{what}", {"what": what, "do": do})


def suggestion(wrong: str, known: Iterable[str]) -> str:
    """`did you mean "x"?`, or the list of what is known."""
    choices = list(known)
    near = nearest(wrong, choices)
    if near is not None:
        return f'did you mean "{near}"?'
    return f"known are {', '.join(choices[:20])}" if choices else ""


def nearest(wrong: str, known: Iterable[str]) -> str | None:
    """What was probably meant; None where nothing is near."""
    small = {choice.lower(): choice for choice in known}
    bare = wrong.lower()[:100]
    near = difflib.get_close_matches(bare, small, n=3, cutoff=0.6)
    best = [one for one in near if _likeness(one, bare) == _likeness(near[0], bare)]
    return next((choice for key, choice in small.items() if key in best), None)


def _likeness(one: str, other: str) -> float:
    return difflib.SequenceMatcher(a=one, b=other).ratio()


@accepts("text", acceptor.TEXT)
def text(value: object) -> str:
    """A single written value."""
    if value is None or value == "":
        raise refuse("needs a value", "write one after the colon, or remove the key")
    if isinstance(value, dict):
        raise refuse("must be a single value, not a group of keys")
    if isinstance(value, list):
        raise refuse("must be a single value, not a list")
    assert isinstance(value, str)
    return value


@accepts("text", acceptor.TEXT)
def label(value: object) -> str:
    """Text for people: one line, at most 200 characters."""
    found = text(value).strip()
    if "\n" in found or not found.isprintable():
        raise refuse("must be a single line of printable text")
    if len(found) > 200:
        raise refuse("must be at most 200 characters long", "shorten it")
    return found


@accepts("a name", acceptor.OF_A_NAME)
def name(value: object) -> str:
    """A name that identifies something for ever."""
    found = text(value)
    if not NAME.match(found):
        raise refuse("must be a name of letters, digits, - _ and .", "use no blanks, at most 64 characters")
    return found


@accepts("`yes` or `no`", acceptor.yes_no_schema())
def yes_or_no(value: object) -> bool:
    found = {"yes": True, "true": True, "no": False, "false": False}.get(text(value).lower())
    if found is None:
        raise refuse("must be yes or no")
    return found


@accepts("`yes`, `no` or `unknown`", acceptor.yes_no_schema("unknown"))
def yes_no_or_unknown(value: object) -> bool | None:
    """None = unknown."""
    if text(value).lower() == "unknown":
        return None
    try:
        return yes_or_no(value)
    except PydanticCustomError:
        raise refuse("must be yes, no or unknown") from None


def integer(value: object, limits: str = "", *, hexadecimal: bool = False) -> int:
    """A whole number as written: 8, 1,000 or 1_000, and 0x1F where that is taken. 010 is refused: it is 8 to some."""
    found = text(value).strip()
    if hexadecimal and _HEX.match(found):
        return int(found, 16)
    bare = _GROUPS.sub("", found)
    if not _WHOLE.match(bare) or len(bare) > MOST_IN_NUMBER:
        raise refuse(f"must be a whole number{limits}{', decimal or as 0x1F' if hexadecimal else ''}")
    if len(bare.lstrip("+-")) > 1 and bare.lstrip("+-")[0] == "0":
        raise refuse("must be a whole number without leading zeros", f'write "{int(bare)}"')
    return int(bare)


def whole(least: int, greatest: int, *, hexadecimal: bool = False, powers: bool = False) -> Acceptor[int]:
    """Accepts a whole number from `least` to `greatest`; with `powers` also as 2^24 or 10^8."""

    def accept(value: object) -> int:
        power = _POWER.match(text(value)) if powers else None
        if power:
            found: int = pow(int(power[1]), int(power[2]))
        else:
            found = integer(value, f" from {least} to {greatest}", hexadecimal=hexadecimal)
        if not least <= found <= greatest:
            raise refuse(f"must be a whole number from {least} to {greatest}")
        return found

    also = ", also as `2^24` or `10^8`" if powers else ", also as `0x001F`" if hexadecimal else ""
    said = f"a whole number, {_shown(least)} to {_shown(greatest)}{also}"
    return Acceptor(accept, said, acceptor.whole_schema(least, greatest, hexadecimal=hexadecimal, powers=powers))


def _shown(number: int) -> str:
    """Round numbers beyond ten digits by their power."""
    round_one = number >= 10**10 and set(str(number)[1:]) == {"0"}
    return f"10^{len(str(number)) - 1}" if round_one else f"{number:,}"


@accepts("a number", acceptor.NUMBER)
def decimal(value: object) -> Fraction:
    """An exact decimal number."""
    if len(text(value)) > MOST_IN_NUMBER:
        raise refuse(f"must be a decimal number of at most {MOST_IN_NUMBER} characters")
    try:
        return units.number(text(value))
    except ValueError:
        raise refuse("must be a decimal number, such as 0.25") from None


@accepts("a number above 0", acceptor.FACTOR)
def factor(value: object) -> Fraction:
    """What something is multiplied by, above 0."""
    found = decimal(value)
    if found <= 0:
        raise refuse("must be a number above 0")
    return found


@accepts("a share: `1/3`, `0.25`, `25 %`", acceptor.SHARE)
def share(value: object) -> Fraction:
    """A part of a whole, above 0 and at most 1: 1/3, 0.25 or 25 %."""
    written = text(value)[:MOST_IN_NUMBER]
    ratio, percent = _SHARE.match(written), _PERCENT.match(written)
    try:
        found = Fraction(int(ratio[1]), int(ratio[2])) if ratio else None
        found = Fraction(percent[1]) / 100 if percent else found
        found = units.number(written) if found is None else found
    except (ValueError, ZeroDivisionError):
        raise refuse("must be a share, such as 1, 0.25 or 1/3") from None
    if not 0 < found <= 1:
        raise refuse("must be a share above 0 and at most 1", "write 1/3, 0.25 or 25 %")
    return found


def measured(
    kind: str, *, least: str | None = None, greatest: str | None = None, above: Fraction | None = None
) -> Acceptor[Measure]:
    """Accepts a number with a unit of the kind, such as "100 gal"; `least` and `greatest` as they are to be shown."""
    low = units.measure(least, kind).si if least else None
    high = units.measure(greatest, kind).si if greatest else None

    def accept(value: object) -> Measure:
        found = _measure(text(value), kind)
        if above is not None and found.si <= above:
            raise refuse(f"must be a {kind} above {above}")
        if (low is not None and found.si < low) or (high is not None and found.si > high):
            raise refuse(f"must be a {kind}, {_ends(least, greatest)}")
        return found

    ends = f" above {above}" if above is not None else f", {_ends(least, greatest)}" if least or greatest else ""
    schema = acceptor.measured_schema(kind, low if above is None else above, above=above is not None)
    return Acceptor(accept, f"a {kind}{ends}", schema)


def _ends(least: str | None, greatest: str | None) -> str:
    if least and greatest:
        return f"from {least} to {greatest}"
    return f"at least {least}" if least else f"at most {greatest}"


def _measure(written: str, kind: str) -> Measure:
    if len(written) > MOST_IN_NUMBER:
        raise refuse(f"must be a {kind} of at most {MOST_IN_NUMBER} characters")
    try:
        return units.measure(written, kind)
    except ValueError as error:
        do = _unit_advice(written, kind)
        raise refuse(f"must be a {kind}", do or str(error)) from None


def _unit_advice(written: str, kind: str) -> str:
    found = re.match(r"\s*([+-]?[0-9.,_]+)\s*(\S.*?)?\s*\Z", written)
    if not found:
        return ""
    if found[2] is None:
        return f"add a unit: {', '.join(units.KINDS[kind])}"
    near = nearest_unit(found[2], kind)
    return f'did you mean "{found[1]} {near}"?' if near else ""


def nearest_unit(wrong: str, kind: str) -> str | None:
    """The unit of this kind that was probably meant."""
    known = units.KINDS[kind]
    wrong = _plainly(wrong)
    if wrong in known:
        return wrong
    if kind == "duration" and wrong == "m":
        return "min"  # nobody means metres there
    if kind != "volume" and any(wrong in others for others in units.KINDS.values()):
        return None  # a unit of something else: what was meant cannot be guessed, a volume per what?
    if wrong[:2] in ("ml", "mL"):
        return None  # a millilitre is no slip of the pen for a megalitre
    small = {unit.lower(): unit for unit in known}
    of_flow = _VOLUME_OF_FLOW.get(wrong, wrong.split("/", maxsplit=1)[0]) if kind == "volume" else wrong
    for guess in (of_flow, _ALSO.get(wrong.lower(), ""), small.get(wrong.lower(), "")):
        if guess in known:
            return guess
    near = difflib.get_close_matches(wrong.lower()[:40], small, n=1, cutoff=0.7)
    return small[near[0]] if near and _is_of_one_volume(wrong, near[0]) else None


def _plainly(wrong: str) -> str:
    """m³ as m3, "US gal" as gal, "liters per second" as L/s."""
    bare = re.sub(r"\A(?:U\.?S\.?|us)\s+", "", unicodedata.normalize("NFKC", wrong).replace(" per ", "/"))
    volume, slash, time = bare.partition("/")
    if not slash:
        return bare
    return f"{_ALSO.get(volume.lower(), volume)}/{_ALSO.get(time.lower(), time)}"


def _is_of_one_volume(wrong: str, near: str) -> bool:
    """Whether a rate that is spelt nearly so counts the same volume: gallons an hour are no slip for litres an hour."""
    return "/" not in wrong or "/" not in near or wrong.lower().split("/")[0] == near.split("/", maxsplit=1)[0]


def chosen(kinds: type[Chosen]) -> Acceptor[Chosen]:
    """Accepts one of the words of an Enum."""

    def accept(value: object) -> Chosen:
        found = text(value)
        try:
            return kinds(found)
        except ValueError:
            raise refuse(f"must be one of {', '.join(known)}", _meant(found, known)) from None

    known = [str(kind.value) for kind in kinds]
    return Acceptor(accept, " ".join(f"`{word}`" for word in known), {"enum": known})


def words(*known: str) -> Acceptor[str]:
    """Accepts one of a few words."""

    def accept(value: object) -> str:
        found = text(value)
        if found not in known:
            raise refuse(f"must be one of {', '.join(known)}", _meant(found, list(known)))
        return found

    return Acceptor(accept, " ".join(f"`{word}`" for word in known), {"enum": list(known)})


def _meant(wrong: str, known: list[str]) -> str:
    advice = suggestion(wrong, known)
    return advice if advice.startswith("did") else ""


@accepts("a date, `2026-07-01`", acceptor.DATE)
def day(value: object) -> date:
    """A local date as 2026-07-01 (ISO 8601)."""
    found = text(value)
    refusal = refuse("must be a date that exists, the year first, such as 2026-07-01")
    if not re.match(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z", found):
        raise refusal
    try:
        return date.fromisoformat(found)
    except ValueError:
        raise refusal from None


@accepts("a month and day, `10-01`", acceptor.MONTH_AND_DAY)
def month_and_day(value: object) -> tuple[int, int]:
    """A day of every year as MM-DD; 02-29 is none, as most years lack it."""
    found = re.match(r"([0-9]{2})-([0-9]{2})\Z", text(value))
    refusal = refuse("must be a month and day of every year, such as 10-01")
    if found is None:
        raise refusal
    try:
        there = date(2001, int(found[1]), int(found[2]))  # no leap year
    except ValueError:
        raise refusal from None
    return there.month, there.day


@accepts("", {})
def anything(value: object) -> object:
    """A part that is read on its own, with its own places."""
    return value

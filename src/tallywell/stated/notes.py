"""What is noted of a point beside its meters and readings.

out-of-use     {"begin_ms": .., "end_ms": null, "because": ".."}
accuracy-test  {"error": "-1.2 %", "reference": "..", "tester": "..", "note": ""}
wireseal       {"number": "..", "state": "put on", "note": ""}
remark         {"text": ".."}
"""

from enum import StrEnum
from fractions import Fraction

from tallywell.readings.facts import Entry
from tallywell.readings.statements import AccuracyTest, OutOfUse, Remarked, WireSeal
from tallywell.readings.units import measure, number
from tallywell.reports.decimals import decimal
from tallywell.stated.content import Content, EntryError, Kept, about_ms, needed

MOST = 1  # a meter that shows twice the water, or none, does not work


class SealState(StrEnum):
    """What became of a wire seal."""

    PUT_ON = "put on"
    WHOLE = "found whole"
    BROKEN = "found broken"
    TAKEN_OFF = "taken off"


def out_of_use_content(begin_ms: int, end_ms: int | None, because: str) -> Content:
    """From the first instant of a local date to the first of another (None: until further notice)."""
    if end_ms is not None and end_ms <= begin_ms:
        raise EntryError("to: the last day out of use is before the first")
    reason = needed(because, "because", "say why nothing is pumped there; an agency asks for the reason")
    return {"begin_ms": begin_ms, "end_ms": end_ms, "because": reason}


def out_of_use(entry: Entry) -> OutOfUse:
    kept = Kept.of(entry)
    end_ms = kept.whole_or_none("end_ms")
    return OutOfUse(entry.uuid, kept.whole("begin_ms"), end_ms, kept.text("because"), entry.author)


def accuracy_test_content(error: Fraction, reference: str, tester: str, note: str = "") -> Content:
    """`error`: (meter - reference) / reference."""
    if abs(error) > MOST:
        raise EntryError(f"error: {error_in_words(error)} is more than a meter that works can be wrong")
    return {
        "error": f"{error.numerator}/{error.denominator}",
        "reference": needed(reference, "reference", "say what the meter was held against"),
        "tester": needed(tester, "tester", "say who tested it"),
        "note": note,
    }


def error_of(text: str) -> Fraction:
    """ "+1.2 %" as a fraction. EntryError where it is none, or none that a meter can have."""
    bare = text.strip()
    if not bare.endswith("%"):
        raise EntryError(f'{text!r} has no percent sign; write it as "+1.2 %"')
    try:
        error = number(bare[:-1].strip()) / 100
    except ValueError as wrong:
        raise EntryError(str(wrong)) from None
    if abs(error) > MOST:
        raise EntryError(
            f"{text!r} is more than a meter that works can be wrong; look whether a decimal point is missing"
        )
    return error


def error_between(meter: str, reference: str) -> Fraction:
    """The meter's error from what both showed, as volumes or as flow rates. EntryError says which cannot be."""
    shown, true = _same_kind(meter, reference)
    if true <= 0:
        raise EntryError("true: the reference must have measured more than nothing")
    error = (shown - true) / true
    if abs(error) > MOST:
        wrong = f"{meter!r} against {reference!r} would be an error of {error_in_words(error)}"
        raise EntryError(f"meter: {wrong}; look at both numbers and their units")
    return error


def _same_kind(meter: str, reference: str) -> tuple[Fraction, Fraction]:
    wrong = ""
    for kind in ("volume", "flow rate"):
        try:
            return measure(meter, kind).si, measure(reference, kind).si
        except ValueError as why:
            wrong = wrong or str(why)
    raise EntryError(f'meter: give both as volumes or both as flow rates, such as "1500 gal" ({wrong})')


def accuracy_test(entry: Entry) -> AccuracyTest:
    kept = Kept.of(entry)
    try:
        error = Fraction(kept.text("error"))
    except ValueError:
        raise kept.wrong("error", f"is no fraction (got {kept.content.get('error')!r})") from None
    words = kept.text("reference"), kept.text("tester"), entry.author, kept.note
    return AccuracyTest(entry.uuid, about_ms(entry), error, *words)


def error_in_words(error: Fraction) -> str:
    """To 0.1 %, with its sign: "+1.2 %"."""
    sign = "-" if error < 0 else "+"
    return f"{sign}{decimal(abs(error) * 100, 1)} %"


def wireseal_content(seal: str, state: SealState, note: str = "") -> Content:
    return {"number": needed(seal, "number", "a wire seal has a number"), "state": state.value, "note": note}


def wireseal(entry: Entry) -> WireSeal:
    kept = Kept.of(entry)
    return WireSeal(entry.uuid, about_ms(entry), kept.text("number"), kept.text("state"), entry.author, kept.note)


def remark_content(text: str) -> Content:
    return {"text": needed(text, "text", "a remark says something")}


def remarked(entry: Entry) -> Remarked:
    return Remarked(entry.uuid, about_ms(entry), Kept.of(entry).text("text"), entry.author)

"""An estimate: only a person adds one, with its span, its inputs and its reason.

{"begin_ms": .., "end_ms": .., "standing": "in addition to" | "instead of", "because": "..", "method": name of a Method,
 "volume": "12.5 acre_foot"                                        VOLUME
 "hours": "20.5", "rate": "750 gpm", "tested": "2026-05-02"        HOURS      (hours pumped x tested rate)
 "kwh": "1234", "kwh_per": "430 kWh/acre_foot", "tested": ".."     ENERGY     (energy / tested energy per volume)
 "year": 2025, "m3": "1234567/1000",                               OTHER_YEAR (the metered volume of that year's span,
 "of_begin_ms": .., "of_end_ms": ..}                                           and the span)

The inputs are kept as written and reckoned anew, exactly, each time that the entry is read.
"""

import re
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from tallywell.readings.facts import Entry
from tallywell.readings.statements import Estimate, Method, Standing
from tallywell.readings.units import VOLUMES, Measure, measure, number
from tallywell.reports.decimals import decimal, plain
from tallywell.reports.shown_units import WORDS
from tallywell.stated.content import Content, EntryError, Kept, needed

HOUR_MS = 3_600_000
_PER = re.compile(r"\s*(\S+)\s*kWh\s*(?:/|per\s)\s*([A-Za-z_0-9]+)\s*\Z")
_EXACT = re.compile(r"\d+(/[1-9]\d*)?\Z")


@dataclass(frozen=True, slots=True)
class Span:
    """From `begin_ms` to before `end_ms`, UTC."""

    begin_ms: int
    end_ms: int

    def __post_init__(self) -> None:
        if self.end_ms <= self.begin_ms:
            raise EntryError("to: the span of an estimate ends after it begins")


@dataclass(frozen=True, slots=True)
class Inputs:
    """What an estimate is reckoned from, as typed; what its method does not need is None."""

    method: Method
    volume: str | None = None
    hours: str | None = None
    rate: str | None = None
    kwh: str | None = None
    kwh_per: str | None = None
    tested: str | None = None
    year: int | None = None
    m3: str | None = None
    of_begin_ms: int | None = None
    of_end_ms: int | None = None

    def kept(self) -> Content:
        fields = ("volume", "hours", "rate", "kwh", "kwh_per", "tested", "year", "m3", "of_begin_ms", "of_end_ms")
        given = {name: getattr(self, name) for name in fields}
        return {"method": self.method.name.lower()} | {name: one for name, one in given.items() if one is not None}


@dataclass(frozen=True, slots=True)
class Reckoned:
    """`sum`: the line to print."""

    m3: Fraction
    sum: str


def estimate_content(span: Span, standing: Standing, inputs: Inputs, because: str) -> Content:
    """EntryError says which input is wrong."""
    reason = needed(because, "because", "an estimate is kept with its reason")
    reckoned(inputs)
    if inputs.method is Method.HOURS:
        _fit(_number(inputs.hours, "hours"), span)
    kept: Content = {"begin_ms": span.begin_ms, "end_ms": span.end_ms, "standing": standing.value, "because": reason}
    return kept | inputs.kept()


def check_input(name: str, text: str, span: Span) -> None:
    """One input by itself, as it is typed; EntryError says what is wrong."""
    match name:
        case "volume":
            _not_negative(_measure(text, name, "volume").si, name)
        case "rate":
            _not_negative(_measure(text, name, "flow rate").si, name)
        case "hours":
            _fit(_number(text, name), span)
        case "kwh":
            _number(text, name)
        case "kwh_per":
            _per_volume(text)
        case "tested":
            _tested(Inputs(Method.HOURS, tested=text))


def _fit(hours: Fraction, span: Span) -> None:
    longest = Fraction(span.end_ms - span.begin_ms, HOUR_MS)
    if hours > longest:
        raise EntryError(f"hours: {plain(hours)} h do not fit into a span of {decimal(longest, 1)} h")


def estimate(entry: Entry) -> Estimate:
    kept = Kept.of(entry)
    try:
        method, standing = Method[kept.text("method").upper()], Standing(kept.text("standing"))
    except (KeyError, ValueError):
        raise kept.wrong("method or standing", "is none that is known") from None
    texts = {name: kept.text_or_none(name) for name in ("volume", "hours", "rate", "kwh", "kwh_per", "tested", "m3")}
    try:
        year, *of = (kept.whole_or_none(name) for name in ("year", "of_begin_ms", "of_end_ms"))
        found = reckoned(Inputs(method, year=year, of_begin_ms=of[0], of_end_ms=of[1], **texts))
        span = Span(kept.whole("begin_ms"), kept.whole("end_ms"))
    except EntryError as wrong:
        raise EntryError(f"entry {entry.uuid}: {wrong}") from None
    because = kept.text("because")
    return Estimate(
        entry.uuid, span.begin_ms, span.end_ms, found.m3, standing, method, found.sum, because, entry.author
    )


def reckoned(inputs: Inputs) -> Reckoned:
    """The volume and how it comes about. EntryError says which input is wrong."""
    match inputs.method:
        case Method.VOLUME:
            volume = _measure(inputs.volume, "volume", "volume")
            return Reckoned(_not_negative(volume.si, "volume"), f"{_shown(volume)} as stated")
        case Method.HOURS:
            return _by_hours(inputs)
        case Method.ENERGY:
            return _by_energy(inputs)
        case Method.OTHER_YEAR:
            return _by_other_year(inputs)


def _by_hours(inputs: Inputs) -> Reckoned:
    """As where a meter is out of order (rule of the Southwest Florida district, permit condition 8): time x rate."""
    hours, rate = _number(inputs.hours, "hours"), _measure(inputs.rate, "rate", "flow rate")
    m3 = hours * 3600 * _not_negative(rate.si, "rate")
    return Reckoned(
        m3,
        f"{plain(hours, grouped=True)} h x {_shown(rate)}, {_tested(inputs)}, = {_in_words(m3, _volume_of(rate.unit))}",
    )


def _by_energy(inputs: Inputs) -> Reckoned:
    kwh, (each, unit) = _number(inputs.kwh, "kwh"), _per_volume(inputs.kwh_per or "")
    m3 = kwh / each * VOLUMES[unit]
    per = f"{plain(each, grouped=True)} kWh per {unit.replace('_', '-')}"
    return Reckoned(m3, f"{plain(kwh, grouped=True)} kWh / ({per}, {_tested(inputs)}) = {_in_words(m3, unit)}")


def _per_volume(text: str) -> tuple[Fraction, str]:
    """kWh, and the unit of volume that takes so many."""
    found = _PER.match(text)
    if found is None or found[2] not in VOLUMES:
        raise EntryError(f'kwh_per: {text!r} is no energy for a volume; write it as "430 kWh/acre_foot"')
    each = _number(found[1], "kwh_per")
    if not each:
        raise EntryError("kwh_per: no volume takes no energy")
    return each, found[2]


def _by_other_year(inputs: Inputs) -> Reckoned:
    if inputs.m3 is None or not _EXACT.match(inputs.m3) or inputs.year is None:
        raise EntryError("same-span-of: the volume of that span is not known")
    m3 = Fraction(inputs.m3)
    return Reckoned(m3, f"the volume metered in the same span of {inputs.year}, {_in_words(m3, 'm3')}")


def _tested(inputs: Inputs) -> str:
    text = needed(inputs.tested, "tested", "say when that was tested, as 2026-05-02")
    try:
        return f"tested {date.fromisoformat(text)}"
    except ValueError:
        raise EntryError(f"tested: {text!r} is no date; write it as 2026-05-02") from None


def _measure(text: str | None, field: str, kind: str) -> Measure:
    try:
        return measure(text or "", kind)
    except ValueError as wrong:
        raise EntryError(f"{field}: {wrong}") from None


def _number(text: str | None, field: str) -> Fraction:
    try:
        return _not_negative(number(text or ""), field)
    except EntryError:
        raise
    except ValueError as wrong:
        raise EntryError(f"{field}: {wrong}") from None


def _not_negative(value: Fraction, field: str) -> Fraction:
    if value < 0:
        raise EntryError(f"{field}: it cannot be below zero")
    return value


def _volume_of(rate_unit: str) -> str:
    """The unit of volume that goes with a unit of flow."""
    of = {"gpm": "gal", "cfs": "ft3", "imperial_gal/min": "imperial_gal"}
    head = rate_unit.partition("/")[0]
    return of.get(rate_unit, head if head in VOLUMES else "m3")


def _in_words(m3: Fraction, unit: str) -> str:
    return f"{decimal(m3 / VOLUMES[unit], 3 if unit in ('acre_foot', 'ML', 'Mgal') else 0)} {WORDS.get(unit, unit)}"


def _shown(of: Measure) -> str:
    return f"{plain(of.number, grouped=True)} {WORDS.get(of.unit, of.unit)}"

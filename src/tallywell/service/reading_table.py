"""One reading as a table for a person who stands before the meter (pure).

What is read with the books' total comes first, then what the meter says of itself; below it what is read in another
rhythm, each with the time of its own poll, and the settings.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import zip_longest

from tallywell.readings.facts import Poll
from tallywell.registers.decode import Decoded, Value
from tallywell.registers.quantity import Kind, RegisterMap
from tallywell.reports.face import shown_within
from tallywell.reports.table import wrapped
from tallywell.service import sentences
from tallywell.service.following import face_of
from tallywell.service.local_time import shown as time_shown
from tallywell.service.settings import Known, is_kept, kept, unexpected_said
from tallywell.service.site import Point, Site

# Words in a wrong order or of a wrong type make numbers far outside these; a wrong pipe in the site file does not.
MANY = 10
WIDTH, WIDEST_VALUE, WIDEST_WORDS = 100, 32, 24
LEAST_FLOW = Fraction(1, 10**12)  # m3/s: a thimble in a month


@dataclass(frozen=True, slots=True)
class Noted:
    """The point's settings as the record knows them, and since when (UTC ms, or what the clock showed)."""

    known: Known = field(default_factory=dict)
    since_ms: int = 0


def lines(
    point: Point,
    site: Site,
    poll: Poll,
    decoded: Decoded,
    *,
    beside: Sequence[tuple[Poll, Decoded]] = (),
    noted: Noted | None = None,
) -> list[str]:
    """The heading, then a row per quantity: name, value with unit, raw words, where it was read; then the face.

    `beside`: the newest polls of the point's other sets; `noted`: what is known of settings that are not among them.
    """
    out = _main(point, site, poll, decoded)
    shown = dict(decoded.values)
    for other, meaning in beside:
        values = [value for name, value in meaning.values.items() if name not in shown]
        out += _other(point, site, other, values) + _says(meaning)
        shown |= meaning.values
    return _no_wider([*out, *_settings(point, site, shown, noted or Noted())])


def _no_wider(lines_: Sequence[str]) -> list[str]:
    """A sentence goes on below itself; rows of a table keep their width already."""
    return [part for line in lines_ for part in ([line] if len(line) <= WIDTH else _folded(line))]


def _folded(line: str) -> list[str]:
    first, *rest = wrapped(line, WIDTH - 4)
    indent = " " * (len(line) - len(line.lstrip()))
    return [f"{indent}{first}", *(f"{indent}  {part}" for part in rest)]


def _main(point: Point, site: Site, poll: Poll, decoded: Decoded) -> list[str]:
    head = f"{sentences.place(point)}, {time_shown(poll.shown_ms, site.zone)}"
    if poll.utc_ms is None:
        head += " (the clock is not synchronised)"
    return [head, *_meaning(point, poll, decoded)]


def meaning_lines(point: Point, poll: Poll, decoded: Decoded) -> list[str]:
    """The same of one poll without the heading."""
    return _no_wider(_meaning(point, poll, decoded))


def _meaning(point: Point, poll: Poll, decoded: Decoded) -> list[str]:
    out = values_table(point.map, decoded.values.values())
    if poll.fault is not None:
        out.append(f"  {sentences.WHAT[poll.fault]}: {sentences.ADVICE[poll.fault]}")
    return out + _says(decoded) + _looks_wrong(point, decoded) + _face(point, decoded)


def _says(decoded: Decoded) -> list[str]:
    """What conditions that hold mean."""
    told = (("it is not counting", decoded.not_counting), ("its numbers are suspect", decoded.suspect))
    return [f"  the meter says that {what} ({', '.join(sorted(names))})" for what, names in told if names]


def _other(point: Point, site: Site, poll: Poll, values: Sequence[Value]) -> list[str]:
    """What another poll of the point brought, or that it brought nothing."""
    at = time_shown(poll.shown_ms, site.zone)
    if poll.fault is not None:
        return [f"  what is read besides: {sentences.WHAT[poll.fault]} at {at}; {sentences.ADVICE[poll.fault]}"]
    if not values:
        return []
    what = "settings, read" if all(is_kept(value.about) for value in values) else "read"
    return [f"  {what} {at}:", *values_table(point.map, values)]


def _settings(point: Point, site: Site, shown: Mapping[str, Value], noted: Noted) -> list[str]:
    """Settings that were not read now, as they are known; and those for which the map is not written."""
    now = {name: kept(value) for name, value in shown.items() if is_kept(value.about) and value.fault is None}
    old = {name: one for name, one in noted.known.items() if name not in now and name in point.map.quantities}
    since = f"  settings as noted {time_shown(noted.since_ms, site.zone)}:"
    out = [since, *_aligned([(name, one.shown, "", "") for name, one in old.items()])] if old else []
    wrong = {name: one for name, one in (old | now).items() if one.as_expected is False}
    return out + [f"  {unexpected_said(point.map, name, one)}" for name, one in wrong.items()]


def values_table(register_map: RegisterMap, values: Iterable[Value]) -> list[str]:
    """A row per value: name, value with unit, raw words, where it was read. Without values there are no lines."""
    rows = [_row(register_map, value) for value in values]
    return _aligned([("quantity", "value", "raw words", "register"), *rows]) if rows else []


def _looks_wrong(point: Point, decoded: Decoded) -> list[str]:
    """A flow that no pump makes, with what most often makes it; a filter that dies away can make the small ones too."""
    return [
        f"  {name} looks wrong; if it is: check type, word order, register and unit in the map"
        for name, value in decoded.values.items()
        if value.about.kind is Kind.FLOW and value.si is not None and not _can_flow(value.si, point)
    ]


def _can_flow(si: Fraction, point: Point) -> bool:
    return si == 0 or LEAST_FLOW < abs(si) <= MANY * point.possible_rate.si


def _row(register_map: RegisterMap, value: Value) -> tuple[str, str, str, str]:
    quantity = register_map.quantities.get(value.quantity)
    where = f"{quantity.table} {quantity.first}" if quantity else ""
    return value.quantity, value.shown, raw_shown(value), where


def raw_shown(value: Value) -> str:
    """Its own words in hexadecimal; ".." where registers that are not its own lie between the parts of a total."""
    raw, quantity = value.raw, value.about
    low = quantity.low_part
    if low is None or len(raw) < 2 * (quantity.end - quantity.first):
        return _hexadecimal(raw)
    parts = sorted([(quantity.register, quantity.register + quantity.words), (low.register, low.end)])
    shown = [_hexadecimal(raw[2 * (first - quantity.first) : 2 * (end - quantity.first)]) for first, end in parts]
    return (" " if parts[0][1] == parts[1][0] else " .. ").join(shown)


def _hexadecimal(words: bytes) -> str:
    return " ".join(words[i : i + 2].hex().upper() for i in range(0, len(words), 2))


def _face(point: Point, decoded: Decoded) -> list[str]:
    books, quantity = decoded.books, point.map.books
    if quantity is None or books is None or books.total is None:
        return []
    face, stated = face_of(point)
    by = "" if stated else ", if it shows the register as it is (the site file has no `display:` for this point)"
    return [f"  the face should show {shown_within(face, books.total, quantity.scale)}{by}"]


def _aligned(rows: list[tuple[str, str, str, str]]) -> list[str]:
    """Where a row would be too wide, value and words go on below themselves."""
    if _width(rows) > WIDTH:
        rows = [part for row in rows for part in _parted(row)]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _width(rows: list[tuple[str, str, str, str]]) -> int:
    return 8 + sum(max(len(row[column]) for row in rows) for column in range(4))


def _parted(row: tuple[str, str, str, str]) -> list[tuple[str, str, str, str]]:
    name, value, words, where = row
    values, raws = wrapped(value, WIDEST_VALUE), wrapped(words, WIDEST_WORDS)
    return [
        (name if k == 0 else "", *cells, where if k == 0 else "")
        for k, cells in enumerate(zip_longest(values or [""], raws, fillvalue=""))
    ]

"""One reading as a table for a person who stands before the meter (pure)."""

from fractions import Fraction

from tallywell.readings.facts import Poll
from tallywell.registers.decode import Decoded, Value
from tallywell.registers.quantity import Kind
from tallywell.reports.face import shown as face_shown
from tallywell.service import sentences
from tallywell.service.books import face_of
from tallywell.service.local_time import shown as time_shown
from tallywell.service.site import Point, Site

# Words in a wrong order or of a wrong type make numbers far outside these; a wrong pipe in the site file does not.
MANY = 10
LEAST_FLOW = Fraction(1, 10**12)  # m3/s: a thimble in a month


def lines(point: Point, site: Site, poll: Poll, decoded: Decoded) -> list[str]:
    """The heading, then a row per quantity: name, value with unit, raw words, where it was read; then the face."""
    head = f"{sentences.place(point)}, {time_shown(poll.shown_ms, site.zone)}"
    if poll.utc_ms is None:
        head += " (the clock is not synchronised)"
    rows = [_row(point, value) for value in decoded.values.values()]
    out = [head, *_aligned([("quantity", "value", "raw words", "register"), *rows])] if rows else [head]
    if poll.fault is not None:
        out.append(f"  {sentences.WHAT[poll.fault]}: {sentences.ADVICE[poll.fault]}")
    return out + _looks_wrong(point, decoded) + _face(point, decoded)


def _looks_wrong(point: Point, decoded: Decoded) -> list[str]:
    """A flow that no pump makes, with what most often makes it; a filter that dies away can make the small ones too."""
    return [
        f"  {name} looks wrong; if it is: check type, word order, register and unit in the map"
        for name, value in decoded.values.items()
        if value.about.kind is Kind.FLOW and value.si is not None and not _can_flow(value.si, point)
    ]


def _can_flow(si: Fraction, point: Point) -> bool:
    return si == 0 or LEAST_FLOW < abs(si) <= MANY * point.possible_rate.si


def _row(point: Point, value: Value) -> tuple[str, str, str, str]:
    quantity = point.map.quantities.get(value.quantity)
    words = " ".join(value.raw[i : i + 2].hex().upper() for i in range(0, len(value.raw), 2))
    where = f"{quantity.table} {quantity.register}" if quantity else ""
    return value.quantity, value.shown, words, where


def _face(point: Point, decoded: Decoded) -> list[str]:
    books, quantity = decoded.books, point.map.books
    if quantity is None or books is None or books.total is None:
        return []
    face, stated = face_of(point)
    by = "" if stated else ", if it shows the register as it is (the site file has no `display:` for this point)"
    return [f"  the face should show {face_shown(face, books.total.count, quantity.scale)}{by}"]


def _aligned(rows: list[tuple[str, str, str, str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]

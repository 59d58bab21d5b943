"""One reading as a table for a person who stands before the meter (pure)."""

from tallywell.readings.facts import Poll
from tallywell.registers.decode import Decoded, Value
from tallywell.reports.face import shown as face_shown
from tallywell.service import sentences
from tallywell.service.books import face_of
from tallywell.service.local_time import shown as time_shown
from tallywell.service.site import Point, Site


def lines(point: Point, site: Site, poll: Poll, decoded: Decoded) -> list[str]:
    """The heading, then a row per quantity: name, value with unit, raw words, where it was read; then the face."""
    head = f"{sentences.place(point)}, {time_shown(poll.shown_ms, site.zone)}"
    if poll.utc_ms is None:
        head += " (the clock is not synchronised)"
    rows = [_row(point, value) for value in decoded.values.values()]
    out = [head, *_aligned([("quantity", "value", "raw words", "register"), *rows])] if rows else [head]
    if poll.fault is not None:
        out.append(f"  {sentences.WHAT[poll.fault]}: {sentences.ADVICE[poll.fault]}")
    return out + _face(point, decoded)


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

"""Rows of a table beside the record, before they are entered: what the register said then, what may not have been
meant. Reads only.
"""

from dataclasses import dataclass
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.readings.quantities import HandReading, Scale
from tallywell.reports.face import face_capacity_in_books, face_count, in_books
from tallywell.reports.hand_readings import HandReadings, Visit
from tallywell.reports.words import visit_words
from tallywell.service.bringing_in import MINUTE_MS, Row, statement_of
from tallywell.service.following import books_of, followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.odd_entries import odd_on_record, still_to_come
from tallywell.service.site import Point
from tallywell.stated.content import in_force
from tallywell.store.query import Reader


@dataclass(frozen=True, slots=True)
class Beside:
    """`short`: "agrees", "DIFFERS", "not settled", or "" where nothing was read around it; `words`: the report's."""

    short: str
    words: str


NOT_READ = Beside("", "")
DIFFERS = "DIFFERS"
_SHORT = {True: "agrees", False: DIFFERS, None: "not settled"}


def beside_register(reader: Reader, point: Point, row: Row, zone: ZoneInfo) -> Beside:
    """A row held against the readings around it."""
    hands = HandReadings([_visit(row, books_of(point).scale)], row.face, row.at_ms, row.at_ms + 1)
    reach = reach_of(reader, row.at_ms, row.at_ms)
    for one in followed(reader, point, in_force(reader.entries()), reach).intervals:
        hands.take(one)
    (line,) = hands.close()
    return NOT_READ if line.beside is None else Beside(_SHORT[line.beside.agrees], visit_words(line, zone))


def _visit(row: Row, scale: Scale) -> Visit:
    total = in_books(row.face, face_count(row.face, row.shows), scale)
    goes_round = int(face_capacity_in_books(row.face, scale))
    return Visit(row.at_ms, row.shows, "", "", HandReading("", row.at_ms, total, "", scale, goes_round))


def odd_dates(reader: Reader | None, point: Point, row: Row, now_ms: int, zone: ZoneInfo) -> list[str]:
    """A date to come or long before the record; a visit of the same minute on record that shows another volume."""
    statement = statement_of(row, point.name, "")
    odd = list(still_to_come(statement, now_ms, zone))
    if reader is None:
        return odd
    odd += odd_on_record(reader, statement, zone)
    reach = reach_of(reader, row.at_ms, row.at_ms)
    for one in followed(reader, point, in_force(reader.entries()), reach).said.visits:
        if one.about_ms // MINUTE_MS == row.at_ms // MINUTE_MS and _volume(one.shows, row) != row.volume:
            odd.append(f"{one.uuid[:8]} on record is of the same minute and shows {one.shows}")
    return odd


def _volume(shows: str, row: Row) -> Fraction:
    return face_count(row.face, shows) * row.face.one_count.number

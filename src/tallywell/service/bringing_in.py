"""Hand readings from a table: each row read, every fault named by line and column (pure)."""

import csv
import re
from dataclasses import dataclass
from fractions import Fraction
from uuid import NAMESPACE_URL, uuid5
from zoneinfo import ZoneInfo

from tallywell.reports.face import Face, face_count
from tallywell.service.entering import Statement
from tallywell.service.local_time import from_ms, parse
from tallywell.stated.content import face_digits
from tallywell.stated.visits import visit_content

COLUMNS = ("time", "shows", "by", "note")
NEEDED = COLUMNS[:2]
MINUTE_MS = 60_000
ZIP = b"PK\x03\x04"  # APPNOTE 4.3.7; workbooks are zip archives (ISO/IEC 29500-2, ISO/IEC 26300-2)
QUOTE = "put the number in quotation marks, or leave its commas out"
_HEAD, _THOUSANDS = re.compile(r"\d{1,3}\Z"), re.compile(r"\d{3}\Z")
WORKBOOKS = (".xlsx", ".xlsm", ".xls", ".ods")


@dataclass(frozen=True, slots=True)
class Row:
    """One hand reading. `place`: file and line; `author` "": who brings it in."""

    place: str

    at_ms: int
    shows: str
    author: str
    note: str
    volume: Fraction
    face: Face

    @property
    def volume_m3(self) -> Fraction:
        return face_count(self.face, self.shows) * self.face.one_count.si

    def uuid(self, point: str) -> str:
        """The same for the same reading, so that a file brought in twice adds nothing."""
        said = "\n".join([point, str(self.at_ms), self.shows, self.author, self.note])
        return str(uuid5(NAMESPACE_URL, f"tallywell visit\n{said}"))


def table_text(content: bytes, file: str) -> str:
    """The file's text, a byte order mark left out. ValueError: line, and what to do where it is none."""
    if content.startswith(ZIP) or file.lower().endswith(WORKBOOKS):
        raise ValueError('1:1: this is a workbook, no text; save the sheet as "CSV UTF-8" and bring that in')
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        line = content.count(b"\n", 0, wrong.start) + 1
        raise ValueError(f'{line}:1: it is not UTF-8; save the table as "CSV UTF-8"') from None


def faults_and_rows(text: str, file: str, face: Face, zone: ZoneInfo) -> tuple[list[str], list[Row]]:
    """Faults as `file:line:column: what, what it got, what to do`; rows only where there is none."""
    if not text.strip():
        return [f'{file}:1:1: the table is empty; it begins with the heading "time,shows,by,note"'], []
    heading_line = text.splitlines()[0]
    delimiter = max(",;\t", key=heading_line.count)
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter, strict=True)
    faults: list[str] = []
    rows: list[Row] = []
    try:
        heading = [name.strip().lower() for name in next(reader)]
        if faults := _heading_faults(heading, file):
            return faults, []
        for cells in reader:
            if any(cell.strip() for cell in cells):
                wrong, row = _row_of(cells, heading, f"{file}:{reader.line_num}", face, zone)
                faults += wrong
                faults += _second_of_minute(row, rows) if row else []
                rows += [row] if row else []
    except csv.Error as wrong:
        faults.append(f"{file}:{reader.line_num}:1: it is no table ({wrong}); look at the quotation marks")
    if not rows and not faults:
        faults = [f"{file}:1:1: no row stands below the heading; write one reading a line"]
    return faults, [] if faults else rows


def _second_of_minute(row: Row, before: list[Row]) -> list[str]:
    """A meter shows one number at a time: one of two that differ is a slip, and nobody but the reader knows which."""
    for other in before:
        if other.at_ms // MINUTE_MS == row.at_ms // MINUTE_MS and other.volume != row.volume:
            line = other.place.rpartition(":")[2]
            return [f"{row.place}: line {line} is of the same minute and shows {other.shows}; keep the right one"]
    return []


def _row_of(
    cells: list[str], heading: list[str], place: str, face: Face, zone: ZoneInfo
) -> tuple[list[str], Row | None]:
    """Cells beyond the heading are most often a note with a comma in it."""
    beyond = [at for at, cell in enumerate(cells) if at >= len(heading) and cell.strip()]
    if beyond:
        what = (
            f"{cells[beyond[0]]!r} stands behind the last column ({len(cells)} values, the heading has {len(heading)})"
        )
        return [f"{place}:{beyond[0] + 1}: {what}; put what holds a comma in quotation marks"], None
    if torn := _torn_number(cells, heading):
        return [f"{place}:{torn + 1}: {cells[torn]!r} looks like the thousands of the number before it; {QUOTE}"], None
    return _row(dict(zip(heading, cells, strict=False)), heading, place, face, zone)


def _torn_number(cells: list[str], heading: list[str]) -> int:
    """The cell behind `shows` where a number such as 99,852,000 was torn at its commas; 0: none."""
    at = heading.index("shows")
    torn = len(cells) > at + 1 and _HEAD.match(cells[at].strip()) and _THOUSANDS.match(cells[at + 1].strip())
    return at + 1 if torn else 0


def _heading_faults(heading: list[str], file: str) -> list[str]:
    found = [
        f"{file}:1:{at + 1}: there is no column {name!r}; the columns are {', '.join(COLUMNS)}"
        for at, name in enumerate(heading)
        if name not in COLUMNS
    ]
    found += [f"{file}:1:1: the column {name!r} is missing" for name in NEEDED if name not in heading]
    return found + [f"{file}:1:1: the column {n!r} stands twice" for n in COLUMNS if heading.count(n) > 1]


def _row(
    cells: dict[str, str], heading: list[str], place: str, face: Face, zone: ZoneInfo
) -> tuple[list[str], Row | None]:
    faults: list[str] = []
    at_ms, shows = 0, cells.get("shows", "").strip()
    try:
        at_ms = _moment(cells.get("time", ""), zone)
    except ValueError as wrong:
        faults.append(f"{place}:{heading.index('time') + 1}: time: {wrong}")
    count = 0
    try:
        shows = face_digits(shows, face)
        count = face_count(face, shows)
    except ValueError as wrong:
        faults.append(f"{place}:{heading.index('shows') + 1}: shows: {wrong}")
    if faults:
        return faults, None
    by, note = cells.get("by", "").strip(), cells.get("note", "").strip()
    return [], Row(place, at_ms, shows, by, note, count * face.one_count.number, face)


def _moment(text: str, zone: ZoneInfo) -> int:
    """A date is needed: the day of the bringing in has nothing to do with the reading's. And a time of day: a meter
    counts on all day, and midnight would be as good as made up.
    """
    if "-" not in text:
        raise ValueError(f'{text!r} is no date and time; write "2025-01-01 08:00"')
    return parse(text, zone, from_ms(0, zone).date())


def statement_of(row: Row, point: str, author: str) -> Statement:
    content = visit_content(row.shows, row.face, row.note) | {"brought_in": True}
    return Statement("visit", point, row.at_ms, row.author or author, dict(content))

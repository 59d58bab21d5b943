"""What a site's lines will have to carry, as `check` shows it."""

from collections.abc import Iterable, Sequence

from tallywell.readings.exchange import BIT_FUNCTIONS, Read
from tallywell.registers.described import in_two_text, power
from tallywell.registers.quantity import TABLE_OF, Kind
from tallywell.reports.decimals import per_cent, plain
from tallywell.reports.shown_units import WORDS, RateUnit, rate_unit
from tallywell.reports.table import Column, table, wrapped
from tallywell.service.durations import YEAR, at_least, exactly, in_words
from tallywell.service.foreseen import step_text, step_time
from tallywell.service.outlook import (
    MS_NS,
    USUAL_TURNAROUND_NS,
    LineOutlook,
    PointOutlook,
    Round,
    SetOutlook,
    Wire,
    outlook,
)
from tallywell.service.site import NetworkLine, Point, Site
from tallywell.service.site_file import rate_through

WIDTH = 100
MOST_EXACT = 1000 * YEAR  # seconds of longer ones are of no use to anybody


def plan(site: Site) -> list[str]:
    """The lines of text: what is read and its cost, each line's use, each total's length of life, and the notes."""
    lines = outlook(site)
    points = [point for line in lines for point in line.points]
    return [
        "",
        "Points",
        *table(_POINT_COLUMNS, [_point_row(point) for point in points]),
        "",
        *_costs([point for line in lines for point in line.points if not line.line.listen_only]),
        "What each line carries",
        *table(_LINE_COLUMNS, [_line_row(line) for line in lines]),
        *_notes(_listened_note(line) for line in lines if line.line.listen_only),
        "",
        "How long a total lasts before it goes round, at the possible rate",
        *table(_TOTAL_COLUMNS, [_total_row(point, found) for point in points for found in point.rounds]),
        *_notes(_step_note(point.point, found) for point in points for found in point.rounds if found.step_m3),
        "",
        *_wrapped(_assumed(site)),
    ]


def _costs(asked: Sequence[PointOutlook]) -> list[str]:
    """Of the points that this program asks itself."""
    if not asked:
        return []
    return [
        "What a pass costs on the wire",
        *table(_READ_COLUMNS, [row for point in asked for row in _read_rows(point)]),
        *_notes(_silence_notes(asked)),
        *_notes(note for point in asked for note in _read_notes(point)),
        "",
    ]


def _notes(notes: Iterable[str]) -> list[str]:
    return [line for note in notes for line in _wrapped(note, 2)]


def _wrapped(text: str, indent: int = 0) -> list[str]:
    return [f"{'':{indent}}{line}" for line in wrapped(text, WIDTH - indent)]


def _assumed(site: Site) -> str:
    return (
        f"Assumed: an answer begins {at_least(USUAL_TURNAROUND_NS)} after the silence behind its request (common "
        "practice, no source), or at the map's longest_delay where that is sooner. The longest likely outage is "
        f"{exactly(int(site.longest_outage.si * 1000))} where no point says otherwise (longest_outage)."
        f"{_of_networks(site)}"
    )


def _of_networks(site: Site) -> str:
    """How bytes go behind a socket, the site file does not know."""
    names = [line.name for line in site.lines.values() if isinstance(line, NetworkLine)]
    if not names:
        return ""
    lines = f"line{'' if len(names) == 1 else 's'} {', '.join(names)}"
    return f" Of {lines} through a host no wire time is known: where a gateway leads to serial meters, theirs is added."


# --- points

_POINT_COLUMNS = (
    Column("point"),
    Column("line"),
    Column("address", right=True),
    Column("map"),
    Column("every", right=True),
    Column("least possible", right=True),
    Column("possible rate", right=True),
)


def _point_row(found: PointOutlook) -> tuple[str, ...]:
    point = found.point
    name = f"{point.map.name} ({point.map.revision})"
    rate = _rate_unit(point).text(point.possible_rate.si)
    return point.name, point.line, str(point.address), name, exactly(point.every_ms), _least(found.least_ns), rate


def _rate_unit(point: Point) -> RateUnit:
    """The unit that the rate was written in; of a pipe that of the meter's flow rate, else the one to its total."""
    if point.possible_rate != (rate_through(point.pipe) if point.pipe else None):
        return rate_unit("", point.possible_rate.unit)
    flow = next((quantity.unit for quantity in point.map.quantities.values() if quantity.kind is Kind.FLOW), None)
    one_count = point.map.books.one_count if point.map.books else None
    return rate_unit(one_count.unit if one_count else "", flow)


# --- what a pass costs

_READ_COLUMNS = (
    Column("point"),
    Column("when"),
    Column("reads"),
    Column("bytes sent", right=True),
    Column("back", right=True),
    Column("wire time", right=True),
    Column("read singly"),
)


def _read_rows(point: PointOutlook) -> list[tuple[str, ...]]:
    return [
        (
            point.point.name if number == 0 else "",
            _when(each),
            f"{len(each.chosen.reads)} ({_content(each.chosen.reads)})",
            str(each.chosen.sent),
            str(each.chosen.answered),
            at_least(each.chosen.usual_ns),
            _beside(each.plain),
        )
        for number, each in enumerate(point.sets)
    ]


def _when(each: SetOutlook) -> str:
    if each.each_poll:
        return "each poll"
    mark = "*" if each.rhythm.after_silence else ""
    return (f"every {exactly(each.every_ns // MS_NS)}" if each.every_ns else "at the start") + mark


def _content(reads: Sequence[Read]) -> str:
    words = sum(read.words for read in reads if read.function not in BIT_FUNCTIONS)
    bits = sum(read.words for read in reads if read.function in BIT_FUNCTIONS)
    return ", ".join(f"{n} {what}{'' if n == 1 else 's'}" for n, what in ((words, "word"), (bits, "bit")) if n)


def _beside(plain_wire: Wire) -> str:
    """The plan that reads each quantity by itself."""
    count = len(plain_wire.reads)
    return f"{count} read{'' if count == 1 else 's'}, {at_least(plain_wire.usual_ns)}"


def _silence_notes(points: Iterable[PointOutlook]) -> list[str]:
    after = any(each.rhythm.after_silence for point in points for each in point.sets)
    return ["* also when the meter answers again after it was silent"] if after else []


def _read_notes(point: PointOutlook) -> list[str]:
    in_two = in_two_text(point.point.map, [each.chosen.reads for each in point.sets])
    return [*([f"{point.point.name}: {in_two}"] if in_two else []), *_alike_notes(point), *_unproven_notes(point)]


def _alike_notes(point: PointOutlook) -> list[str]:
    return [
        f"{point.point.name}: {_alike(group)} have answers of one length, so that a late answer to "
        "one could be taken for another's; the quiet-line rule guards against it: a meter that owes an answer is "
        "left alone until the answer can no longer come."
        for group in point.alike
    ]


def _alike(group: Sequence[Read]) -> str:
    """ "the reads of holding 0, 1 and 39 (1 word each)": of one table; those of bits may differ in number."""
    *rest, last = (str(read.register) for read in group)
    sizes = dict.fromkeys(_content((read,)) for read in group)
    of_each = f"{', '.join(sizes)} each" if len(sizes) == 1 else ", ".join(sizes)
    return f"the reads of {TABLE_OF[group[0].function]} {', '.join(rest)} and {last} ({of_each})"


def _unproven_notes(point: PointOutlook) -> list[str]:
    if all(each.proven for each in point.sets):
        return []
    return [f"{point.point.name}: the search for the cheapest reads was ended; these are the best it had found."]


# --- what each line carries

_LINE_COLUMNS = (
    Column("line"),
    Column("points", right=True),
    Column("wire time of a cycle", right=True),
    Column("least possible every", right=True),
    Column("in use", right=True),
    Column("at the longest delays", right=True),
)


def _line_row(line: LineOutlook) -> tuple[str, ...]:
    name, count = line.line.name, str(len(line.points))
    if line.line.listen_only:
        return name, count, "", "", "listened to", ""
    shares = (per_cent(line.share), per_cent(line.longest_share))
    return name, count, at_least(line.cycle_ns), _least(line.least_ns), *shares


def _listened_note(line: LineOutlook) -> str:
    return (
        f"{line.line.name}: nothing is asked there, so no load is reckoned. Recorded is what another master asks, as "
        "far as it covers the maps, at most once for each mark of every; `tallywell status` names what it was not "
        "heard to ask for."
    )


def _least(ns: int | None) -> str:
    return "none" if ns is None else at_least(ns)


# --- how long a total lasts

_TOTAL_COLUMNS = (
    Column("point"),
    Column("total"),
    Column("goes round at", right=True),
    Column("lasts", right=True),
    Column("seconds", right=True),
)


def _total_row(point: PointOutlook, found: Round) -> tuple[str, ...]:
    one_count = found.total.one_count
    assert one_count is not None
    one = f"{plain(one_count.number)} {WORDS.get(one_count.unit, one_count.unit)}"
    size = f"{power(found.total.scale.capacity)} x {one}"
    seconds = f"{int(found.seconds):,}" if found.seconds < MOST_EXACT else ""
    name = f"{found.total.name}{' (books)' if found.total.for_the_books else ''}"
    return point.point.name, name, size, in_words(found.seconds), seconds


def _step_note(point: Point, found: Round) -> str:
    return (
        f"{point.name}: {found.total.name} is a {found.total.type}: near its capacity it moves in steps of "
        f"{step_text(found)}, {step_time(found, point)} of pumping at the possible rate."
    )

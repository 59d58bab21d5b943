"""The demo's truth beside what the books say. Pure: texts and numbers; files that need no program to be read again.

truth.csv     from an instant on, so many millionths of a count pass per second
meters.csv    what each meter showed at the first of these instants, and where it goes round
answers.csv   every answer that left a meter, by its own true time
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from tallywell.reports.model import PointReport, Report
from tallywell.reports.table import Column, table
from tallywell.service.demo_field import Scenario, whole_counts
from tallywell.simulator.station import Served

Rows = Iterable[tuple[object, ...]]


@dataclass(frozen=True, slots=True)
class Side:
    """One point, in counts of its books' total: what the report says, between which bounds, and what is true.

    `true` is by how many whole counts the meter's own total moved: what a perfect reader at both edges would see.
    """

    point: str
    one_count: str
    reported: Fraction | None
    low: Fraction
    high: Fraction
    true: int

    @property
    def inside(self) -> bool:
        return self.reported is not None and self.low <= self.true <= self.high


def sides(report: Report, played: Scenario) -> tuple[Side, ...]:
    """Each point of the report beside the truth of its meter."""
    return tuple(_side(point, played) for point in report.points)


def _side(point: PointReport, played: Scenario) -> Side:
    meter = played.meters[point.place.point]
    edges = played.first_ms, played.last_ms
    count, volume = point.register.one_count, point.volume
    low, high = (Fraction(0), Fraction(0)) if volume is None else (volume.low_m3 / count.si, volume.high_m3 / count.si)
    return Side(
        point=point.place.point,
        one_count=f"{float(count.number):g} {count.unit}",
        reported=None if volume is None else volume.m3 / count.si,
        low=low,
        high=high,
        true=whole_counts(meter, *edges),
    )


def side_by_side(compared: Iterable[Side]) -> list[str]:
    """Lines of a table for the screen."""
    columns = [Column("point"), Column("one count")]
    columns += [Column(heading, right=True) for heading in ("reported", "truth", "difference", "bounds")]
    return table([*columns, Column("truth inside")], [_cells(side) for side in compared])


def _cells(side: Side) -> list[str]:
    if side.reported is None:
        return [side.point, side.one_count, "unknown", f"{side.true:,}", "unknown", "none", "NO"]
    bounds = f"{_count(side.low)} to {_count(side.high)}"
    difference = f"{_count(side.reported - side.true, '+')}"
    inside = "yes" if side.inside else "NO"
    return [side.point, side.one_count, _count(side.reported), f"{side.true:,}", difference, bounds, inside]


def _count(value: Fraction, sign: str = "") -> str:
    if value == 0:
        return "0"
    return format(int(value), f"{sign},") if value.denominator == 1 else format(float(value), f"{sign},.3f")


def truth_csv(played: Scenario) -> str:
    rows = ((name, p.start_ms, p.rate) for name, meter in played.meters.items() for p in meter.profile.pieces)
    return _csv(("point", "start_utc_ms", "millionths_of_a_count_per_s"), rows)


def meters_csv(played: Scenario) -> str:
    head = (
        "point",
        "address",
        "map",
        "start_utc_ms",
        "first_count",
        "capacity",
        "silent_from_utc_ms",
        "silent_to_utc_ms",
    )
    return _csv(head, (_meter_row(name, played) for name in played.meters))


def _meter_row(name: str, played: Scenario) -> tuple[object, ...]:
    meter = played.meters[name]
    books = meter.map.books
    assert books is not None, "the demo's meters all have a total"
    start_ms = meter.profile.pieces[0].start_ms
    silent = [(silence.from_ms, silence.to_ms) for silence in meter.silences]
    spell = silent[0] if silent else ("", "")
    return name, meter.address, meter.map.name, start_ms, meter.first_count, books.capacity, *spell


def answers_csv(answers: Iterable[Served]) -> str:
    rows = ((a.utc_ms, a.address, a.function, a.register, a.words, a.data.hex()) for a in answers)
    return _csv(("utc_ms", "address", "function", "register", "words", "data"), rows)


def _csv(head: tuple[str, ...], rows: Rows) -> str:
    """RFC 4180, section 2; names and numbers alone, so no cell needs quotes."""
    return "".join(",".join(map(str, row)) + "\r\n" for row in (head, *rows))

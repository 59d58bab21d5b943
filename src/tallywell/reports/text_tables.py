"""Tables and lists of a point on a screen: days and months, gaps, rollovers, remarks, outages, hand readings."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from itertools import groupby
from zoneinfo import ZoneInfo

from tallywell.reports import remark_words, stated_words, words
from tallywell.reports.dates import duration, with_offset
from tallywell.reports.decimals import rounded
from tallywell.reports.model import PointReport, Slice, UnallocatedLine
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.table import WIDTH, Column, table, wrapped


def section(heading: str, lines: Sequence[str]) -> list[str]:
    """Nothing where there are no lines."""
    return ["", f"  {heading}", *lines] if lines else []


def hanging(head: str, said: str, indent: int = 4) -> list[str]:
    """A line, and what is said of it below, both within the width."""
    lines = [f"{'':{indent}}{line}" for line in wrapped(head, WIDTH - indent)]
    return lines + [f"{'':{indent + 2}}{line}" for line in wrapped(said, WIDTH - indent - 2)]


def slice_lines(point: PointReport, slices: Sequence[Slice], unit: VolumeUnit) -> list[str]:
    """Rows of days or months, what is allocated to none of them, and the sum of both."""
    total, aside = point.volume, unallocated_in(point, slices)
    rows = [_run_cells(run) or _slice_cells(run[0], unit) for run in _runs(slices)]
    rows += [["unallocated", unit.number(each.volume.m3), "", "", _between(each, slices)] for each in aside]
    if total is not None:
        numbers = [unit.number(m3) for m3 in (total.m3, total.low_m3, total.high_m3)]
        rows.append(["sum", *numbers, words.part_of(slices, total)])
    columns = [
        Column(""),
        Column("volume", right=True),
        Column("at least", right=True),
        Column("at most", right=True),
        Column(""),
    ]
    lines = table(columns, within_width(rows, 4, ("", "at least", "at least", "at least", "")), indent=4)
    if total is not None and not rows_add_up(point, slices, unit):
        lines.append("    The sum is of unrounded values: the rounded rows add up to something else.")
    return lines


def within_width(rows: Sequence[Sequence[str]], indent: int, headings: Sequence[str]) -> list[list[str]]:
    """Rows whose last cell would go over the width continue below. `headings`: none of the table's is longer."""
    headed = [headings, *rows]
    room = WIDTH - indent - sum(max(len(row[at]) for row in headed) + 2 for at in range(len(headed[0]) - 1))
    lines: list[list[str]] = []
    for *cells, last in rows:
        first, *rest = wrapped(last, room) or [""]
        lines += [[*cells, first], *([*("" for _ in cells), more] for more in rest)]
    return lines


def unallocated_in(point: PointReport, slices: Sequence[Slice]) -> list[UnallocatedLine]:
    """What is in the point's volume and in none of these slices: it reaches over an edge between two of them."""
    edges = [each.begin_ms for each in slices[1:]]
    inside = (one for one in point.unallocated if one.inside)
    return [one for one in inside if any(one.begin_ms < edge < one.end_ms for edge in edges)]


def rows_add_up(point: PointReport, slices: Sequence[Slice], unit: VolumeUnit) -> bool:
    """Whether the printed rows add up to the printed total."""
    assert point.volume is not None
    volumes = [each.volume.m3 for each in slices if each.volume]
    volumes += [each.volume.m3 for each in unallocated_in(point, slices)]
    printed = sum((rounded(m3 / unit.m3, unit.places) for m3 in volumes), Fraction(0))
    return printed == rounded(point.volume.m3 / unit.m3, unit.places)


def _between(of: UnallocatedLine, slices: Iterable[Slice]) -> str:
    touched = [each.label for each in slices if each.begin_ms < of.end_ms and each.end_ms > of.begin_ms]
    return f"{touched[0]} to {touched[-1]}: {stated_words.why_unallocated(of)}"


def _runs(slices: Sequence[Slice]) -> list[list[Slice]]:
    """Slices one by one, but those in a row of which nothing is known together; two are no row."""
    alike = [list(run) for _, run in groupby(slices, key=lambda each: (each.volume is None, each.withheld))]
    together = [[run] if run[0].volume is None and len(run) > 2 else [[each] for each in run] for run in alike]
    return [run for runs in together for run in runs]


def _run_cells(run: Sequence[Slice]) -> list[str]:
    """Empty where it is one slice alone."""
    if len(run) == 1:
        return []
    unknown = words.WITHHELD if run[0].withheld else words.NO_READINGS
    what = {10: "days", 7: "months"}.get(len(run[0].label), "seasons")
    remark = "; ".join(filter(None, [f"{len(run)} {what}", words.mark(run[0])]))
    first, last = run[0].label.split(" to ")[0], run[-1].label.split(" to ")[-1]  # a season's label has two dates
    return [f"{first} to {last}", unknown, "", "", remark]


def _slice_cells(each: Slice, unit: VolumeUnit) -> list[str]:
    length = "" if each.expected_ms % 86_400_000 == 0 else f"{words.hours(each.expected_ms)} h long"
    remark = "; ".join(filter(None, [length, words.mark(each)]))
    if each.volume is None:
        return [each.label, words.WITHHELD if each.withheld else words.NO_READINGS, "", "", remark]
    numbers = [unit.number(m3) for m3 in (each.volume.m3, each.volume.low_m3, each.volume.high_m3)]
    return [each.label, *numbers, remark]


def gap_lines(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for gap in point.gaps:
        span = f"{with_offset(gap.begin_ms, zone)} to {with_offset(gap.end_ms, zone)}"
        across = "volume across it unknown" if gap.volume is None else f"{unit.text(gap.volume.m3)} across it"
        across = f"{across}, not posted to this well" if gap.withheld and gap.volume is not None else across
        told = f"{span}, {duration(gap.end_ms - gap.begin_ms)}, {across}"
        lines += hanging(told, words.gap_cause(gap, zone))
    return lines


def rollover_lines(point: PointReport, zone: ZoneInfo) -> list[str]:
    return [
        f"    {with_offset(each.utc_ms, zone)}  {each.times} x, at {each.capacity:,} counts" for each in point.rollovers
    ]


def remark_lines(point: PointReport, unit: VolumeUnit, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for remark in point.remarks:
        span, last = with_offset(remark.first.utc_ms, zone), with_offset(remark.last.utc_ms, zone)
        span += f" to {last}" if last != span else ""
        lines += hanging(f"{span}: {remark.kind.value}", remark_words.remark(remark, unit, zone))
    return lines


def outage_lines(point: PointReport, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for outage in point.outages:
        lines += hanging(stated_words.outage_days(outage, zone), stated_words.outage(outage, zone))
    return lines


def visit_lines(point: PointReport, zone: ZoneInfo) -> list[str]:
    lines: list[str] = []
    for visit in point.visits:
        first, *rest = wrapped(words.hand_reading(visit, zone), WIDTH - 32)
        lines.append(f"    {with_offset(visit.utc_ms, zone)}  {first}")
        lines += [f"{'':32}{line}" for line in rest]
    return lines

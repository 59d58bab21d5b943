"""Sentences of what a permit allows: authorised, carried over, used, left, and volumes that a unit explains better."""

from tallywell.ledger.authorised import Bounded, Unlikely
from tallywell.reports.decimals import decimal
from tallywell.reports.model import PermitLine, PermitYear
from tallywell.reports.report_units import measure
from tallywell.reports.shown_units import VolumeUnit


def year(of: PermitYear, permit: PermitLine, unit: VolumeUnit) -> str:
    """ "year 2025-10-01 to before 2026-10-01: authorised 420.000 acre-feet; used 300.100; left 119.900"."""
    until = f"to before {of.end}" + ("" if of.whole else ", so far")
    plainly = permit.authorised_years == 1 and not of.line.carried.high_m3
    said = [f"year {of.begin} {until}: {'authorised' if plainly else 'available'} {bounded(of.line.available, unit)}"]
    if of.line.carried.high_m3:
        said.append(f"of it carried over {bounded(of.line.carried, unit)}")
    said.append(f"used {bounded(of.line.used, unit)}")
    return "; ".join([*said, _left(of, unit), *unlikely(of.unlikely)])


def authorised(of: PermitLine) -> str:
    """ "authorised 420 acre-feet in a year from 10-01"."""
    if of.authorised is None:
        return "authorised amount not stated"
    starts = f"{of.year_starts[0]:02d}-{of.year_starts[1]:02d}"
    years = "a year" if of.authorised_years == 1 else f"{of.authorised_years} years"
    first = starts if of.authorised_from is None else str(of.authorised_from)
    said = f"authorised {measure(of.authorised)} in {years} from {first}"
    if of.carry_over is None:
        return said
    said += f", of which at most {measure(of.carry_over)} may be carried over"
    if not of.years or of.reckoned_from == of.authorised_from:
        return said
    return f"{said}; reckoned from {of.reckoned_from} on, as what years before it carried over is not known"


def _left(of: PermitYear, unit: VolumeUnit) -> str:
    left = of.line.left
    if left.m3 is not None and left.m3 < 0:
        return f"{unit.text(-left.m3)} MORE than is authorised"
    return f"left {bounded(left, unit)}"


def bounded(of: Bounded, unit: VolumeUnit) -> str:
    """A volume with its bounds, as far as these are known and print otherwise. With a bound on one side alone (a part
    of the time has no readings) it is that much or more, or less.
    """
    if of.m3 is None:
        return _between(of, unit)
    sides = [("at least", of.low_m3), ("at most", of.high_m3)]
    shown = unit.number(of.m3)
    said = [f"{side} {unit.number(m3)}" for side, m3 in sides if m3 is not None and unit.number(m3) != shown]
    open_side = {(False, True): " or more", (True, False): " or less"}.get((of.low_m3 is None, of.high_m3 is None), "")
    return unit.text(of.m3) + open_side + (f" ({', '.join(said)})" if said else "")


def _between(of: Bounded, unit: VolumeUnit) -> str:
    if of.low_m3 is None or of.high_m3 is None:
        return "unknown" if not of.low_m3 else f"unknown, at least {unit.text(of.low_m3)}"
    return f"between {unit.number(of.low_m3)} and {unit.text(of.high_m3)}"


def unlikely(of: Unlikely | None) -> list[str]:
    if of is None:
        return []
    times = decimal(of.ratio if of.over else 1 / of.ratio, 0)
    way = "the authorised amount" if of.over else "less than the authorised amount"
    return [f"CHECK THE UNIT: {times} times {way}, beyond {of.beyond}, one of {of.source}"]

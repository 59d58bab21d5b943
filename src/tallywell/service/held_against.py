"""A count that a person is about to state of a change, held against the readings around it; and the meter against the
one that hangs there. What speaks against it is said and is no reason to refuse. Reads only.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import NOTES, POSTS, Interval, Kind, utc_ms
from tallywell.ledger.judge import FINAL_COUNT_BOOT, FIRST_COUNT_BOOT, explain
from tallywell.ledger.segments import same_serial
from tallywell.readings.clocks import When
from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Change, HandReading, Reading, Scale
from tallywell.readings.total import Total
from tallywell.reports.face import Face, face_capacity_in_books, face_count, in_books, shown
from tallywell.reports.hand_readings import HandReadings, Visit
from tallywell.reports.model import VisitLine
from tallywell.reports.words import visit_words
from tallywell.service.following import Followed, followed
from tallywell.service.ledger_facts import reach_of, rules_of
from tallywell.service.local_time import shown as shown_time
from tallywell.service.site import Point, Site
from tallywell.stated.content import in_force
from tallywell.store.query import Reader


class Side(StrEnum):
    """What a count is of: the meter before that moment, the one since, or the same one before and since."""

    BEFORE, SINCE, BOTH = "before", "since", "both"


@dataclass(frozen=True, slots=True)
class Count:
    """Digits of a face at a moment; `name` says what they are: "old final"."""

    name: str
    shows: str
    face: Face
    side: Side


def standing_but(reader: Reader, replaces: str | None) -> tuple[Entry, ...]:
    """The entries in force, without the one that is about to be replaced."""
    return tuple(one for one in in_force(reader.entries()) if one.uuid != replaces)


@dataclass(frozen=True, slots=True)
class Moment:
    """A point at an instant, and what is said of it there. `replaces`: the entry that is about to be corrected."""

    site: Site
    point: Point
    at_ms: int
    replaces: str | None = None

    def followed(self, reader: Reader) -> Followed:
        reach = reach_of(reader, self.at_ms - BY_HAND_MS, self.at_ms + BY_HAND_MS)
        return followed(reader, self.point, standing_but(reader, self.replaces), reach)


def odd_counts(reader: Reader, of: Moment, counts: Sequence[Count]) -> Iterator[str]:
    """A sentence for each count that the readings around it speak against."""
    for count in counts:
        found, point = of.followed(reader), of.point
        if found.stream is not None and (said := _held(found, of, count)):
            yield f"{point.name}: {count.name.replace('_', ' ')} {count.shows}: {said}"


def odd_serial(reader: Reader, of: Moment, serial: str, *, taken: bool = False) -> Iterator[str]:
    """Where the meter that is said to be put in hangs there already, or another than the one that is said to be `taken`
    away.
    """
    before = [one for one in of.followed(reader).said.meters if one.about_ms <= of.at_ms]
    if not before or before[-1].change is Change.REMOVED:
        return
    last, same = before[-1], same_serial(before[-1].serial, serial)
    by = f"since {shown_time(last.about_ms, of.site.zone)}, by entry {last.uuid[:8]}"
    if same and not taken:
        yield f"{of.point.name}: serial {serial} hangs there already, {by}"
    elif taken and not same:
        yield f"{of.point.name}: serial {last.serial} hangs there, {by}, and not {serial}"


def _held(found: Followed, of: Moment, count: Count) -> str:
    at_ms, scale = of.at_ms, _scale(of.point)
    moments = at_ms, at_ms - BY_HAND_MS, at_ms + BY_HAND_MS  # a person's time is within a quarter of an hour
    visits = [Visit(each, count.shows, "", "", _hand(count, each, scale)) for each in moments]
    beside, around = HandReadings(visits, count.face, at_ms, at_ms + 1), list[Interval]()
    for one in found.intervals:
        beside.take(one)
        around.append(one)
    lines = beside.close()
    here = next(line for line in lines if line.utc_ms == at_ms)
    if here.beside is not None and (count.side is Side.BOTH or _step(around, at_ms) is None):
        return "" if any(_agrees(line) for line in lines) else _differs(here, of.site, count)
    return _unfit(around, of, count)


def _agrees(line: VisitLine) -> bool:
    return line.beside is not None and line.beside.agrees is not False


def _differs(line: VisitLine, site: Site, count: Count) -> str:
    goes_on = "" if count.side is Side.BOTH else "; the readings go on there as those of one meter"
    return visit_words(line, site.zone) + goes_on


def _scale(point: Point) -> Scale:
    books = point.map.books
    assert books is not None
    return books.scale


def _hand(count: Count, at_ms: int, scale: Scale) -> HandReading:
    total, goes_round = _total(count, scale), int(face_capacity_in_books(count.face, scale))
    return HandReading("", at_ms, total, "", scale, goes_round)


def _total(count: Count, scale: Scale) -> Total:
    return in_books(count.face, face_count(count.face, count.shows), scale)


def _unfit(around: Sequence[Interval], of: Moment, count: Count) -> str:
    """Where no readings of one meter enclose the moment: whether the count follows from the one before, or leads to the
    one since.
    """
    since, at_ms = count.side is Side.SINCE, of.at_ms
    near = _since(around, at_ms) if since else _before(around, at_ms)
    if near is None:
        return ""
    boot, total = FIRST_COUNT_BOOT if since else FINAL_COUNT_BOOT, _near(_total(count, near.scale), count, near)
    at = min(at_ms, utc_ms(near) - 1) if since else max(at_ms, utc_ms(near) + 1)
    stated, rules = Reading(0, When(boot, 0, at, BY_HAND_MS), total, near.scale), rules_of(of.point)
    first, last = (stated, near) if since else (near, stated)
    if explain(rules, first, first.total, last) is not None:
        return ""
    read = f"{shown(count.face, near.total.count, near.scale)}, at {shown_time(utc_ms(near), of.site.zone)}"
    what = "does not lead to the next reading" if since else "does not follow from the last reading"
    return f"it {what}, {read}"


def _near(total: Total, count: Count, near: Reading) -> Total:
    """A face that goes round earlier than the register shows only the register's last digits: taken where it can stand
    next to the reading.
    """
    goes_round = int(face_capacity_in_books(count.face, near.scale))
    if goes_round >= near.scale.capacity:
        return total
    past = near.total.count - total.count
    rounds = past // goes_round if count.side is Side.SINCE else -(-(near.total.low - total.high) // goes_round)
    shift = max(0, rounds) * goes_round
    return Total(total.count + shift, total.low + shift, total.high + shift)


def _before(around: Sequence[Interval], at_ms: int) -> Reading | None:
    """The last reading of the meter that hung there until then: where another follows near the moment, before that."""
    step = _step(around, at_ms)
    if step is not None:
        return step[0]
    return next((one.last for one in reversed(around) if one.kind in POSTS and one.end_ms <= at_ms + BY_HAND_MS), None)


def _since(around: Sequence[Interval], at_ms: int) -> Reading | None:
    step = _step(around, at_ms)
    if step is not None:
        return step[1]
    return next((one.first for one in around if one.kind in POSTS and one.begin_ms >= at_ms - BY_HAND_MS), None)


def _step(around: Sequence[Interval], at_ms: int) -> tuple[Reading, Reading] | None:
    """The two readings between which one meter took the place of another, within a person's time of the moment: as the
    ledger has it, or as it has not decided yet.
    """
    steps = [(one.first, one.last) for one in around if one.kind not in POSTS and one.kind not in NOTES]
    good = next((one.last for one in reversed(around) if one.kind in POSTS), None)
    waits = next((one.first for one in around if one.kind is Kind.UNDECIDED), None)
    if good is not None and waits is not None:
        steps.append((good, waits))
    near = (one for one in steps if utc_ms(one[0]) - BY_HAND_MS <= at_ms <= utc_ms(one[1]) + BY_HAND_MS)
    return next(near, None)

"""Questions that a point's ledger puts to a person, and whether an answer answers one. Reads only.

An answer where nobody asked would spoil the books: a reset that no reading shows ends a meter's count in the midst of
its readings, and rounds that were settled otherwise stand on record for nothing.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import NOTES, Flag, Interval, Kind, utc_ms
from tallywell.ledger.judge import allowed
from tallywell.readings.quantities import Answer, Reading
from tallywell.reports.face import Face, face_capacity_in_books, in_books
from tallywell.service.following import followed
from tallywell.service.held_against import standing_but
from tallywell.service.ledger_facts import reach_of, rules_of
from tallywell.service.local_time import shown
from tallywell.service.site import Point
from tallywell.stated.content import EntryError
from tallywell.stated.meters import answer
from tallywell.store.query import Reader

NEAR_MS = 400 * 86_400_000  # how far around a moment open questions are looked for
# What is no question, and where the report asks all the same whether the total was set back.
_FELL = frozenset({Kind.RESET, Kind.UNEXPLAINED_DECREASE, Kind.IMPOSSIBLE_STEP})


@dataclass(frozen=True, slots=True)
class Given:
    """`rounds`, or (None) a reset to `first` of the face, about an instant."""

    about_ms: int
    rounds: int | None
    first: int | None = None


@dataclass(frozen=True, slots=True)
class Ledger:
    """A point and where its answers are looked for. `file`: the site file as typed, for the commands that are told."""

    reader: Reader
    point: Point
    face: Face
    zone: ZoneInfo
    file: str

    def around(self, begin_ms: int, end_ms: int, replaces: str | None = None) -> Iterator[Interval]:
        reach = reach_of(self.reader, begin_ms, end_ms)
        return followed(self.reader, self.point, standing_but(self.reader, replaces), reach).intervals


def answers(of: Ledger, given: Given, replaces: str | None = None) -> None:
    """EntryError where no open question is answered by it, with those that are open."""
    here = [
        one
        for one in of.around(given.about_ms - BY_HAND_MS, given.about_ms + BY_HAND_MS, replaces)
        if one.kind not in NOTES
    ]
    question = next((one for one in here if one.kind is Kind.QUESTION and _holds(one, given.about_ms)), None)
    if question is None and given.rounds is None:
        question = next((one for one in here if one.kind in _FELL and _near(one, given.about_ms)), None)
        if question is not None:
            _not_twice(of, question, replaces)
        if question is None and (not here or here[-1].end_ms < given.about_ms):
            return  # no reading stands behind it yet, so that none can speak against it
    if question is None:
        raise EntryError("\n".join(_no_question(of, here, given)))
    wrong = _impossible_rounds(of, question, given) if given.rounds is not None else _no_reset(of, question, given)
    if wrong:
        flag = "--reset" if given.rounds is None else "--rounds"
        raise EntryError(f"{flag}: {wrong}")


def _not_twice(of: Ledger, one: Interval, replaces: str | None) -> None:
    said = next(
        (each for each in _answered(of, replaces) if each.rollovers is None and _near(one, each.about_ms)), None
    )
    if said is not None:
        name, author = said.uuid[:8], said.author
        why = f"that the total was set back {_span(of, one)} is the answer {name} of {author} already"
        again = f"if that is wrong, answer with --replaces {name} --correcting"
        raise EntryError(f"--at: {why}; {again}")


def _holds(one: Interval, at_ms: int) -> bool:
    """As the ledger takes an answer."""
    return one.begin_ms < at_ms <= one.end_ms


def _near(one: Interval, at_ms: int) -> bool:
    return one.begin_ms - BY_HAND_MS <= at_ms <= one.end_ms + BY_HAND_MS


# --- no question


def _no_question(of: Ledger, here: Sequence[Interval], given: Given) -> Iterator[str]:
    at = shown(given.about_ms, of.zone)
    held = next((one for one in here if _holds(one, given.about_ms)), None)
    if held is not None and Flag.SETTLED in held.flags:
        yield f"--at: the question around {at} is settled already, {_by_what(of, held)}"
    else:
        why = "no readings enclose it" if held is None else f"{_span(of, held)} is {held.kind.value}"
        yield f"--at: no question is open at {of.point.name} at {at}: {why}"
    yield from open_ones(of, given.about_ms)
    if given.rounds is None:
        yield (
            "a reset that no reading shows ends the meter's count there; if you know of one, with the counts before "
            "and after it, enter `tallywell changeout` with the same serial number"
        )


def _by_what(of: Ledger, held: Interval) -> str:
    """The answer that settled it, or what the record shows."""
    for one in _answered(of):
        if one.rollovers is not None and _holds(held, one.about_ms) and one.rollovers == held.rollovers:
            by = f"by the answer {one.uuid[:8]} of {one.author}: {_rounds(held)}"
            return f"{by}; if that is wrong, answer with --replaces {one.uuid[:8]} --correcting"
    by = "a hand reading or the flow rate" if held.hand else "the flow rate"
    return f"by {by}: {_rounds(held)}; there is nothing to answer"


def _rounds(held: Interval) -> str:
    return "1 round" if held.rollovers == 1 else f"{held.rollovers} rounds"


def _answered(of: Ledger, replaces: str | None = None) -> Iterator[Answer]:
    """The answers in force at the point; one that cannot be read is none."""
    point_id = of.reader.point_id(of.point.name)
    for entry in standing_but(of.reader, replaces):
        if entry.kind == "settle" and entry.point == point_id:
            with suppress(EntryError):
                yield answer(entry)


def open_ones(of: Ledger, at_ms: int) -> Iterator[str]:
    """The open ones around a moment, falls that nobody explained among them, each with the commands that answer it."""
    resets = [one.about_ms for one in _answered(of) if one.rollovers is None]
    asking = [
        one
        for one in of.around(at_ms - NEAR_MS, at_ms + NEAR_MS)
        if one.kind is Kind.QUESTION or (one.kind in _FELL and not any(_near(one, at) for at in resets))
    ]
    if not asking:
        yield f"no question of {of.point.name} is open near it"
        return
    yield f"open questions of {of.point.name}:"
    for one in asking:
        counts = f"from {one.opening:,} to {one.last.total.count:,} counts"
        yield f"  {_span(of, one)}, {counts}"
        for flag in _ways(of, one):
            yield f"    tallywell settle {of.file} {of.point.name} --at {_inside(of, one)} {flag}"


def _ways(of: Ledger, one: Interval) -> list[str]:
    if one.kind in _FELL:
        return ["--reset"]
    ways = [f"--rounds {rounds}" for rounds in _possible(of, one)[:5]]
    return [*ways, "--reset"] if Flag.RESET_FITS in one.flags else ways


def _inside(of: Ledger, one: Interval) -> str:
    """A whole minute inside, as it can be typed."""
    minute = (one.end_ms // 60_000) * 60_000
    at_ms = minute if _holds(one, minute) else one.end_ms
    text = shown(at_ms, of.zone)
    return f'"{text[:16] if at_ms == minute else text[:19]}{text[20:]}"'


def _span(of: Ledger, one: Interval) -> str:
    return f"from {shown(one.begin_ms, of.zone)} to {shown(one.end_ms, of.zone)}"


# --- a question, and an answer that cannot be


def _possible(of: Ledger, one: Interval) -> list[int]:
    """The rounds that the pipe can have passed. A net total goes both ways, so that no number of them settles it."""
    if rules_of(of.point).net:
        return []
    room, capacity = _room(of, one), one.last.scale.capacity
    least = one.last.total.count - one.opening
    first = 0 if least >= 0 else 1
    return [rounds for rounds in range(first, first + room // capacity + 2) if least + rounds * capacity <= room]


def _room(of: Ledger, one: Interval) -> int:
    return allowed(rules_of(of.point), one.first, one.last)


def _impossible_rounds(of: Ledger, one: Interval, given: Given) -> str:
    assert given.rounds is not None
    possible = _possible(of, one)
    if given.rounds in possible:
        return ""
    counts = one.last.total.count - one.opening + given.rounds * one.last.scale.capacity
    fit = ", ".join(map(str, possible)) or "none"
    if rules_of(of.point).net:
        why = "a net total goes both ways, so that rounds settle nothing"
    elif counts < 0:
        why = f"the total fell {_span(of, one)}, so that it went round at least once, or was reset"
    else:
        why = (
            f"{given.rounds} rounds are {counts:,} counts {_span(of, one)}, and the pipe can pass {_room(of, one):,} "
            "in that time at most"
        )
    return f"{why}; rounds that fit: {fit}"


def _no_reset(of: Ledger, one: Interval, given: Given) -> str:
    scale = one.last.scale
    first = in_books(of.face, given.first or 0, scale)
    room = _room(of, one)
    goes_round = face_capacity_in_books(of.face, scale)
    ran = one.last.total.high - first.low
    if goes_round < scale.capacity:
        return ""
    if first.low > one.last.total.high or ran - (first.high - first.low) > room:
        return (
            f"a reset to {given.first or 0} does not lead to the next reading, {_count(one.last)} at "
            f"{shown(utc_ms(one.last), of.zone)}: the pipe can pass {room:,} counts {_span(of, one)} at most"
        )
    return ""


def _count(reading: Reading) -> str:
    return f"{reading.total.count:,} counts"

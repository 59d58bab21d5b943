"""Hand readings beside the register: what a person read from the face, and what the readings around it say.

The difference is that of the two numbers printed, in steps of the face's last digit. Whether they agree is another
matter: between two readings nobody knows the register, so a face agrees that lies between them, or within one step of
the face and of the register of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from tallywell.ledger.cut import bounds_at
from tallywell.ledger.intervals import POSTS, Flag, Interval, Kind, utc_ms
from tallywell.ledger.judge import SEASON_BOOT
from tallywell.readings.quantities import HandReading
from tallywell.reports.counts import capacity_between, reading_seen
from tallywell.reports.dates import DAY_MS
from tallywell.reports.face import Face, face_count, shown
from tallywell.reports.model import Beside, Seen, VisitLine

# A month's end is read by whoever comes by on the first of the next, and its beginning maybe the evening before.
AROUND_MS = DAY_MS
_OPEN = frozenset({Flag.SEVERAL_ROUNDS, Flag.RESET_FITS})


@dataclass(frozen=True, slots=True)
class Visit:
    """The face as entered; `reading` None: it could not be taken, `fault` says why. `when`: empty for a visit, else "at
    the shutdown" or "at the startup".
    """

    utc_ms: int
    shows: str
    author: str
    note: str
    reading: HandReading | None
    fault: str = ""
    agency: bool = False
    when: str = ""


class HandReadings:
    """Those of a period, and of a day around it, while the intervals pass by."""

    __slots__ = ("_around", "_chain", "_face", "_visits", "_waiting")

    def __init__(self, visits: Iterable[Visit], face: Face, begin_ms: int, end_ms: int) -> None:
        self._visits = [one for one in visits if begin_ms - AROUND_MS <= one.utc_ms < end_ms + AROUND_MS]
        self._face = face
        self._waiting = sorted({one.utc_ms for one in self._visits})
        self._around: dict[int, _Chain] = {}
        self._chain: _Chain | None = None

    def take(self, one: Interval) -> None:
        if self._waiting and one.kind in POSTS:
            goes_on = self._chain is not None and one.first.when.boot == SEASON_BOOT
            self._chain = self._chain.then(one) if goes_on and self._chain is not None else _Chain(one, one)
            for moment in [each for each in self._waiting if self._chain.holds(each)]:
                self._around[moment] = self._chain
                self._waiting.remove(moment)

    def close(self) -> tuple[VisitLine, ...]:
        return tuple(map(self._line, self._visits))

    def _line(self, visit: Visit) -> VisitLine:
        around, beside = self._around.get(visit.utc_ms), None
        digits = visit.shows
        if visit.reading is not None:
            number = face_count(self._face, visit.shows)
            digits = f"{number:0{self._face.digits}d}"
            beside = None if around is None else around.compared(visit.utc_ms, number, self._face)
        said = visit.note, visit.fault, visit.agency, visit.when
        return VisitLine(visit.utc_ms, digits, visit.shows, visit.author, beside, *said)


@dataclass(frozen=True, slots=True)
class _Chain:
    """From one reading to the next; what the face showed at the ends of a season is no reading, and lies inside."""

    begun: Interval
    ended: Interval
    rollovers: int = 0
    open: bool = False

    def then(self, one: Interval) -> "_Chain":
        return _Chain(self.begun, one, self.rollovers + self.ended.rollovers, self.open or _is_open(self.ended))

    def holds(self, moment_ms: int) -> bool:
        begin, end = self.begun.begin_ms, self.ended.end_ms
        whole = self.begun.first.when.boot != SEASON_BOOT != self.ended.last.when.boot
        return whole and begin < end and begin <= moment_ms <= end

    def compared(self, moment_ms: int, number: int, face: Face) -> Beside:
        first, last = self.begun.first, self.ended.last
        register, divided = self._register(moment_ms, face)
        between, within_step = self._lies(number, face)
        counts = self.ended.closing + self._past() - self.begun.opening
        near = abs(counts) * first.scale.one_count_m3 // face.one_count.si + 2
        return Beside(
            register=register,
            divided=divided,
            before=reading_seen(first, face),
            after=reading_seen(last, face),
            more=_difference(number, int(register.face), face.capacity, near),
            agrees=None if self.open or _is_open(self.ended) else between or within_step,
            between=between,
        )

    def _register(self, moment_ms: int, face: Face) -> tuple[Seen, bool]:
        """At the moment, divided by time; where nothing divides it, as it was read next to the moment."""
        one, first, last = self.begun, self.begun.first, self.ended.last
        stands = {utc_ms(first): first, utc_ms(last): last}.get(moment_ms)
        if stands is not None:
            return reading_seen(stands, face), False
        if one is not self.ended or not one.divides:
            nearest = first if moment_ms - utc_ms(first) <= utc_ms(last) - moment_ms else last
            return reading_seen(nearest, face), False
        count = bounds_at(one, moment_ms)[0] % capacity_between(first, last)
        return Seen(moment_ms, count, shown(face, count, one.scale)), True

    def _lies(self, number: int, face: Face) -> tuple[bool, bool]:
        """Whether the face lies between the readings, as they show on it, and whether within a step of the face or of
        the register of them; it may have gone round.
        """
        one, past = self.begun.scale.one_count_m3 / face.one_count.si, self._past()
        first, last = self.begun.first.total, self.ended.last.total
        low = floor(min(first.low, last.low + past) * one)
        high = ceil((max(first.high, last.high + past) + 1) * one) - 1
        step = max(1, ceil(one))
        shown_as = number + round(Fraction((low + high) // 2 - number, face.capacity)) * face.capacity
        return low <= shown_as <= high, low - step <= shown_as <= high + step

    def _past(self) -> int:
        return (self.rollovers + self.ended.rollovers) * self.ended.scale.capacity


def _is_open(one: Interval) -> bool:
    return one.kind is Kind.QUESTION or bool(one.flags & _OPEN)


def _difference(face: int, register: int, capacity: int, near: int) -> int:
    """Of the two numbers as printed; across the face's rollover only where one of them is just behind it."""
    plain = face - register
    wrapped = plain - capacity if plain > 0 else plain + capacity
    return wrapped if abs(wrapped) <= max(capacity // 100, near) and abs(wrapped) < abs(plain) else plain

"""One point's ledger over a stretch of the record, with all that was stated of it: the same for reports and for a look
at one moment. Reads only.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from tallywell.ledger.agreement import agreement
from tallywell.ledger.fold import begin, fold
from tallywell.ledger.intervals import Interval
from tallywell.ledger.segments import changes_of
from tallywell.readings.facts import Entry
from tallywell.readings.quantities import HandReading, Installed, LedgerFact, Reading
from tallywell.registers.factors import farthest
from tallywell.registers.quantity import Quantity, RegisterMap
from tallywell.reports.face import Face
from tallywell.service.ledger_facts import Decoder, Reach, Stream, plan_on_record, reach_of, rules_of
from tallywell.service.run_past import run_past
from tallywell.service.settings_noted import serials_read
from tallywell.service.site import Point
from tallywell.stated.content import EntryError
from tallywell.stated.rereads import Reread, reread
from tallywell.stated.told import Of, Told, told
from tallywell.store.query import Reader


def decoder_of(reader: Reader, point: Point, standing: Sequence[Entry]) -> Decoder:
    """With the corrected maps that stand for the point; an entry that cannot be read is none."""
    point_id = reader.point_id(point.name)
    of_point = [one for one in standing if one.point == point_id and one.kind == "reread"]
    return Decoder(partial(plan_on_record, reader), point, tuple(filter(None, map(_readable, of_point))))


def _readable(entry: Entry) -> Reread | None:
    try:
        return reread(entry)
    except EntryError:
        return None


Watch = Callable[[Iterable[LedgerFact]], Iterable[LedgerFact]]


@dataclass(frozen=True, slots=True)
class Followed:
    """`intervals` may be walked through once; `stream` and `decoder` then know what served. None: never polled yet.

    `changes`: without those that the readings had run on past before this stretch.
    """

    said: Told
    changes: tuple[Installed, ...]
    decoder: Decoder
    stream: Stream | None
    intervals: Iterator[Interval]


def followed(
    reader: Reader, point: Point, standing: Sequence[Entry], reach: Reach, watch: Watch = lambda facts: facts
) -> Followed:
    """`standing`: the entries in force. `watch` sees the facts of the record as they pass."""
    face, _ = face_of(point)
    point_id, decoder = reader.point_id(point.name), decoder_of(reader, point, standing)
    if point_id is None:
        return Followed(Told(), (), decoder, None, iter(()))
    said = told(standing, Of(point_id, point.name, face, books_of(point).scale))
    changes, rules = _borne_out(reader, point, standing, reach, said), rules_of(point)
    stream = Stream(reader, decoder, point_id, rules, reach, changes)
    state = begin(rules, changes, seasons=said.seasons, settled=tuple(said.settled))
    intervals = agreement(rules, fold(with_hands(watch(stream), said.hands), state))
    return Followed(said, changes, decoder, stream, intervals)


def _borne_out(
    reader: Reader, point: Point, standing: Sequence[Entry], reach: Reach, said: Told
) -> tuple[Installed, ...]:
    """What begins and ends segments, without what the readings ran on past before the stretch."""
    changes, rules = changes_of(said.installed, serials_read(reader, point)), rules_of(point)
    point_id = reader.point_id(point.name)
    assert point_id is not None, "a point that was never polled is not followed"
    begins = next((when.utc_ms for _, when in reader.polls(point_id, reach.first, reach.ceiling)), None)
    if begins is None:
        return changes

    def around(some: Sequence[Installed], begin_ms: int, end_ms: int) -> Iterator[Interval]:
        near = reach_of(reader, begin_ms, end_ms)
        stream = Stream(reader, decoder_of(reader, point, standing), point_id, rules, near, tuple(some))
        return fold(stream, begin(rules, tuple(some), seasons=said.seasons, settled=tuple(said.settled)))

    past = set(run_past(changes, begins, around))
    return tuple(one for one in changes if one not in past)


def reading_before(reader: Reader, point: Point, standing: Sequence[Entry], utc_ms: int) -> int | None:
    """The date of the last good reading at or before an instant; None where the record has none near."""
    reach = reach_of(reader, utc_ms, utc_ms)
    found = followed(reader, point, standing, reach)
    if found.stream is None:
        return None
    for poll, when in reader.polls_back(found.stream.point_id, reach.last + 1, reach.floor):
        fact = found.decoder.fact(poll, when)
        if isinstance(fact, Reading) and fact.when.utc_ms is not None and fact.when.utc_ms <= utc_ms:
            return fact.when.utc_ms
    return None


def face_of(point: Point) -> tuple[Face, bool]:
    """What the point's face shows, and whether the site file or the map says so; else the register's own step stands in
    for it. The site file comes first: what hangs there may be set otherwise than the model usually is.
    """
    if point.display is not None:
        return Face(point.display.one_count, point.display.digits), True
    return face_by_map(point.map, books_of(point))


def face_by_map(register_map: RegisterMap, books: Quantity) -> tuple[Face, bool]:
    """What the face of any meter of this map shows, and whether the map says so."""
    if books.display is not None:
        return Face(books.display.one_count, books.display.digits), True
    assert books.one_count is not None
    return Face(books.one_count, len(str(farthest(register_map, books) - 1))), False


def books_of(point: Point) -> Quantity:
    books = point.map.books
    assert books is not None, "a point without a total has no ledger"
    return books


def with_hands(facts: Iterable[LedgerFact], hands: Sequence[HandReading]) -> Iterator[LedgerFact | HandReading]:
    """Hand readings, each before the first reading dated at or after it; those behind the last reading come last."""
    waiting = sorted(hands, key=lambda hand: (hand.about_ms, hand.uuid))
    for fact in facts:
        if isinstance(fact, Reading) and fact.when.utc_ms is not None:
            while waiting and waiting[0].about_ms <= fact.when.utc_ms:
                yield waiting.pop(0)
        yield fact
    yield from waiting

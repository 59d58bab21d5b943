"""The ledger of each point, followed as the readings come: what does not fit is looked at again, and said.

It decides nothing: a report folds the record by itself. It begins at the last readings on record, so that a meter that
was reset, changed or frozen while the program was not running is noticed at the first poll.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice

from tallywell.ledger.agreement import Agreement
from tallywell.ledger.fold import State, begin, step
from tallywell.ledger.intervals import POSTS, Interval, Kind
from tallywell.ledger.judge import allowed, elapsed_ms
from tallywell.ledger.reach import FITTING, may_begin
from tallywell.readings.clocks import When
from tallywell.readings.facts import Poll
from tallywell.readings.quantities import Missed, Reading
from tallywell.reports.dates import duration
from tallywell.service.following import decoder_of
from tallywell.service.ledger_facts import Decoder, PlanInForce, plan_in_force, rules_of
from tallywell.service.rows import PointKeys
from tallywell.service.site import Point
from tallywell.stated.content import in_force
from tallywell.store.query import Reader

REACH = 300  # polls looked back at when the daemon starts
_DECIDED: Mapping[Kind, str] = {
    Kind.GLITCH: "a reading of {first:,} counts fits none of its neighbours: it is set aside",
    Kind.TORN: "a reading of {first:,} counts was torn inside the meter, words of two instants: it is set aside",
    Kind.UNEXPLAINED_DECREASE: "the total fell from {first:,} to {last:,} counts and goes on from there, which is no "
    "rollover; if the meter was changed or reset, enter `tallywell installation`",
    Kind.RESET: "the total fell from {first:,} to {last:,} counts, near zero, and goes on from there: it was reset, or "
    "another meter is there; if so, enter `tallywell installation`",
    Kind.IMPOSSIBLE_STEP: "the total went from {first:,} to {last:,} counts, more than the pipe can pass, and goes on "
    "from there; if the meter was changed, enter `tallywell installation`",
}
FROZE = (
    "the meter sends the same words to the last bit, a flow rate among them, and its total stands: it seems frozen, "
    "and its readings count as missed until it moves; look at its face"
)
THAWED = "the meter moves again; what its total rose by meanwhile is in the books"
CONTRARY: Mapping[Kind, str] = {
    Kind.FLOW_UNCOUNTED: "the flow rate says that water flows, and the total stands: the meter may not be counting; "
    "look at its face",
    Kind.COUNTED_WITHOUT_FLOW: "the total rises, and the flow rate says that nothing flows: one of them is wrong; look "
    "at its face",
}
AGREE = "flow rate and total agree again"
_ENDED = "following the total failed ({}); it begins anew, and no reading is lost by it"


@dataclass(frozen=True, slots=True)
class Watched:
    """What one more poll shows. `look_again`: a reading waits for others to decide about it. `said`: for the log."""

    look_again: bool = False
    said: tuple[str, ...] = ()


@dataclass(slots=True)
class Watching:
    """One point. `after` takes each poll as it is stored, in order, and raises nothing: no reading is lost by it.

    `before`: the ledger's facts from which it goes on, of the last readings on record. `boot`: the number that their
    dates give the boot that runs now; other numbers are other boots.
    """

    point: Point
    before: Iterable[Reading | Missed] = ()
    boot: int = 0
    _state: State = field(init=False)
    _decoder: Decoder = field(init=False)
    _plans: dict[int, PlanInForce] = field(default_factory=dict)
    _agreement: Agreement = field(init=False)
    _frozen: bool = False  # what was said last
    _contrary: Kind | None = None  # the same of flow rate and total

    def __post_init__(self) -> None:
        self._begin()
        self._decoder = Decoder(self._plans.__getitem__, self.point)
        for fact in self.before:
            self._state, intervals = step(self._state, fact)
            self._follow(intervals)
        self.before = ()

    def _begin(self) -> None:
        """Anew, with nothing known of the meter."""
        rules = rules_of(self.point)
        self._state, self._agreement = begin(rules), Agreement(rules)

    def after(self, poll: Poll, keys: PointKeys) -> Watched:
        try:
            return self._after(poll, keys)
        except Exception as error:  # a bug here must not stop the daemon, which would meet the same row at each start
            self._begin()
            return Watched(said=(_ENDED.format(f"{type(error).__name__}: {error}"),))

    def _after(self, poll: Poll, keys: PointKeys) -> Watched:
        if poll.plan not in self._plans:
            self._plans[poll.plan] = plan_in_force(keys.map, "", keys.reads)
        fact = self._decoder.fact(poll, self._when(poll))
        if fact is None:
            return Watched()
        before = self._state
        self._state, intervals = step(before, fact)
        said = (*self._waits(before), *self._decided(intervals), *self._news(), *self._follow(intervals))
        return Watched(self._waits_newly(before), said)

    def _follow(self, intervals: tuple[Interval, ...]) -> tuple[str, ...]:
        """Whether flow rate and total agree, where that has changed."""
        judged = [one.kind for each in intervals for one in self._agreement.take(each) if one.kind in POSTS]
        if not judged:
            return ()
        was, self._contrary = self._contrary, judged[-1] if judged[-1] in CONTRARY else None
        if was == self._contrary:
            return ()
        return (AGREE if self._contrary is None else CONTRARY[self._contrary],)

    def _when(self, poll: Poll) -> When:
        """The boot clock alone tells how far two readings of one boot are apart. Another boot's are forgotten where
        this one has no date yet.
        """
        good = self._state.good
        if poll.utc_ms is None and good is not None and good.when.boot != self.boot:
            self._begin()
        return When(self.boot, poll.boot_ms, poll.shown_ms if poll.utc_ms is None else poll.utc_ms, 0)

    def _waits_newly(self, before: State) -> bool:
        """Whether a first reading waits. One more look is had for it, and no third: three that fit one another end a
        segment, and what a meter shows for half a minute, as when it has just got power, must not.
        """
        return bool(self._state.waiting) and not before.waiting

    def _waits(self, before: State) -> tuple[str, ...]:
        state = self._state
        if not self._waits_newly(before) or state.good is None:
            return ()
        odd, total = state.waiting[0].reading, state.book.count
        what = f"the total went from {total:,} to {odd.total.count:,} counts"
        if odd.total.count < total:
            what = f"the total fell from {total:,} to {odd.total.count:,} counts, which is no rollover"
        elif (passed_ms := elapsed_ms(state.good, odd)) >= 0:
            most = allowed(state.rules, state.good, odd)
            what += f" in {duration(passed_ms)}, when at most {most:,} can pass"
        return (f"{what}; it is looked at again, and the next readings decide",)

    def _decided(self, intervals: tuple[Interval, ...]) -> tuple[str, ...]:
        return tuple(
            _DECIDED[one.kind].format(first=one.first.total.count, last=one.last.total.count)
            for one in intervals
            if one.kind in _DECIDED
        )

    def _news(self) -> tuple[str, ...]:
        """What lasts, once when it begins and once when it ends."""
        was, self._frozen = self._frozen, self._state.frozen
        return () if was == self._frozen else (FROZE if self._frozen else THAWED,)


def watching(reader: Reader, points: Iterable[Point], boot_id: str) -> dict[str, Watching]:
    """By name, each point from its last readings on record."""
    return {point.name: _from_record(reader, point, boot_id) for point in points}


def _from_record(reader: Reader, point: Point, boot_id: str) -> Watching:
    point_id = reader.point_id(point.name)
    if point_id is None:
        return Watching(point)
    try:
        facts, boot = _last_facts(reader, point, point_id, boot_id)
        return Watching(point, facts, boot)
    except (KeyError, ValueError, AssertionError):  # what cannot be read, a report tells
        return Watching(point)


def _last_facts(reader: Reader, point: Point, point_id: int, boot_id: str) -> tuple[tuple[Reading | Missed, ...], int]:
    """In order, back to readings that fit one another and do not stand; and the number of the present boot."""
    decoder, rules = decoder_of(reader, point, in_force(reader.entries())), rules_of(point)
    found: list[Reading | Missed] = []
    good: tuple[Reading, ...] = ()
    boot, newest = 0, True
    for poll, when in islice(reader.polls_back(point_id, reader.newest_seq() + 1), REACH):
        if newest:
            boot = when.boot if reader.run(poll.run).boot_id == boot_id else when.boot + 1
            newest = False
        undated = when.utc_ms is None and when.boot == boot
        fact = decoder.fact(poll, replace(when, utc_ms=poll.shown_ms) if undated else when)
        if fact is None:
            continue
        found.append(fact)
        if isinstance(fact, Reading):
            good = (fact, *good[: FITTING - 1])
            if may_begin(rules, good):
                break
    return tuple(reversed(found)), boot

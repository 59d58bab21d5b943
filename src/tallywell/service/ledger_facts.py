"""From the rows of the record to what the ledger folds: each poll decoded by the map of its own plan."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import islice

from tallywell.ledger.reach import FITTING, may_begin, settled_by
from tallywell.ledger.rules import READOUT_MS, Rules
from tallywell.readings.clocks import When
from tallywell.readings.exchange import Read
from tallywell.readings.facts import Event, Poll
from tallywell.readings.faults import Fault
from tallywell.readings.quantities import (
    STARTED,
    STOPPED,
    UNCLEAN_END,
    Away,
    Happened,
    Installed,
    LedgerFact,
    Missed,
    Reading,
    Scale,
)
from tallywell.registers.blocks import books_read
from tallywell.registers.decode import Decoded, bringing, decode
from tallywell.registers.quantity import Kind, Meaning, Quantity, RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.registers.tears import tears
from tallywell.service.port_news import BACK, LOST
from tallywell.service.pump_signals import RunSignal, hours_ms, reverse_m3, reverse_total, run_signals
from tallywell.service.site import Point
from tallywell.stated.rereads import Reread, in_force_at
from tallywell.store.query import Reader

BATCH = 512  # polls between two looks at the events
# A point that was silent for longer has no memory: looking further would make its reports slow for ever.
REACH_MS = 400 * 86_400_000
_TOLD = frozenset({"started", "stopped", LOST, BACK, "clock_stepped", "record_refused"})


@dataclass(frozen=True, slots=True)
class PlanInForce:
    """A plan with what the ledger needs of its map: the books' total and the flow rate; a year has many rows.

    `map` None: the stored text is at fault; `books` None: the plan does not ask for that total. `scale` is that of the
    books' total (where another register scales it, each reading has its own), `tears` where it can tear, `flow` the
    name of the flow rate ("" where there is none). `whole`: the map with what the ledger does not need; `run` and
    `reverse`: what else a point's books take from it (see `of_point`).
    """

    map: RegisterMap | None
    map_sha256: str
    reads: tuple[Read, ...]
    books: int | None
    scale: Scale | None
    flow: str
    tears: tuple[int, ...] = ()
    whole: RegisterMap | None = field(default=None, repr=False)
    run: RunSignal | None = None
    reverse: str = ""


@dataclass(slots=True)
class Decoder:
    """Rows -> ledger facts. Each plan is looked up once, by `find` (see `plan_on_record`); those that served are kept.

    `last`: plan, reads that came, words and what they mean: a pump that stands still sends the same for hours.
    `hours`: what the hour meter showed in a poll of its own, for the next reading.
    """

    find: Callable[[int], PlanInForce]
    point: Point
    rereads: tuple[Reread, ...] = ()
    plans: dict[tuple[int, str], PlanInForce] = field(default_factory=dict)
    last: tuple[PlanInForce, int, bytes, Decoded] | None = None
    hours: tuple[When, int] | None = None

    def fact(self, poll: Poll, when: When) -> Reading | Missed | None:
        """A good reading of the books' total, a missed poll, or None for a poll that does not ask for that total."""
        plan = self.plan(poll)
        if plan.map is None:
            return Missed(poll.seq, when, Fault.PLAN_MISMATCH)
        if plan.books is None:
            self._note_hours(poll, when, plan)
            return None
        if not poll.got >> plan.books & 1:
            return Missed(poll.seq, when, poll.fault or Fault.NO_ANSWER, self._flow(poll, plan))
        return self._reading(poll, when, plan, self._decoded(poll, plan))

    def maps_used(self) -> dict[str, str]:
        """sha256 of each map's text that served, with the name that the map gives itself."""
        return {plan.map_sha256: plan.map.name if plan.map else "unreadable map" for plan in self.plans.values()}

    def _reading(self, poll: Poll, when: When, plan: PlanInForce, decoded: Decoded) -> Reading | Missed:
        books, values = decoded.books, decoded.values
        value = values.get(plan.flow)
        flow = None if value is None else value.si
        if books is None or books.total is None or plan.scale is None:
            fault = books.fault if books is not None else None
            return Missed(poll.seq, when, fault or poll.fault or Fault.PLAN_MISMATCH, flow)
        scale, words = books.scale or plan.scale, poll.raw or b""
        running = self._running(flow) if plan.run is None else plan.run.runs(values)
        status = decoded.not_counting, decoded.suspect
        hours = hours_ms(values, self.point.hour_meter)
        beside = self._hours_before(when) if hours is None else hours, reverse_m3(values, plan.reverse)
        return Reading(poll.seq, when, books.total, scale, flow, running, words, plan.tears, *status, *beside)

    def _note_hours(self, poll: Poll, when: When, plan: PlanInForce) -> None:
        """An hour meter that is read in a rhythm of its own comes without the total."""
        if plan.map is not None and self.point.hour_meter in plan.map.quantities and poll.got:
            shown = hours_ms(self._decoded(poll, plan).values, self.point.hour_meter)
            self.hours = None if shown is None else (when, shown)

    def _hours_before(self, when: When) -> int | None:
        """What it showed since the poll before; rows that are read backwards have none."""
        if self.hours is None:
            return None
        (at, shown), self.hours = self.hours, None
        near = at.boot == when.boot and 0 <= when.boot_ms - at.boot_ms <= self.point.every_ms
        return shown if near else None

    def _flow(self, poll: Poll, plan: PlanInForce) -> Fraction | None:
        """The flow rate of a poll whose total did not come."""
        if not poll.got or not plan.flow:
            return None
        value = self._decoded(poll, plan).values.get(plan.flow)
        return None if value is None else value.si

    def _decoded(self, poll: Poll, plan: PlanInForce) -> Decoded:
        last, raw = self.last, poll.raw or b""
        if last is None or last[0] is not plan or last[1:3] != (poll.got, raw):
            assert plan.map is not None
            last = self.last = (plan, poll.got, raw, decode(plan.map, plan.reads, poll.got, raw))
        return last[3]

    def _running(self, flow: Fraction | None) -> bool | None:
        cutoff = self.point.running_above
        return None if flow is None or cutoff is None else flow > cutoff.si

    def plan(self, poll: Poll) -> PlanInForce:
        """The plan of a poll, with the map that a person corrected it to, where one did."""
        corrected = in_force_at(self.rereads, poll.seq) if self.rereads else None
        key = poll.plan, corrected.uuid if corrected else ""
        known = self.plans.get(key)
        if known is None:
            found = self.find(poll.plan)
            if corrected is not None:
                map_, _ = parse_map(corrected.text, "map of a reread")
                found = plan_in_force(map_, corrected.sha256, found.reads)
            known = self.plans[key] = of_point(found, self.point)
        return known


def plan_on_record(reader: Reader, plan_id: int) -> PlanInForce:
    plan = reader.plan(plan_id)
    text = reader.text(plan.map_text)
    map_, _ = parse_map(text.content, "map on record")
    return plan_in_force(map_, text.sha256.hex(), plan.reads)


def plan_in_force(map_: RegisterMap | None, sha256: str, reads: tuple[Read, ...]) -> PlanInForce:
    if map_ is None:
        return PlanInForce(None, sha256, reads, None, None, "")
    flow = next((name for name, quantity in map_.quantities.items() if quantity.kind is Kind.FLOW), "")
    needed = _needed(map_, flow)
    scale = None if map_.books is None else map_.books.scale
    books = books_read(map_, reads) if asks_for_books(map_, reads) else None
    tears_at = () if map_.books is None else tears(map_.books)
    return PlanInForce(replace(map_, quantities=needed), sha256, reads, books, scale, flow, tears_at, map_)


def of_point(plan: PlanInForce, point: Point) -> PlanInForce:
    """With what the site file takes from this map beside the total, as far as the map has it."""
    if plan.map is None or plan.whole is None:
        return plan
    run = run_signals(plan.whole).get(point.pump_running) if point.pump_running else None
    reverse = reverse_total(plan.whole)
    names = [run.quantity if run else "", point.hour_meter or "", reverse.name if reverse else ""]
    own = [plan.whole.quantities[name] for name in names if name in plan.whole.quantities]
    names += [quantity.factor.quantity for quantity in own if quantity.factor]
    kept = {name: q for name, q in plan.whole.quantities.items() if name in plan.map.quantities or name in names}
    return replace(plan, map=replace(plan.map, quantities=kept), run=run, reverse=reverse.name if reverse else "")


def rules_of(point: Point) -> Rules:
    books, refresh_ms = point.map.books, point.map.limits.refresh_ns // 1_000_000
    return Rules(
        point.every_ms,
        point.possible_rate.si,
        readout_ms=max(READOUT_MS, refresh_ms),
        refresh_ms=refresh_ms,
        may_stop_unpowered=point.counts_without_external_power is not True,
        net=books is not None and books.is_net,
        run_signal=point.pump_running is not None,
    )


def asks_for_books(map_: RegisterMap, reads: Sequence[Read]) -> bool:
    """Whether a plan brings the books' total with what multiplies it; another may bring the total alone in passing."""
    own = [q for q in map_.quantities.values() if q.for_the_books]
    factors = [map_.quantities[q.factor.quantity] for q in own if q.factor]
    return bool(own) and all(bringing(map_, reads, q) for q in (*own, *factors))


def _needed(map_: RegisterMap, flow: str) -> dict[str, Quantity]:
    """The books' total, the flow rate, the status that judges them, and what multiplies them."""
    own = {name: q for name, q in map_.quantities.items() if q.for_the_books or name == flow or _judges(q)}
    factors = {q.factor.quantity for q in own.values() if q.factor}
    return own | {name: q for name, q in map_.quantities.items() if name in factors}


def _judges(quantity: Quantity) -> bool:
    """Whether some state of it says that the meter does not count, or is not to be trusted."""
    means = [bit.means for bit in quantity.bits] + [named.means for named in quantity.enumeration]
    return any(one is not Meaning.INFORMATION for one in means)


@dataclass(frozen=True, slots=True)
class Reach:
    """Numbers of the record: the period lies in first..last, and a report looks no further than floor..ceiling.

    `beyond`: as far it reads on in any case, be the period settled before.
    """

    floor: int
    first: int
    last: int
    ceiling: int
    beyond: int = 0


def reach_of(reader: Reader, begin_ms: int, end_ms: int) -> Reach:
    first, last = reader.seq_range(begin_ms, end_ms)
    floor, ceiling = reader.seq_range(begin_ms - REACH_MS, end_ms + REACH_MS)
    return Reach(min(floor, first), first, last, max(ceiling, last))


@dataclass(slots=True)
class Stream:
    """The facts of one point in order of seq, from readings that fit one another before the period to such behind it.

    `settled`: the newest good readings behind the period that fit one another, at most FITTING; fewer at the end: the
    record knows no more.
    """

    reader: Reader
    decoder: Decoder
    point_id: int
    rules: Rules
    reach: Reach
    installed: tuple[Installed, ...] = ()
    settled: tuple[Reading, ...] = ()

    def __iter__(self) -> Iterator[LedgerFact]:
        told = self.start_seq()
        polls = self.reader.polls(self.point_id, told, self.reach.ceiling)
        while batch := list(islice(polls, BATCH)):
            yield from self._with_events(batch, told)
            told = batch[-1][0].seq + 1
            if self._far_enough(batch[-1][0].seq):
                return
        yield from self._events(told, self.reach.last)

    def start_seq(self) -> int:
        """Where a fold has to begin so that it knows where the totalizer stands when the period begins."""
        good: tuple[Reading, ...] = ()
        earliest = self.reach.first
        for poll, when in self.reader.polls_back(self.point_id, self.reach.first, self.reach.floor):
            earliest = poll.seq
            fact = self.decoder.fact(poll, when)
            if isinstance(fact, Reading):
                good = (fact, *good[: FITTING - 1])
                if may_begin(self.rules, good, self.installed):
                    break
        return earliest

    def _with_events(self, batch: list[tuple[Poll, When]], told: int) -> Iterator[LedgerFact]:
        """A batch at a time, so that events are looked for only where polls were read."""
        polls: list[LedgerFact] = [one for poll, when in batch if (one := self.decoder.fact(poll, when)) is not None]
        for fact in sorted([*polls, *self._events(told, batch[-1][0].seq)], key=lambda fact: fact.seq):
            yield fact
            if isinstance(fact, Reading) and fact.seq > self.reach.last and len(self.settled) < FITTING:
                self.settled = settled_by(self.rules, self.settled, fact)
            if self._far_enough(fact.seq):
                return

    def _far_enough(self, seq: int) -> bool:
        return len(self.settled) == FITTING and seq > self.reach.beyond

    def _events(self, first_seq: int, last_seq: int) -> Iterator[Happened]:
        for event, when in self.reader.events(first_seq, last_seq):
            if event.name in _TOLD and self._concerns(event):
                yield Happened(event.seq, when, _name(event), _away(event, when))

    def _concerns(self, event: Event) -> bool:
        line = json.loads(event.content).get("line")
        return line is None or line == self.decoder.point.line


def _away(event: Event, when: When) -> Away | None:
    """How long the line was away, where the event tells of its port."""
    if event.name not in (LOST, BACK):
        return None
    content, at_ms = json.loads(event.content), when.utc_ms
    name = str(content.get("reason", "gone"))
    if event.name == LOST:
        return Away(name, at_ms, None, lasts=True)
    away_ms = int(content.get("away_ms", 0))
    return Away(name, None if at_ms is None else at_ms - away_ms, at_ms, away_ms)


def _name(event: Event) -> str:
    """What happened, as the report words it: a start after an unclean end is named for that end."""
    if event.name == "started":
        return UNCLEAN_END if json.loads(event.content).get("after") == UNCLEAN_END else STARTED
    return STOPPED if event.name == "stopped" else event.name

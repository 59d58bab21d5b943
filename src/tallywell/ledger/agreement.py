"""Whether flow rate and total agree: a stage behind the fold that takes intervals and gives the same ones again.

Only kinds and bounds change, never a posted count. It looks at runs of neighbouring polls, metered, of one boot:

*Flow uncounted*: the flow rate shows forward flow at every reading and the total stands to the count. Water may have
stood still between two polls, and a rate lags behind a stop. So it takes FLOWING_POLLS readings, and the flow rate, at
each interval's lesser end, less what LAG_MS of the greatest would pass, must make the total's step and SURELY counts. A
pump that runs so short a part of the time that a total stands rightly shows flow at so many readings in a row once in
half a million cases. The interval before and the one behind belong to it: the counting stopped or began inside them.

*Counting without flow*: the total surely rises between every two polls and the flow rate is zero at every reading. A
pump may start and stop between two polls, so it takes more water than UNSEEN polls' time of the possible rate: runs of
a pump that add up to so much miss every poll in fewer than e^-8 of cases. (A pump whose starts are tied to the clock
as the polls are does so always; it cannot be told from a dead rate.)

Flow below a twentieth of the possible rate shows nothing either way, since a meter cuts off low flow in its rate and in
its total, not always alike; a `running_above` that was stated stands in its place. The limits are choices (common
practice, no source). Water that runs back is no forward flow.

No more than MOST_POLLS intervals are held back; a run that has proved nothing by then passes, and the next begins. So
nothing is said of a total so coarse that MOST_POLLS of its flow would not move it, nor of one that counts without flow
but not between every two polls.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from enum import Enum
from fractions import Fraction

from tallywell.ledger.intervals import NOTES, OF_SEGMENT, Flag, Interval, Kind
from tallywell.ledger.judge import allowed, elapsed_ms
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import MOST_POLLS
from tallywell.readings.quantities import Reading

SURELY = 8
FLOWING_POLLS = 6
LAG_MS = 60_000  # damping of a flow rate, at most some 30 s
UNSEEN = 8
CUTOFF = 20

_PLAIN = OF_SEGMENT | {Flag.WITHIN_STEP}


class _Contrary(Enum):
    """How two neighbouring readings may speak against one another."""

    UNCOUNTED = Kind.FLOW_UNCOUNTED
    WITHOUT_FLOW = Kind.COUNTED_WITHOUT_FLOW


def decided(rules: Rules, old: Reading, new: Reading) -> bool:
    """Whether no run goes through these two neighbouring readings.

    A stage that begins at `new` then gives the same as one begun at the record's start; and one that ends at `new` has
    given all before `old` for good.
    """
    return _contrary(rules, old, new) is None


def agreement(rules: Rules, intervals: Iterable[Interval]) -> Iterator[Interval]:
    """All intervals in order, with those renamed in which flow rate and total do not agree."""
    stage = Agreement(rules)
    for one in intervals:
        yield from stage.take(one)
    yield from stage.close()


@dataclass(slots=True)
class _Run:
    """Neighbouring intervals that all speak the same way, summed so far; `last`: the newest of them."""

    contrary: _Contrary
    last: Interval
    polls: int = 1
    ms: int = 0
    counts: int = 0
    flowed_m3_ms: Fraction = Fraction(0)  # by the lesser flow rate of each interval, m3/s times ms
    greatest_m3s: Fraction = Fraction(0)
    found: bool = False

    def add(self, one: Interval) -> None:
        ms = elapsed_ms(one.first, one.last)
        self.last, self.polls, self.ms, self.counts = one, self.polls + 1, self.ms + ms, self.counts + one.posted
        flows = one.first.flow_m3s or Fraction(0), one.last.flow_m3s or Fraction(0)
        self.flowed_m3_ms += min(flows) * ms
        self.greatest_m3s = max(self.greatest_m3s, *flows)

    def proves(self, rules: Rules) -> bool:
        """By all of it so far."""
        one_count = self.last.scale.one_count_m3
        if self.contrary is _Contrary.UNCOUNTED:
            surely = self.flowed_m3_ms - self.greatest_m3s * LAG_MS
            return self.polls >= FLOWING_POLLS and surely >= _needed_m3(self.last.last) * 1000
        unseen_ms = UNSEEN * rules.every_ms + Fraction(self.ms, CUTOFF)
        step = _step(self.last.first) + _step(self.last.last)
        return (self.counts - step) * one_count * 1000 > rules.possible_rate_m3s * unseen_ms


@dataclass(slots=True)
class Agreement:
    """`take` gives what is decided by then, in order; `close` gives the rest.

    `held`: what is not decided: a run, with the interval before it and what was noted inside it.
    """

    rules: Rules
    held: list[Interval] = field(default_factory=list)
    run: _Run | None = None

    def take(self, one: Interval) -> tuple[Interval, ...]:
        if one.kind in NOTES:
            return self._noted(one)
        contrary = _contrary(self.rules, one.first, one.last) if _is_plain(one) else None
        if self.run is not None:
            if contrary is self.run.contrary and _follows(self.run.last, one):
                return self._further(self.run, one)
            return self._behind(self.run, one, contrary)
        if contrary is None:
            return self._border(one)
        before = () if contrary is _Contrary.UNCOUNTED and self._leads_to(one) else self._let_go()
        self.run = _Run(contrary, one)
        return before + self._further(self.run, one)

    def close(self) -> tuple[Interval, ...]:
        """What proved nothing to the end of all readings is as it was."""
        self.run = None
        return self._let_go()

    def _noted(self, note: Interval) -> tuple[Interval, ...]:
        if not self.held:
            return (note,)
        self.held.append(note)
        return ()

    def _further(self, run: _Run, one: Interval) -> tuple[Interval, ...]:
        run.add(one)
        self.held.append(one)
        run.found = run.found or run.proves(self.rules)
        if run.found:
            return tuple(_renamed(self.rules, each, run.contrary) for each in self._let_go())
        if run.polls <= MOST_POLLS:
            return ()
        self.run = _Run(run.contrary, one)
        return self._let_go()

    def _behind(self, run: _Run, one: Interval, contrary: _Contrary | None) -> tuple[Interval, ...]:
        """A run has ended before `one`, in which the total may have begun to count again."""
        self.run, before = None, self._let_go()
        shared = run.found and run.contrary is _Contrary.UNCOUNTED and _is_plain(one) and _follows(run.last, one)
        if shared and contrary is None:
            return (*before, _renamed(self.rules, one, run.contrary))
        return before + self.take(one)

    def _border(self, one: Interval) -> tuple[Interval, ...]:
        """An interval of no run; where water flows at its end, the total may have come to stand inside it."""
        before = self._let_go()
        if not (_is_plain(one) and _flows(self.rules, one.last)):
            return (*before, one)
        self.held = [one]
        return before

    def _leads_to(self, one: Interval) -> bool:
        return bool(self.held) and _follows(self.held[0], one)

    def _let_go(self) -> tuple[Interval, ...]:
        passed, self.held = tuple(self.held), []
        return passed


def _follows(before: Interval, one: Interval) -> bool:
    return before.last.seq == one.first.seq and before.segment.id == one.segment.id


def _is_plain(one: Interval) -> bool:
    """Metered between two neighbouring polls, nothing else to be said of it."""
    return one.kind is Kind.METERED and one.flags <= _PLAIN and one.divides


def _renamed(rules: Rules, one: Interval, contrary: _Contrary) -> Interval:
    if one.kind in NOTES:
        return one
    if contrary is _Contrary.UNCOUNTED:
        return replace(one, kind=contrary.value, high=max(one.high, allowed(rules, one.first, one.last)))
    return replace(one, kind=contrary.value, low=min(0, one.low))


def _contrary(rules: Rules, old: Reading, new: Reading) -> _Contrary | None:
    """How two neighbouring readings speak against one another, by themselves; None: they do not, or not surely."""
    if old.flow_m3s is None or new.flow_m3s is None or old.when.boot != new.when.boot:
        return None
    if old.flow_m3s == 0 and new.flow_m3s == 0:
        return _Contrary.WITHOUT_FLOW if new.total.low > old.total.high else None
    if new.total.count != old.total.count or not (_flows(rules, old) and _flows(rules, new)):
        return None
    soon = min(old.flow_m3s, new.flow_m3s) * Fraction(MOST_POLLS * rules.every_ms, 1000)
    return _Contrary.UNCOUNTED if soon >= _needed_m3(new) else None


def _flows(rules: Rules, reading: Reading) -> bool:
    """Whether it shows forward flow that no cutoff explains away."""
    flow = reading.flow_m3s
    if flow is None or flow <= 0 or reading.running is False:
        return False
    stated = reading.running is True and not rules.run_signal
    return stated or CUTOFF * flow > rules.possible_rate_m3s


def _needed_m3(reading: Reading) -> Fraction:
    return (SURELY + _step(reading)) * reading.scale.one_count_m3


def _step(reading: Reading) -> int:
    return reading.total.high - reading.total.low

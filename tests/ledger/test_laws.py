"""What holds for every record. The worlds are made here, from a rate of flow; nothing of the ledger makes them."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tallywell.ledger.fold import begin, fit_together, fold, step
from tallywell.ledger.intervals import NOTES, Flag, Interval, Kind
from tallywell.ledger.rates import hours_pumped
from tallywell.ledger.reach import may_begin
from tallywell.ledger.rules import Rules
from tallywell.ledger.sums import add_up
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Happened, Installed, LedgerFact, Missed, Reading, Scale
from tallywell.readings.total import Total

START_MS = 1_782_864_000_000
MINUTE_MS = 60_000
EVERY_MS = 15 * MINUTE_MS
ONE_COUNT = Fraction(1, 100)
POSSIBLE = 1000  # counts a minute
RULES = Rules(EVERY_MS, ONE_COUNT * POSSIBLE / 60)
PROPERTY = settings(max_examples=250, deadline=None)


@dataclass(frozen=True)
class Poll:
    """One poll of a world: how fast it flowed before it, what became of it, and what the meter did before it."""

    rate: int = 0
    late_ms: int = 0
    fate: str = "good"  # or missed, undated, glitch
    before: str = ""  # or reboot, reset
    value: int = 0


@dataclass
class World:
    facts: list[LedgerFact]
    truth: list[Fraction]  # what has flowed in all, fact by fact, in counts


def make(polls: list[Poll], digits: int, start: int, step_of_float: int = 1) -> World:
    """Integrate the flow of each stretch and read it off a face of so many digits."""
    world, flowed, face, now, boot, last = World([], []), Fraction(0), Fraction(start), START_MS, 1, START_MS
    capacity = 10**digits
    for seq, poll in enumerate(polls, start=1):
        now = START_MS + seq * EVERY_MS + poll.late_ms
        more = Fraction(poll.rate * (now - last), MINUTE_MS)
        flowed, face, last = flowed + more, (face + more) % capacity, now
        boot += poll.before == "reboot" or poll.fate == "undated"
        face = Fraction(poll.value % capacity) if poll.before == "reset" else face
        when = When(boot, now - START_MS, None if poll.fate == "undated" else now, 0)
        count = poll.value % (2 * capacity) if poll.fate == "glitch" else int(face) // step_of_float * step_of_float
        world.facts.append(_seen(seq, when, poll, Total(count, count, count + step_of_float - 1), capacity))
        world.truth.append(flowed)
        boot += poll.fate == "undated"
    return world


def _seen(seq: int, when: When, poll: Poll, total: Total, capacity: int) -> LedgerFact:
    if poll.fate == "missed":
        return Missed(seq, when, "no_answer")
    if poll.fate == "happened":
        return Happened(seq, when, "started")
    return Reading(seq, when, total, Scale(ONE_COUNT, capacity))


def poll(fates: list[str], before: list[str]) -> st.SearchStrategy[Poll]:
    return st.builds(
        Poll,
        rate=st.one_of(st.just(0), st.integers(0, POSSIBLE), st.just(POSSIBLE)),
        late_ms=st.integers(0, 30_000),
        fate=st.sampled_from(fates),
        before=st.sampled_from(before),
        value=st.integers(0, 2 * 10**8 - 1),
    )


FORWARD_POLL = poll(["good"] * 6 + ["missed"] * 2 + ["undated", "happened"], [""] * 8 + ["reboot"])
FORWARD = st.lists(FORWARD_POLL, min_size=2, max_size=60)
GOOD = st.lists(poll(["good"], [""]), min_size=1, max_size=5)
EVENT = poll(["good", "missed", "undated", "glitch", "happened"], ["", "reboot", "reset"])
STRETCH = st.builds(lambda good, event: [*good, event], GOOD, EVENT)  # what happens, happens between good polls
ANYTHING = st.lists(STRETCH, min_size=1, max_size=12).map(lambda stretches: [poll for one in stretches for poll in one])


def told(world: World) -> list[Interval]:
    return list(fold(world.facts, begin(RULES)))


def bounds(intervals: list[Interval]) -> tuple[int, int]:
    return sum(one.low for one in intervals), sum(one.high for one in intervals)


@PROPERTY
@given(FORWARD, st.integers(7, 9), st.integers(0, 10**9 - 1), st.sampled_from([1, 1, 8]))
def test_a_meter_that_only_runs_forward_is_metered_in_full(
    polls: list[Poll], digits: int, start: int, grain: int
) -> None:
    """With seven digits or more, an outage of 15 hours leaves no room for a second round."""
    world = make(polls, digits, start % 10**digits, grain)
    intervals = told(world)
    assume(intervals)
    first, last = intervals[0].first, intervals[-1].last
    truth = world.truth[last.seq - 1] - world.truth[first.seq - 1]
    posted = sum(one.posted for one in intervals)
    assert {one.kind for one in intervals} <= {Kind.METERED, Kind.ACROSS_GAP, Kind.QUESTION}
    assert abs(posted - truth) < grain + 1
    dated = [fact for fact in world.facts if isinstance(fact, Reading) and fact.when.utc_ms is not None]
    assert [one.last.seq for one in intervals] == [fact.seq for fact in dated[1:]]


@PROPERTY
@given(FORWARD, st.integers(4, 6), st.integers(0, 10**6 - 1))
def test_a_register_too_small_for_its_outages_keeps_the_truth_in_its_bounds(
    polls: list[Poll], digits: int, start: int
) -> None:
    world = make(polls, digits, start % 10**digits)
    for one in told(world):
        truth = world.truth[one.last.seq - 1] - world.truth[one.first.seq - 1]
        assert one.low - 1 < truth < one.high + 1
        assert one.kind is Kind.QUESTION or abs(one.posted - truth) < 1
        assert one.high - one.low <= POSSIBLE * (one.end_ms - one.begin_ms + 5000) // MINUTE_MS + 1


@PROPERTY
@given(FORWARD, st.integers(0, 10**8 - 1), st.integers(4, 50), st.integers(0, 10**8 - 1))
def test_one_wrong_value_among_good_ones_changes_no_volume(
    polls: list[Poll], start: int, place: int, value: int
) -> None:
    """Whatever the value, with three good polls on each side. (Near the possible rate it may cost certainty.)"""
    calm = [Poll(rate=min(poll.rate, 300), late_ms=poll.late_ms) for poll in polls]
    polls = [*calm, *[Poll(rate=100)] * 4]
    place = min(place, len(polls) - 4)
    assume(place >= 3)
    polls[place] = Poll(rate=polls[place].rate, fate="glitch", value=value)
    world = make(polls, 8, start)
    intervals = told(world)
    assert sum(one.posted for one in intervals) == int(world.truth[-1]) - int(world.truth[0])
    assert all(one.kind in {Kind.METERED, Kind.ACROSS_GAP, Kind.GLITCH} for one in intervals)


@PROPERTY
@given(ANYTHING, st.integers(4, 8), st.integers(0, 10**8 - 1), st.sampled_from([1, 1, 8]))
def test_the_books_balance_segment_by_segment(polls: list[Poll], digits: int, start: int, grain: int) -> None:
    segments: dict[str, list[Interval]] = defaultdict(list)
    intervals = told(make(polls, digits, start % 10**digits, grain))
    for one in intervals:
        assert 0 <= one.low <= one.high
        assert one.posted >= 0
        assert one.kind in NOTES or one.low <= one.posted <= one.high or one.posted == 0
        if one.kind not in NOTES:
            segments[one.segment.id].append(one)
    for chain in segments.values():
        assert all(old.closing == new.opening and old.last is new.first for old, new in pairwise(chain))
        rounds = sum(one.rollovers for one in chain) * 10**digits
        assert chain[-1].closing - chain[0].opening + rounds == sum(one.posted for one in chain)


@PROPERTY
@given(ANYTHING, st.integers(4, 8), st.integers(0, 10**8 - 1))
def test_every_reading_is_accounted_for_once(polls: list[Poll], digits: int, start: int) -> None:
    world = make(polls, digits, start % 10**digits)
    intervals = told(world)
    dated = [fact.seq for fact in world.facts if isinstance(fact, Reading) and fact.when.utc_ms is not None]
    assert sorted(one.last.seq for one in intervals) == dated[1:]
    missed = sum(times for one in intervals for _, times in one.missed)
    assert missed <= sum(isinstance(fact, Missed) for fact in world.facts)


@PROPERTY
@given(ANYTHING, st.integers(5, 8), st.integers(0, 10**8 - 1), st.integers(-500, 1000), st.data())
def test_a_fold_begun_early_enough_equals_the_fold_from_the_beginning(
    polls: list[Poll], digits: int, start: int, minute: int, data: st.DataObject
) -> None:
    entries = (Installed("new", START_MS + minute * MINUTE_MS, 0, "invented"),)
    facts = make(polls, digits, start % 10**digits).facts
    good = [fact for fact in facts if isinstance(fact, Reading) and fact.when.utc_ms is not None]
    sound = [n for n in range(len(good) - 2) if fit_together(RULES, tuple(good[n : n + 3]))]
    starts = [n for n in sound if may_begin(RULES, tuple(good[n : n + 3]), entries) and n + 3 <= sound[-1]]
    assume(starts)
    early = data.draw(st.sampled_from(starts))
    late = data.draw(st.sampled_from([n for n in sound if n >= early + 3]))
    period = (good[early + 2].seq, good[late].seq)
    whole = _inside(fold(facts, begin(RULES, entries)), period)
    part = [fact for fact in facts if good[early].seq <= fact.seq <= good[late + 2].seq]
    assert whole
    assert _inside(fold(part, begin(RULES, entries, whole[0].segment)), period) == whole


def _inside(intervals: Iterable[Interval], period: tuple[int, int]) -> list[Interval]:
    """All between two polls; an installation's first count (seq 0) stands before the poll that follows it."""
    ends = [(one.first.seq or one.last.seq - 1, one.last.seq or one.first.seq + 1, one) for one in intervals]
    return [one for first, last, one in ends if first >= period[0] and last <= period[1]]


@PROPERTY
@given(ANYTHING, st.integers(4, 8), st.lists(st.integers(-5, 1000), min_size=2, max_size=6, unique=True))
def test_the_parts_add_up_to_the_whole(polls: list[Poll], digits: int, minutes: list[int]) -> None:
    intervals = told(make(polls, digits, 0))
    edges = [START_MS + minute * MINUTE_MS + 7 for minute in sorted(minutes)]
    found = add_up(intervals, edges)
    between = sum(one.volume_m3 for one in found.unallocated if one.inside)
    assert sum(part.volume_m3 for part in found.parts) + between == found.whole.volume_m3
    assert sum(part.covered_ms for part in found.parts) == found.whole.covered_ms
    assert sum(part.rollovers for part in found.parts) == found.whole.rollovers
    for part in (*found.parts, found.whole):
        assert 0 <= part.low_m3 <= part.volume_m3 <= part.high_m3
        assert part.known_day_m3 <= part.volume_m3
        assert 0 <= part.covered_ms <= part.expected_ms


@PROPERTY
@given(FORWARD, st.integers(7, 9), st.integers(0, 10**9 - 1), st.tuples(st.floats(0, 1), st.floats(0, 1)))
def test_the_truth_of_any_period_lies_in_its_bounds(
    polls: list[Poll], digits: int, start: int, places: tuple[float, float]
) -> None:
    world = make(polls, digits, start % 10**digits)
    intervals = told(world)
    assume(intervals)
    span = intervals[-1].end_ms - intervals[0].begin_ms
    edges = [intervals[0].begin_ms + int(place * span) for place in sorted(places)]
    assume(edges[0] < edges[1])
    found = add_up(intervals, edges)
    flowed = _true_at(edges[1], polls) - _true_at(edges[0], polls)
    whole = found.whole
    assert whole.low_m3 - ONE_COUNT < flowed * ONE_COUNT < whole.high_m3 + ONE_COUNT
    assert found.begin.count is not None
    assert found.end.count is not None
    law = found.end.count - found.begin.count + whole.rollovers * 10**digits
    assert whole.volume_m3 == law * ONE_COUNT


@PROPERTY
@given(ANYTHING, st.integers(4, 8), st.tuples(st.integers(-5, 1000), st.integers(1, 1000)))
def test_hours_by_the_total_are_those_of_the_rises_and_unsure_at_their_ends(
    polls: list[Poll], digits: int, span: tuple[int, int]
) -> None:
    """Said once more with all intervals at hand; the ledger sees them one at a time."""
    intervals = told(make(polls, digits, 0))
    begin_ms, end_ms = (START_MS + minute * MINUTE_MS for minute in (span[0], sum(span)))
    inside = {n: min(one.end_ms, end_ms) - max(one.begin_ms, begin_ms) for n, one in enumerate(intervals)}
    known = {n for n, one in enumerate(intervals) if one.divides and not one.gap and inside[n] > 0}
    rising = {n: intervals[n] for n in known if intervals[n].posted}
    begun, ended = ({getattr(one, end).seq for one in rising.values()} for end in ("first", "last"))
    unsure = sum(inside[n] for n, one in rising.items() if one.first.seq not in ended or one.last.seq not in begun)
    hours = hours_pumped(intervals, begin_ms, end_ms)
    found = (0, 0) if hours is None else (hours.pumped_ms, hours.error_ms)
    assert found == (sum(inside[n] for n in rising), unsure)


def _true_at(edge: int, polls: list[Poll]) -> Fraction:
    """The flow integrated up to an instant, straight from the rates."""
    flowed, last = Fraction(0), START_MS
    for seq, poll in enumerate(polls, start=1):
        now = START_MS + seq * EVERY_MS + poll.late_ms
        flowed += Fraction(poll.rate * max(0, min(now, edge) - last), MINUTE_MS)
        last = now
    return flowed


@PROPERTY
@given(ANYTHING, st.integers(4, 8))
def test_the_state_stays_small(polls: list[Poll], digits: int) -> None:
    state = begin(RULES)
    for fact in make(polls, digits, 0).facts:
        state, _ = step(state, fact)
        assert len(state.waiting) <= 2
        assert len(state.inside.cause) <= 2


@PROPERTY
@given(ANYTHING, st.integers(0, 800), st.integers(0, 10**6))
def test_an_installation_opens_its_segment_whatever_went_before(polls: list[Poll], minute: int, first: int) -> None:
    entry = Installed("new", START_MS + minute * MINUTE_MS, first, "invented")
    intervals = list(fold(make(polls, 6, 0).facts, begin(RULES, (entry,))))
    by_hand_ms = 15 * MINUTE_MS  # the readings may say that a person's watch was off by so much
    before = [one for one in intervals if one.end_ms < entry.about_ms - by_hand_ms]
    assert all(one.segment.id != "new" for one in before if one.kind is not Kind.CHANGE_OUT)
    late = entry.about_ms + by_hand_ms
    after = [one for one in intervals if one.begin_ms >= late and one.kind not in NOTES]
    opened = [one for one in intervals if one.segment.id == "new" and one.kind not in NOTES]
    after = opened[:1] or after
    if any(Flag.ENTRY_UNFIT in one.flags for one in intervals):  # the readings run on, beside the count entered
        assert not opened
        return
    assert not after or after[0].segment.id == "new"
    stated = not after or after[0].first.seq == 0
    assert not after or after[0].opening == first or (not stated and after[0].opening > first), (
        "else it was read before"
    )

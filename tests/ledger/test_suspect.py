"""Torn and frozen readings: set aside under their own name, and what was counted meanwhile is in the books."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.ledger.fold import Fact, begin, fold, step
from tallywell.ledger.intervals import NOTES, Flag, Interval, Kind
from tallywell.ledger.rules import Rules
from tallywell.ledger.suspect import FROZEN_POLLS, MOST_POLLS, SURELY, is_torn, stands
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Reading, Scale
from tallywell.readings.total import Total

Lines = Callable[..., list[str]]
Intervals = Callable[..., list[Interval]]
WORDS = (65_536,)


# --- torn


@pytest.mark.parametrize("torn", [100_010 - 65_536, 100_010 + 65_536, 100_010 + 2 * 65_536])
def test_a_total_torn_between_its_words(intervals: Intervals, torn: int) -> None:
    """The high word of an earlier instant, or the low one: wrong by 65,536, the span of a word."""
    told = intervals(
        f"""
        00:00 100000
        00:15 {torn}
        00:30 100020
        00:45 100030
    """,
        tears=WORDS,
    )
    assert [(one.kind, one.posted) for one in told] == [(Kind.TORN, 0), (Kind.METERED, 20), (Kind.METERED, 10)]
    assert told[0].first.total == Total.exact(torn)
    assert told[1].flags >= {Flag.GLITCH_INSIDE}


@pytest.mark.parametrize(
    ("odd", "tears"), [(34_475, ()), (40_000, WORDS), (34_400, WORDS), (100_010 + 65_000, WORDS), (34_475, (10_000,))]
)
def test_what_no_span_explains_is_a_glitch(intervals: Intervals, odd: int, tears: tuple[int, ...]) -> None:
    """Of a fraction with 10,000 steps a fall by six and a half of them is none."""
    told = intervals(
        f"""
        00:00 100000
        00:15 {odd}
        00:30 100020
    """,
        tears=tears,
    )
    assert Kind.GLITCH in {one.kind for one in told}
    assert Kind.TORN not in {one.kind for one in told}


def test_a_whole_and_a_fraction_that_falls_by_less_than_one_whole(lines: Lines) -> None:
    """1.9990 m3, then the whole of before the carry and the fraction of after it: 1.0010, then 2.0030."""
    assert lines(
        """
        00:00 19990
        00:15 10010
        00:30 20030
        00:45 20030
    """,
        tears=(10_000,),
    ) == [
        "0:15-0:15 +0 torn [0, 0]",
        "0:00-0:30 +40 metered [40, 40] (glitch set aside inside)",
        "0:30-0:45 +0 metered [0, 0]",
    ]


def test_a_torn_reading_that_fitted_is_found_by_those_after_it(intervals: Intervals) -> None:
    """Too high by a span that the pipe could have passed: three readings that run on from before speak against it."""
    told = intervals(
        """
        00:00 19990
        00:15 29995
        00:30 20010
        00:45 20020
        01:00 20030
    """,
        tears=(10_000,),
    )
    assert sum(one.posted for one in told) == 40
    (note,) = [one for one in told if one.kind in NOTES]
    assert (note.kind, note.first.total.count) == (Kind.TORN, 29_995)


def test_by_chance_it_would_often_fit(intervals: Intervals) -> None:
    """15,000 counts may have passed: a span of 10,000 explains nearly anything, so nothing is called torn by it."""
    assert not is_torn(Total.exact(100_000), reading(1, 5_000, tears=(10_000,)), 15_000)
    assert is_torn(Total.exact(100_000), reading(1, 5_000, tears=(100_000,)), 15_000)


@pytest.mark.parametrize(
    ("book", "odd", "capacity", "torn"),
    [
        (100_900, 100_300, 10**9, True),  # less than one whole: nothing else falls and rises by so little
        (100_900, 99_800, 10**9, False),
        (100_900, 101_950, 10**9, False),
        (900, 300, 10**4, False),  # where a whole is a good part of all there is, chance would do it
    ],
)
def test_a_fall_by_less_than_one_whole_where_much_may_have_flowed(
    book: int, odd: int, capacity: int, torn: bool
) -> None:
    found = replace(reading(1, odd, tears=(1_000,)), scale=Scale(Fraction(1), capacity))
    assert is_torn(Total.exact(book), found, 900) is torn


def reading(minute: int, count: int, flow: int | None = None, tears: tuple[int, ...] = ()) -> Reading:
    """`flow`: counts a minute."""
    ms = minute * 60_000
    flow_m3s = None if flow is None else Fraction(flow, 60)
    words = b"" if flow is None else b"%d %d" % (count, flow)
    return Reading(minute, When(1, ms, ms, 0), Total.exact(count), SCALE, flow_m3s, words=words, tears=tears)


SCALE = Scale(Fraction(1), 10**9)
RULES = Rules(60_000, Fraction(1000, 60))


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.integers(0, 900), min_size=8, max_size=40),
    st.integers(3, 4),
    st.sampled_from([-2, -1, 1, 2]),
    st.integers(70_000, 10**8),
)
def test_one_torn_reading_changes_no_volume_and_has_its_name(
    rates: list[int], place: int, carries: int, start: int
) -> None:
    counts = [start + sum(rates[:number]) for number in range(len(rates))]
    facts = [reading(minute, count, tears=WORDS) for minute, count in enumerate(counts)]
    facts[place] = replace(facts[place], total=Total.exact(counts[place] + carries * 65_536))
    if facts[place].total.count < 0:
        return
    told = list(fold(facts, begin(RULES)))
    assert sum(one.posted for one in told) == counts[-1] - counts[0]
    assert [one.kind for one in told if one.kind in NOTES] == [Kind.TORN]


# --- frozen


def test_a_frozen_meter_is_as_good_as_silent(lines: Lines) -> None:
    """It says 40 counts a minute and goes on answering the same; when it moves, what it counted is in the books."""
    assert lines("""
        00:00 1000 flow 40
        00:15 1600 flow 40
        00:30 2200 flow 40
        00:45 2200 flow 40
        01:00 2200 flow 40
        01:15 2200 flow 40
        01:30 2200 flow 40
        01:45 2200 flow 40
        02:00 2200 flow 40
        02:15 6400 flow 40
        02:30 7000 flow 40
    """) == [
        "0:00-0:15 +600 metered [600, 600]",
        "0:15-0:30 +600 metered [600, 600]",
        "0:30-2:15 +4200 metered across a gap [4200, 4200] (gap) (meter frozen inside)",
        "2:15-2:30 +600 metered [600, 600]",
    ]


def test_the_gap_says_that_it_was_frozen(intervals: Intervals) -> None:
    same = "\n".join(f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45))
    told = intervals(f"{same}\n 01:20 missed no_answer\n 03:00 7000 flow 40")
    assert [(one.kind, one.posted, one.missed) for one in told] == [
        (Kind.ACROSS_GAP, 6000, (("frozen", 11), ("no_answer", 1)))
    ]


def test_while_it_is_frozen_nothing_is_known(intervals: Intervals) -> None:
    same = "\n".join(f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45))
    (note,) = intervals(f"{same}\n 03:00 missed no_answer")
    assert (note.kind, note.posted, note.missed) == (Kind.FROZEN, 0, (("frozen", 11), ("no_answer", 1)))
    assert note.begin_ms == note.end_ms == note.first.when.utc_ms


@pytest.mark.parametrize(
    ("count", "shown"),
    [
        (1000 + 3 * 2400 // 2, "0:00-3:00 +3600 metered across a gap [3600, 3600] (gap) (meter frozen inside)"),
        (1600, "0:00-3:00 +600 question [600, 180084] (gap) (meter frozen inside)"),
    ],
)
def test_a_meter_that_may_not_have_counted_while_it_was_frozen(lines: Lines, count: int, shown: str) -> None:
    """It said 2,400 counts an hour; by half of that or more it may have been less. What the pipe can pass bounds it."""
    same = "\n".join(f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45))
    assert lines(f"{same}\n 03:00 {count} flow 40")[0].replace("question:", "question") == shown


def test_registers_that_are_renewed_seldom_are_not_frozen() -> None:
    """Every ten minutes, polled each minute: for fifty minutes the same words would be needed."""
    counts = [100 * (minute // 10) for minute in range(60)]
    facts = [reading(minute, count, flow=10) for minute, count in enumerate(counts)]
    kinds = {one.kind for one in fold(facts, begin(replace(RULES, refresh_ms=600_000)))}
    assert kinds == {Kind.METERED}
    assert Kind.ACROSS_GAP in {one.kind for one in fold(facts, begin(RULES))}


def test_what_brings_other_registers_beside_is_no_sign_of_life(intervals: Intervals) -> None:
    """Each fourth poll also reads the settings."""
    same = [f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45)]
    (note,) = intervals("\n".join(f"{one} {'x' * (number % 4 == 3)}" for number, one in enumerate(same)))
    assert (note.kind, note.missed) == (Kind.FROZEN, (("frozen", 11),))


def test_few_readings_are_held_back_however_slowly_a_total_moves() -> None:
    """A flow rate that creeps for ever at the same tiny value, and a total that therefore stands for days."""
    state, told = begin(RULES), 0
    for minute in range(2_000):
        creeping = replace(reading(minute, 1000), flow_m3s=Fraction(1, 10**6), words=b"the same")
        state, more = step(state, creeping)
        told += len(more)
    assert told >= 1_998
    assert state.standing is None


def test_the_slowest_that_is_judged() -> None:
    flow = Fraction(SURELY, 60 * MOST_POLLS)
    facts = [replace(reading(minute, 1000), flow_m3s=flow, words=b"the same") for minute in range(MOST_POLLS + 1)]
    assert {one.kind for one in fold(facts[:-1], begin(RULES))} == {Kind.METERED}
    assert [one.kind for one in fold(facts, begin(RULES))] == [Kind.FROZEN]


@pytest.mark.parametrize("polls", range(1, FROZEN_POLLS))
def test_fewer_polls_are_posted_as_they_came(lines: Lines, polls: int) -> None:
    """Slow registers are no frozen meters."""
    same = "\n".join(f"00:{15 + minute} 1000 flow 40" for minute in range(polls))
    told = lines(f"00:00 400 flow 40\n 00:10 1000 flow 40\n {same}\n 01:00 1700 flow 41")
    assert len(told) == polls + 2
    assert told[-1] == f"0:{14 + polls}-1:00 +700 metered [700, 700] (gap)".replace(" metered", " metered across a gap")


@pytest.mark.parametrize("flow", ["flow 0", "flow -40", ""])
def test_a_pump_at_rest_is_not_frozen(lines: Lines, flow: str) -> None:
    """Nor is water that runs back, for which a forward total stands; without a flow rate nobody can tell."""
    same = "\n".join(f"{hour:02}:{minute:02} 1000 {flow}" for hour in range(3) for minute in (0, 15, 30, 45))
    assert len(lines(same)) == 11


def test_a_total_too_coarse_to_have_moved_is_not_frozen(lines: Lines) -> None:
    """One count in ten minutes, polled each minute: the same for ten polls."""
    facts = [reading(minute, 100 + minute // 10) for minute in range(60)]
    coarse = [replace(one, flow_m3s=Fraction(1, 600), words=b"%d" % one.total.count) for one in facts]
    assert len(list(fold(coarse, begin(RULES)))) == 59


def test_a_glitch_while_it_is_frozen(lines: Lines) -> None:
    same = [f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45)]
    same[9] = same[9].replace("1000", "777000")
    assert lines("\n".join(same) + "\n 03:00 7000 flow 40\n 03:15 7600 flow 40") == [
        "2:15-2:15 +0 glitch [0, 0]",
        "0:00-3:00 +6000 metered across a gap [6000, 6000] (gap) (glitch set aside inside) (meter frozen inside)",
        "3:00-3:15 +600 metered [600, 600]",
    ]


def test_a_glitch_as_it_moves_again(lines: Lines) -> None:
    """It fits, and those after it run on from before: the gap is still that of a frozen meter."""
    same = "\n".join(f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45))
    told = lines(f"{same}\n 03:00 170000 flow 40\n 03:15 7600 flow 41\n 03:30 8200 flow 40\n 03:45 8800 flow 41")
    assert told == [
        "3:00-3:00 +0 glitch [0, 0]",
        "0:00-3:15 +6600 metered across a gap [6600, 6600] (gap) (glitch set aside inside) (meter frozen inside)",
        "3:15-3:30 +600 metered [600, 600]",
        "3:30-3:45 +600 metered [600, 600]",
    ]


def test_a_meter_changed_while_it_was_frozen(intervals: Intervals, installed: Callable[..., object]) -> None:
    same = "\n".join(f"{hour:02}:{minute:02} 1000 flow 40" for hour in range(3) for minute in (0, 15, 30, 45))
    told = intervals(f"{same}\n 03:00 20 flow 40\n 03:15 620 flow 40", installed=(installed("new", "02:50", 0),))
    assert told[0].kind is Kind.CHANGE_OUT
    assert told[0].begin_ms < told[0].end_ms
    assert sum(one.posted for one in told if one.segment.id == "new") == 620


STRETCHES = st.lists(
    st.tuples(st.sampled_from(["runs", "rests", "frozen"]), st.integers(1, 12), st.integers(5, 900)),
    min_size=3,
    max_size=8,
)


@st.composite
def worlds(draw: st.DrawFn) -> tuple[list[Reading], list[int]]:
    """A meter that runs forward and may rest, or freeze while it runs, and runs again at last; the truth beside it."""
    truth, shown, minute = 0, (0, 0), 0
    facts: list[Reading] = []
    counts: list[int] = []
    for kind, polls, rate in [*draw(STRETCHES), ("runs", 4, 100)]:
        for number in range(polls):
            minute += 1
            truth += 0 if kind == "rests" else rate
            if kind != "frozen" or not shown[1]:  # a flow rate is never the same to the last bit while water flows
                shown = truth, 0 if kind == "rests" else 1000 * rate + number
            flow = Fraction(shown[1], 60_000)
            facts.append(replace(reading(minute, shown[0]), flow_m3s=flow, words=b"%d %d" % shown))
            counts.append(truth)
    return facts, counts


def sums(facts: Iterable[Fact]) -> list[Interval]:
    return [one for one in fold(facts, begin(RULES)) if one.kind not in NOTES]


@settings(max_examples=400, deadline=None)
@given(worlds())
def test_the_books_balance_over_frozen_stretches(world: tuple[list[Reading], list[int]]) -> None:
    """What is posted is the truth, though no poll of a long stretch said so; each interval begins where the one before
    it ended; each poll is in one of them, posted or as frozen.
    """
    facts, truth = world
    told = sums(facts)
    assert all(before.last == after.first for before, after in pairwise(told))
    if Kind.IMPOSSIBLE_STEP in {one.kind for one in told}:  # it froze for fewer polls than tell, and leapt
        return
    questions = [one for one in told if one.kind is Kind.QUESTION]  # the flow rate when it froze was another one
    assert all(Flag.FROZEN in one.flags and one.low == one.posted < one.high for one in questions)
    assert {one.kind for one in told} <= {Kind.METERED, Kind.ACROSS_GAP, Kind.QUESTION}
    assert all(("frozen" in dict(one.missed)) == (Flag.FROZEN in one.flags) for one in told)
    assert sum(one.posted for one in told) == truth[-1] - truth[0]
    frozen = sum(times for one in told for name, times in one.missed if name == "frozen")
    assert len(told) + frozen == len(facts) - 1


@settings(max_examples=300, deadline=None)
@given(worlds(), st.integers(3, 30))
def test_a_fold_begun_at_readings_that_do_not_stand_is_the_same(
    world: tuple[list[Reading], list[int]], at: int
) -> None:
    facts, _ = world
    whole = sums(facts)
    begun = next(
        (number for number in range(min(at, len(facts) - 3), -1, -1) if plain(facts[number : number + 3])), None
    )
    if begun is None or Kind.IMPOSSIBLE_STEP in {one.kind for one in whole}:
        return
    told = sums(facts[begun:])
    after = facts[begun + 2].when.utc_ms or 0
    strip = [(one.begin_ms, one.end_ms, one.kind, one.posted, one.missed) for one in whole if one.begin_ms >= after]
    assert [(o.begin_ms, o.end_ms, o.kind, o.posted, o.missed) for o in told if o.begin_ms >= after] == strip


def plain(three: list[Reading]) -> bool:
    return not stands(RULES, three[0], three[1])


@settings(max_examples=300, deadline=None)
@given(worlds(), st.integers(1, 30))
def test_a_fold_ended_at_readings_that_move_is_the_same(world: tuple[list[Reading], list[int]], at: int) -> None:
    """Inside, up to the reading `at`."""
    facts, _ = world
    whole = sums(facts)
    ended = next((number for number in range(at + 3, len(facts)) if moves(facts[number - 2 : number + 1])), None)
    if ended is None or Kind.IMPOSSIBLE_STEP in {one.kind for one in whole}:
        return
    told = sums(facts[: ended + 1])
    upto = facts[at].when.utc_ms or 0
    assert [one for one in told if one.begin_ms < upto] == [one for one in whole if one.begin_ms < upto]


def moves(three: list[Reading]) -> bool:
    return not any(stands(RULES, *pair) for pair in pairwise(three))

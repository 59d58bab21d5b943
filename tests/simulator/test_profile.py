"""The truth the demo is held against: exact, monotone, the same for the same seed."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.simulator.profile import HOUR_MS, Piece, Profile, Pump, irrigation

START = 1_772_348_400_000
MONTH_MS = 31 * 24 * HOUR_MS


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    gaps = draw(st.lists(st.integers(1, 10_000), min_size=1, max_size=12))
    starts = [START + sum(gaps[:k]) for k in range(len(gaps))]
    rates = draw(st.lists(st.integers(0, 10**8), min_size=len(gaps), max_size=len(gaps)))
    repeats = draw(st.none() | st.integers(sum(gaps), 3 * sum(gaps)))
    return Profile(tuple(map(Piece, starts, rates)), repeats)


def summed(profile: Profile, t_ms: int) -> Fraction:
    """The same integral by adding millisecond by millisecond: slow, and of another shape."""
    return sum((profile.rate(ms) for ms in range(START, t_ms)), Fraction(0)) / 1000


@given(profiles(), st.integers(0, 2000))
def test_volume_is_the_sum_over_every_millisecond(profile: Profile, after: int) -> None:
    assert profile.volume(START + after) == summed(profile, START + after)


@given(profiles(), st.integers(-5_000, 400_000), st.integers(0, 400_000))
def test_volume_never_falls(profile: Profile, t: int, more: int) -> None:
    assert profile.volume(START + t) <= profile.volume(START + t + more)


@given(profiles(), st.integers(0, 50_000), st.integers(1, 5))
def test_a_round_later_the_same_flow_and_one_round_more(profile: Profile, t: int, rounds: int) -> None:
    if profile.repeats_ms is None:
        return
    later = START + t + rounds * profile.repeats_ms
    assert profile.rate(later) == profile.rate(START + t)
    whole = profile.volume(START + profile.repeats_ms)
    assert profile.volume(later) == profile.volume(START + t) + rounds * whole


@given(profiles(), st.integers(0, 10**6))
def test_reaches_is_the_first_such_millisecond(profile: Profile, thousandths: int) -> None:
    counts = Fraction(thousandths, 1000)
    at = profile.reaches(counts, START, START + 30_000)
    if at is None:
        assert profile.volume(START + 30_000) < counts
    else:
        assert profile.volume(at) >= counts
        assert at == START or profile.volume(at - 1) < counts


def test_a_hand_computed_case() -> None:
    profile = Profile((Piece(START, 1_500_000), Piece(START + 2000, 0), Piece(START + 5000, 250_000)))
    assert profile.volume(START - 1) == 0
    assert profile.volume(START + 1000) == Fraction(3, 2)
    assert profile.volume(START + 4999) == 3
    assert profile.volume(START + 9000) == 4
    assert profile.rate(START + 1999) == Fraction(3, 2)
    assert profile.rate(START + 2000) == 0


@pytest.mark.parametrize(
    ("pieces", "repeats"),
    [
        ((), None),
        ((Piece(5, 1), Piece(5, 2)), None),
        ((Piece(5, -1),), None),
        ((Piece(5, 1), Piece(9, 2)), 4),
    ],
)
def test_what_is_no_profile_is_refused(pieces: tuple[Piece, ...], repeats: int | None) -> None:
    with pytest.raises(ValueError, match=r"profile|totalizer"):
        Profile(pieces, repeats)


@pytest.mark.parametrize("seed", ["1", "2", "3"])
def test_an_irrigation_pump_runs_rests_and_varies(seed: str) -> None:
    print("seed", seed)
    pump = Pump(rate=40_000)
    pieces = irrigation(pump, seed, START, START + MONTH_MS)
    assert pieces == irrigation(pump, seed, START, START + MONTH_MS)
    rates = [piece.rate for piece in pieces]
    assert 500 < len(pieces) < 4000
    assert rates.count(0) >= 5
    assert len(set(rates)) > 100
    assert all(rate == 0 or 33_000 < rate < 47_000 for rate in rates)
    assert pieces != irrigation(pump, seed + "x", START, START + MONTH_MS)

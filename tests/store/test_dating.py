"""Dates from anchors: integers, rounded up where it is an uncertainty."""

from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.clocks import When
from tallywell.readings.facts import Anchor, Entry
from tallywell.store.canonical import canonical
from tallywell.store.dating import Stated, boot_start, in_force, stated, utc_at, when, within_at

ANCHOR = Anchor(seq=5, run=1, boot_ms=10_000, utc_ms=1_700_000_000_000, half_width_ms=40)


def clock(uuid: str, replaces: str | None = None, **content: object) -> Entry:
    said = {"it_is_ms": 1_700_000_000_000, "within_ms": 120_000, "boot_id": "b", "boot_ms": 60_000, **content}
    return Entry(9, uuid, 1, 0, 0, None, "clock", None, "Ada", replaces, canonical(said))


def test_a_row_after_the_anchor_and_one_before_it() -> None:
    assert when(3, 12_000, None, ANCHOR, None) == When(3, 12_000, 1_700_000_002_000, 41)
    assert when(3, 7_000, None, ANCHOR, None) == When(3, 7_000, 1_699_999_997_000, 42)


def test_a_dated_row_keeps_its_date_whatever_the_anchor_says() -> None:
    assert when(3, 12_000, 77, ANCHOR, None) == When(3, 12_000, 77, 41)


def test_500_ppm_is_1_8_seconds_an_hour_and_is_rounded_up() -> None:
    assert within_at(0, 3_600_000) == 1_800
    assert within_at(0, 1) == 1
    assert within_at(0, 0) == 0


@given(st.integers(0, 10**6), st.integers(-(10**12), 10**12))
def test_the_uncertainty_is_never_less_than_the_exact_one(half: int, distance: int) -> None:
    exact_millionths = half * 1_000_000 + abs(distance) * 500
    got = within_at(half, distance)
    assert 0 <= got * 1_000_000 - exact_millionths < 1_000_000


def test_a_persons_word_dates_only_what_has_no_date() -> None:
    said = Stated("b", 60_000, 1_700_000_000_000, 120_000)
    assert when(1, 0, None, None, said) == When(1, 0, 1_699_999_940_000, 120_030)
    assert when(1, 0, 5, None, said).utc_ms == 5
    assert when(1, 0, None, ANCHOR, said).utc_ms == utc_at(ANCHOR, 0) == boot_start(ANCHOR)


def test_without_anything_there_is_no_date() -> None:
    assert when(1, 4, None, None, None) == When(1, 4, None, 0)


def test_a_corrected_word_is_out_and_the_latest_stands() -> None:
    first, second = clock("u1"), clock("u2", replaces="u1", it_is_ms=5)
    assert in_force([first, second])["b"].it_is_ms == 5
    assert in_force([second, first])["b"].it_is_ms == 5
    assert in_force([clock("u1"), clock("u3", it_is_ms=7)])["b"].it_is_ms == 7


def test_a_word_that_lacks_a_part_says_nothing() -> None:
    assert stated(clock("u", boot_ms=None)) is None
    assert stated(clock("u", it_is_ms=True)) is None

"""When the wall clock is believed."""

from tallywell.readings.clocks import Sync
from tallywell.service.anchoring import HOUR_MS, Dating, Instant, look

GOOD, BAD = Sync(True, 20), Sync(False, 0)


def test_no_date_before_the_first_good_synchronisation() -> None:
    seen = look(Dating(1000), Instant(5, 1005), BAD)
    assert not seen.anchor
    assert seen.dating.utc_ms(5) is None


def test_the_first_good_synchronisation_anchors_and_dates_what_follows() -> None:
    seen = look(Dating(1000), Instant(500, 1500), GOOD)
    assert seen.anchor
    assert not seen.stepped_ms
    assert seen.dating.utc_ms(700) == 1700


def test_the_next_anchor_comes_after_an_hour() -> None:
    first = look(Dating(1000), Instant(0, 1000), GOOD).dating
    assert not look(first, Instant(HOUR_MS - 1, HOUR_MS + 999), GOOD).anchor
    assert look(first, Instant(HOUR_MS, HOUR_MS + 1000), GOOD).anchor


def test_a_step_anchors_at_once_and_says_how_far() -> None:
    first = look(Dating(1000), Instant(0, 1000), GOOD).dating
    seen = look(first, Instant(10, 1010 - 3_600_000), GOOD)
    assert seen.stepped_ms == -3_600_000
    assert seen.anchor
    assert seen.dating.utc_ms(20) == 1020 - 3_600_000


def test_a_step_of_a_clock_that_is_not_synchronised_dates_nothing() -> None:
    first = look(Dating(1000), Instant(0, 1000), GOOD).dating
    seen = look(first, Instant(10, 9_999_999), BAD)
    assert seen.stepped_ms
    assert not seen.anchor
    assert seen.dating.utc_ms(20) == 1020


def test_slewing_is_no_step() -> None:
    dating = look(Dating(0), Instant(0, 0), GOOD).dating
    for second in range(1, 3000):
        seen = look(dating, Instant(second * 1000, second * 1000 + second // 2), GOOD)  # 500 ppm
        assert not seen.stepped_ms
        dating = seen.dating


def test_a_step_that_is_vouched_for_a_moment_later_is_anchored_then_and_not_an_hour_later() -> None:
    first = look(Dating(1000), Instant(0, 1000), GOOD).dating
    stepped = look(first, Instant(500, 3_601_500), BAD)
    assert stepped.stepped_ms == 3_600_000
    assert not stepped.anchor
    seen = look(stepped.dating, Instant(1000, 3_602_000), GOOD)
    assert seen.anchor
    assert seen.dating.utc_ms(2000) == 3_603_000

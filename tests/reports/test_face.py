"""The face against the books. Check values name their published source."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.reports.face import Face, face_capacity_in_books, face_count, in_books, shown, shown_within

ACRE_FEET = Face(measure("0.001 acre_foot", "volume"), 8)
GALLONS = Face(measure("100 gal", "volume"), 8)


def scale(one_count: str, digits: int = 8) -> Scale:
    return Scale(measure(one_count, "volume").si, 10**digits)


def test_a_face_that_counts_as_the_register_does_shows_the_count_with_leading_zeros() -> None:
    assert shown(GALLONS, 92545, scale("100 gal")) == "00092545"


def test_a_coarser_face_shows_only_digits_that_have_fully_turned() -> None:
    assert shown(GALLONS, 199, scale("1 gal")) == "00000001"


def test_a_face_goes_round_at_its_own_capacity() -> None:
    assert shown(Face(measure("100 gal", "volume"), 4), 123456, scale("100 gal")) == "3456"


@pytest.mark.parametrize(
    ("face", "total", "one_count", "digits"),
    [
        (GALLONS, Total.exact(92545), "100 gal", "00092545"),
        (GALLONS, Total.exact(199), "1 gal", "00000001"),
        (Face(measure("1 gal", "volume"), 8), Total.exact(925), "100 gal", "00092500 to 00092599"),
        (Face(measure("1 gal", "volume"), 4), Total.exact(199), "100 gal", "9900 to 9999"),
        (Face(measure("1 gal", "volume"), 4), Total(9_998, 9_996, 10_001), "1 gal", "9996 to 0001"),
        (GALLONS, Total(16_777_300, 16_777_299, 16_777_301), "1 gal", "00167772 to 00167773"),
        (GALLONS, Total(16_777_310, 16_777_309, 16_777_311), "1 gal", "00167773"),
    ],
)
def test_what_the_register_leaves_open_is_a_range_of_the_face(
    face: Face, total: Total, one_count: str, digits: str
) -> None:
    assert shown_within(face, total, scale(one_count)) == digits


@given(st.integers(0, 10**6), st.integers(1, 300), st.integers(1, 300))
def test_the_face_is_somewhere_in_that_range(water: int, register_step: int, face_step: int) -> None:
    """Of so much water a register and a face each show what has fully turned."""
    one, face = Scale(Fraction(register_step, 1000), 10**8), Face(measure(f"{face_step} L", "volume"), 9)
    least, _, greatest = shown_within(face, Total.exact(water // register_step), one).partition(" to ")
    assert int(least) <= water // face_step <= int(greatest or least)


# dial 92545 as acre-feet x .001 is 92.545 acre-feet (MVIC, water measurement page)
def test_the_digits_and_the_number_with_its_decimal_point_are_the_same_count() -> None:
    assert face_count(ACRE_FEET, "00092545") == face_count(ACRE_FEET, "92.545") == 92545


def test_commas_between_thousands_are_taken() -> None:
    assert face_count(ACRE_FEET, "00,092,545") == 92545


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("92.5455", "no whole number of the face's last digit (0.001 acre_foot)"),
        ("123456789", "more than the face's 8 digits"),
        ("123456789000000.0", "is a volume, and the face goes to"),
        ("842 gpm", "not what a face shows"),
        ("-5", "not what a face shows"),
        ("", "not what a face shows"),
        ("12,5", "not what a face shows"),
        ("92545,306", "not what a face shows"),
        ("\u0661\u0662", "not what a face shows"),
    ],
)
def test_what_no_face_shows_is_refused_with_what_to_do(text: str, said: str) -> None:
    with pytest.raises(ValueError, match="copy the") as refused:
        face_count(ACRE_FEET, text)
    assert said in str(refused.value)


def test_one_step_of_the_face_lies_between_the_bounds() -> None:
    assert in_books(GALLONS, 7, scale("1 gal")) == Total(700, 700, 800)
    assert in_books(GALLONS, 7, scale("100 gal")) == Total(7, 7, 8)


def test_the_face_s_capacity_in_the_books_counts() -> None:
    assert face_capacity_in_books(Face(measure("100 gal", "volume"), 4), scale("1 gal")) == 1_000_000


@given(
    face=st.sampled_from(["0.001 acre_foot", "100 gal", "1 gal", "0.1 m3"]),
    books=st.sampled_from(["1 gal", "0.001 m3", "100 gal", "1 L"]),
    count=st.integers(0, 10**7),
)
def test_whatever_the_register_holds_the_face_read_back_encloses_it(face: str, books: str, count: int) -> None:
    of, register = Face(measure(face, "volume"), 12), scale(books, 15)
    total = in_books(of, int(shown(of, count, register)), register)
    assert total.low <= count <= total.high
    assert (total.high - total.low) * register.one_count_m3 <= of.one_count.si + 2 * register.one_count_m3
    assert isinstance(face_capacity_in_books(of, register), Fraction)

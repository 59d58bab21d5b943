"""A meter's words at an instant, taken apart with struct and not with the program's own decoding."""

import struct
from fractions import Fraction

import pytest

from tallywell.registers.quantity import RegisterMap
from tallywell.simulator.allowed import Refusal
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.recipes import Rollover, Silent

START = 1_772_348_400_000
HOUR = 3_600_000


def words(answer: bytes | Refusal | None) -> bytes:
    assert isinstance(answer, bytes)
    return answer


def test_flow_and_totals_high_word_first(plain: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, plain, steady, first_count=1000)
    flow, forward, reverse = struct.unpack(">fII", words(meter.answer(4, 0, 6, START + 40_000)))
    assert flow == pytest.approx(0.25 * 100 * 60)  # a quarter of 100 gal a second, in gallons a minute
    assert (forward, reverse) == (1010, 0)


def test_low_word_and_low_byte_first_and_other_units(crossed: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, crossed, steady, first_count=70_000)
    data = words(meter.answer(3, 100, 7, START + 8000))
    flow = struct.unpack("<H", data[:2])[0]
    forward = struct.unpack("<Q", data[2:10])[0]
    low, high = struct.unpack(">HH", data[10:14])
    assert flow == 2500  # 0.25 m3/s in tenths of a litre a second
    assert forward == 70_002
    assert high << 16 | low == int(Fraction(70_002) / (Fraction("1233.48183754752") / 1000))


def test_rest_is_zero_flow_and_a_total_that_stands(plain: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, plain, steady)
    first = words(meter.answer(4, 0, 4, START + HOUR + 1))
    assert first == words(meter.answer(4, 0, 4, START + 2 * HOUR - 1))
    assert struct.unpack(">fI", first) == (0.0, 900)


def test_a_total_goes_round_at_the_capacity(plain: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, plain, steady, first_count=99_999_999)
    assert meter.count(START + 3999) == 99_999_999
    assert meter.count(START + 4000) == 0
    assert struct.unpack(">I", words(meter.answer(4, 2, 2, START + 8000))) == (1,)


@pytest.mark.parametrize("minutes", [0, 7, 59, 61, 150])
def test_the_rollover_recipe_goes_round_with_the_first_count_after_its_instant(
    plain: RegisterMap, steady: Profile, minutes: int
) -> None:
    at = START + minutes * 60_000
    first = Rollover(at).first_count(steady, 10**8)
    meter = Meter(17, plain, steady, first)
    assert meter.count(at) == 99_999_999
    next_ms = steady.reaches(Fraction(int(steady.volume(at)) + 1), at, START + 100 * HOUR)
    assert next_ms is not None
    assert (meter.count(next_ms - 1), meter.count(next_ms)) == (99_999_999, 0)


def test_a_status_word_says_that_all_is_well_unless_told_otherwise(plain: RegisterMap, steady: Profile) -> None:
    assert words(Meter(17, plain, steady).answer(4, 8, 1, START)) == b"\x00\x01"
    assert words(Meter(17, plain, steady, constants={"status": 4}).answer(4, 8, 1, START)) == b"\x00\x04"


def test_unused_registers_between_two_quantities_hold_zero_where_the_map_lets_them_be_read(
    plain: RegisterMap, steady: Profile
) -> None:
    data = words(Meter(17, plain, steady).answer(4, 4, 5, START))
    assert data == bytes(8) + b"\x00\x01"


def test_a_part_of_a_value_can_be_read(plain: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, plain, steady, first_count=0x00ABCDEF)
    whole = words(meter.answer(4, 2, 4, START))
    assert words(meter.answer(4, 3, 1, START)) == whole[2:4] == b"\xcd\xef"
    assert words(meter.answer(4, 3, 3, START)) == whole[2:8]


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        ((4, 9, 1), 2),  # behind the map
        ((4, 8, 2), 2),  # half behind it
        ((4, 0, 21), 3),  # more words than this meter gives at once
        ((4, 0, 0), 3),
        ((3, 0, 2), 1),  # a table that this meter has not
        ((1, 0, 2), 1),
    ],
)
def test_refusals(plain: RegisterMap, steady: Profile, asked: tuple[int, int, int], code: int) -> None:
    """Modbus Application Protocol V1.1b3, section 7: 1 function, 2 address, 3 value."""
    assert Meter(17, plain, steady).answer(*asked, START) == Refusal(code)


def test_unused_registers_are_outside_where_the_map_does_not_say_otherwise(
    crossed: RegisterMap, steady: Profile
) -> None:
    meter = Meter(17, crossed, steady)
    assert meter.answer(3, 99, 2, START) == Refusal(2)
    assert isinstance(meter.answer(3, 100, 7, START), bytes)


def test_a_number_that_its_type_cannot_hold_is_the_meters_own_failure(crossed: RegisterMap) -> None:
    torrent = Profile((Piece(START, 10**9),))  # 1000 m3/s in tenths of a litre does not fit 16 bits
    assert Meter(17, crossed, torrent).answer(3, 100, 1, START + 1) == Refusal(4)


def test_silence_is_half_open_and_the_meter_counts_on(plain: RegisterMap, steady: Profile) -> None:
    meter = Meter(17, plain, steady, silences=(Silent(START + 1000, START + 9000),))
    heard = [meter.answer(4, 2, 2, START + ms) for ms in (999, 1000, 8999, 9000)]
    assert [answer is None for answer in heard] == [False, True, True, False]
    assert struct.unpack(">I", words(heard[3])) == (2,)

"""Simulated meters of every sample map: what they answer, what they refuse, and when they sleep."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tallywell.line.frame import request
from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.registers.blocks import plain_reads, reads
from tallywell.registers.decode import decode
from tallywell.registers.quantity import Direction, Kind, Span, Table
from tallywell.simulator.allowed import Refusal
from tallywell.simulator.field import going_round, invented, resting
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import HOUR_MS, Piece, Profile
from tallywell.simulator.station import Station
from tests.simulator.samples import NAMES, asked, sample, tells

NOW = 1_790_000_000_000
POSSIBLE = Fraction("0.08")  # m3/s
ADDRESS, FUNCTION, VALUE = Refusal(2), Refusal(1), Refusal(3)


def meter(name: str, **more: object) -> Meter:
    found = invented(17, sample(name), POSSIBLE, f"1 {name}")
    return Meter(found.address, found.map, found.profile, **more)  # type: ignore[arg-type] # names of fields


@pytest.mark.parametrize("planned", [reads, plain_reads])
@pytest.mark.parametrize("name", NAMES)
def test_every_planned_read_is_answered_and_says_what_the_meter_shows(name: str, planned: object) -> None:
    assert callable(planned)
    one = meter(name, first_count=4000)
    for utc_ms in range(NOW, NOW + 12 * HOUR_MS, HOUR_MS):
        decoded = asked(one, planned(one.map), utc_ms)
        assert set(decoded.values) == set(one.map.quantities)
        assert [q for q, value in decoded.values.items() if not tells(value, one, utc_ms)] == []
        assert decoded.not_counting == decoded.suspect == frozenset()
        assert all(value.as_expected for value in decoded.values.values())


@pytest.mark.parametrize("name", NAMES)
def test_every_books_total_runs_and_goes_round(name: str) -> None:
    one = going_round(meter(name), NOW + HOUR_MS)
    books = one.map.books
    assert books is not None
    capacity = one.scale(books).capacity
    assert capacity - one.count(NOW + HOUR_MS) <= max(1, capacity // 10**5)
    later = NOW + HOUR_MS + 24 * HOUR_MS
    assert one.count(later) < capacity // 2 or name == "saddle-m"  # 50,000 counts of 100 L do not last for a day
    decoded = asked(one, reads(one.map), later)
    assert tells(decoded.values[books.name], one, later)


@pytest.mark.parametrize("name", NAMES)
def test_a_pump_that_stands_still_lets_every_total_stand(name: str) -> None:
    still = resting(meter(name, first_count=77), NOW)
    first, last = (asked(still, reads(still.map), NOW + k * HOUR_MS) for k in (0, 9))
    assert {n: v.raw for n, v in first.values.items()} == {n: v.raw for n, v in last.values.items()}
    assert all(v.number == 0 for v in first.values.values() if v.about.kind is Kind.FLOW and not v.about.offset)


def test_a_total_of_two_requests_is_taken_while_it_runs_or_told_as_torn() -> None:
    """Ten litres a second, and 150 ms from one request to the next: every 100 s the litres go round, and each third of
    these times or so between the first request and the third.
    """
    one = Meter(17, sample("sluice-r"), Profile((Piece(NOW, 10_000_000),)), first_count=999_000)
    plan = reads(one.map, ["forward_total"])
    taken = torn = 0
    for begin_ms in range(NOW, NOW + HOUR_MS, 1_007):
        raw = b""
        for number, read in enumerate(plan):
            answer = one.answer(read.function, read.register, read.words, begin_ms + 150 * number)
            assert isinstance(answer, bytes)
            raw += answer
        books = decode(one.map, plan, 0b111, raw).books
        assert books is not None
        if books.fault is None:
            assert tells(books, one, begin_ms + 150)
            taken += 1
        else:
            assert books.fault is Fault.TORN
            assert one.count(begin_ms) // 1000 < one.count(begin_ms + 300) // 1000
            torn += 1
    assert taken > 3_500
    assert 5 <= torn <= 36, "of 36 times that the litres go round"


def test_what_is_scaled_by_a_code_is_sent_as_that_code_stands() -> None:
    runs = Profile((Piece(NOW, 10_000_000),))  # 10 L/s are 36 m3/h
    words = {
        code: Meter(17, sample("sluice-r"), runs, constants={"flow_range": code}).answer(3, 4, 2, NOW)
        for code in ("low", "high", 0, 1)
    }
    assert words["low"] == words[0] == bytes.fromhex("0000 4210")  # 36 as binary32 is 42100000
    assert words["high"] == words[1] == bytes.fromhex("6666 4066")  # 3.6 is 40666666


def test_a_meter_of_two_requests_refuses_one_for_all() -> None:
    one = meter("sluice-r")
    assert one.answer(3, 12, 7, NOW) == VALUE
    assert one.answer(3, 20, 3, NOW) == VALUE
    assert one.answer(3, 14, 1, NOW) == ADDRESS
    assert isinstance(one.answer(3, 20, 2, NOW), bytes)


def test_single_bits_come_packed_from_the_bit_that_was_asked_for() -> None:
    """Modbus Application Protocol V1.1b3, 6.1: the lowest bit of the first byte is the first that was asked for."""
    one = meter("wafer-e", constants={"alarms": 0b1000_0010_1001, "outputs": 0b10})
    assert one.answer(2, 0, 12, NOW) == bytes.fromhex("2908")
    assert one.answer(2, 3, 9, NOW) == bytes.fromhex("0501")
    assert one.answer(2, 5, 1, NOW) == b"\x01"
    assert one.answer(1, 16, 2, NOW) == b"\x02"
    assert one.answer(1, 17, 1, NOW) == b"\x01"
    assert one.answer(1, 15, 2, NOW) == ADDRESS
    assert one.answer(2, 0, 13, NOW) == ADDRESS
    assert one.answer(2, 0, 17, NOW) == VALUE  # more bits than it gives at once


def test_a_well_meter_sets_the_bits_whose_clearing_is_a_fault() -> None:
    assert meter("flume-p").answer(2, 32, 10, NOW) == bytes.fromhex("0103")
    assert meter("wafer-e").answer(2, 0, 12, NOW) == bytes.fromhex("0800")


def test_only_exact_reads_are_answered() -> None:
    one = meter("elbow-g")
    assert isinstance(one.answer(4, 0, 10, NOW), bytes)
    assert isinstance(one.answer(3, 100, 12, NOW), bytes)
    for other in ((4, 0, 9), (4, 0, 3), (4, 1, 9), (3, 100, 11), (3, 101, 11), (4, 0, 11)):
        assert one.answer(*other, NOW) == ADDRESS
    assert one.answer(2, 0, 1, NOW) == FUNCTION


def test_words_of_an_exact_read_that_nothing_stands_in_are_zero() -> None:
    words = meter("elbow-g", constants={"serial_number": "G0041", "model": "ELBOW"}).answer(3, 100, 12, NOW)
    assert words == b"ELBOW".ljust(12, b"\0") + b"G0041".ljust(12, b"\0")


def test_one_quantity_at_a_time() -> None:
    one = meter("saddle-m")
    assert all(isinstance(one.answer(3, register, 1, NOW), bytes) for register in (0, 1, 39, 40))
    assert one.answer(3, 0, 2, NOW) == ADDRESS
    assert one.answer(3, 39, 2, NOW) == ADDRESS
    assert isinstance(one.answer(2, 4, 3, NOW), bytes)
    assert one.answer(2, 4, 1, NOW) == ADDRESS


def test_safe_registers_hold_zero_and_barred_ones_are_refused() -> None:
    one = meter("vane-n")
    words = one.answer(4, 4, 6, NOW)
    assert words == bytes(12)
    assert isinstance(one.answer(4, 2, 13, NOW), bytes)
    assert one.answer(4, 0, 2, NOW) == ADDRESS
    assert one.answer(4, 15, 1, NOW) == ADDRESS


def test_a_barred_register_is_refused_though_it_lies_in_passing() -> None:
    found = sample("vane-n")
    one = invented(17, replace(found, do_not_read=(Span(Table.INPUT, 5, 6),)), POSSIBLE, "1")
    assert one.answer(4, 2, 13, NOW) == ADDRESS
    assert one.answer(4, 5, 1, NOW) == ADDRESS
    assert isinstance(one.answer(4, 6, 9, NOW), bytes)


def test_safe_registers_do_not_count_as_passed() -> None:
    """Five of the six between are safe, and one may be passed over."""
    found = sample("vane-n")
    narrow = replace(found, limits=replace(found.limits, padding=1), safe_to_read=(Span(Table.INPUT, 4, 9),))
    assert isinstance(invented(17, narrow, POSSIBLE, "1").answer(4, 2, 10, NOW), bytes)
    assert invented(17, replace(narrow, safe_to_read=()), POSSIBLE, "1").answer(4, 2, 10, NOW) == ADDRESS


def test_a_net_total_through_all_of_its_type_turns_negative() -> None:
    """2,147,483,647 and one more are -2,147,483,648 in 32 bits."""
    profile = Profile((Piece(NOW, 1_000_000),))
    one = Meter(1, sample("strap-d"), profile, first_count=2**31 - 1)
    net = [one.answer(4, 3, 7, NOW + ms) for ms in (999, 1000)]
    assert [words[-4:].hex() for words in net if isinstance(words, bytes)] == ["7fffffff", "80000000"]


def test_a_flow_keeps_within_what_its_scaled_register_can_say() -> None:
    one = invented(17, sample("flume-p"), 1000 * POSSIBLE, "1")  # 65,535 x 10^-4 ft3/s at most
    most = max(piece.rate for piece in one.profile.pieces)
    assert Fraction(5 * 10**6) < most < Fraction("6.5535") * 10**6


def test_a_total_that_scales_itself_goes_round_later() -> None:
    one = going_round(meter("strap-d", constants={"total_exponent": -1}), NOW)
    assert one.count(NOW) == 10**11 - 100
    assert one.count(NOW + HOUR_MS * 12) < 10**10


def test_a_total_that_scales_itself_is_cut_to_its_register() -> None:
    """1,234,567.8 m3 in tenths of a m3; the litres are lost, and it goes round a hundred times later."""
    profile = Profile((Piece(NOW - 1000, 0),))
    one = Meter(1, sample("strap-d"), profile, first_count=1_234_567_899, constants={"total_exponent": -1})
    words = one.answer(4, 3, 3, NOW)
    assert words == (-1).to_bytes(2, "big", signed=True) + (12_345_678).to_bytes(4, "big")
    assert one.count(NOW) == 1_234_567_800
    books = one.map.books
    assert books is not None
    assert one.scale(books).capacity == 10**11


def test_a_factor_that_is_none_is_the_meters_own_failure() -> None:
    assert meter("strap-d", constants={"total_exponent": 31}).answer(4, 0, 10, NOW) == Refusal(4)


def test_a_flow_that_another_register_scales_is_sent_in_its_steps() -> None:
    profile = Profile((Piece(NOW - 1000, 10_000_000),))  # 10 ft3/s
    one = Meter(1, sample("flume-p"), profile, constants={"flow_exponent": -2, "level": Fraction("1.375")})
    assert one.answer(3, 0, 3, NOW) == bytes.fromhex("055f 03e8 fffe")


def test_a_trip_total_was_reset_at_the_beginning_and_a_reverse_total_stands() -> None:
    profile = Profile((Piece(NOW, 1_000_000),))  # ten gallons a second
    one = Meter(1, sample("probe-f"), profile, first_count=5000)
    assert (one.value("forward_total", NOW + 3000), one.value("trip", NOW + 3000)) == (5003, 30)
    backwash = sample("elbow-g").quantities["backwash_total"]
    assert backwash.direction is Direction.REVERSE
    assert meter("elbow-g").value("backwash_total", NOW) == 0


def test_registers_stand_until_they_are_renewed() -> None:
    profile = Profile((Piece(NOW, 1_000_000),))
    one = Meter(1, sample("probe-f"), profile)  # renewed every 2 s
    heard = [one.answer(3, 4, 2, NOW + ms) for ms in (0, 1999, 2000, 3999, 4000)]
    assert heard == [bytes.fromhex(words) for words in ("00000000", "00000000", "00000200", "00000200", "00000400")]


def test_a_meter_sleeps_until_it_is_asked_and_falls_asleep_again() -> None:
    """It may be asked 200 ms after the first request, and for 5 s after the last."""
    station = Station([meter("probe-f")])
    wake, ask = request(17, Read(3, 0, 1)), request(17, Read(3, 2, 7))
    assert station.hear(ask, NOW) == ()
    assert station.hear(ask, NOW + 100) == ()
    assert len(station.hear(ask, NOW + 200)) == 1
    assert len(station.hear(ask, NOW + 5200)) == 1
    assert station.hear(ask, NOW + 10_201) == ()
    assert len(station.hear(ask, NOW + 10_401)) == 1
    assert len(station.hear(wake, NOW + 10_500)) == 1  # awake, it answers, if only with a refusal
    assert station.hear(wake, NOW + 100_000) == ()
    assert len(station.hear(ask, NOW + 100_200)) == 1


def test_each_meter_of_a_line_sleeps_for_itself() -> None:
    one = meter("probe-f")
    station = Station([one, replace(one, address=18)])
    assert station.hear(request(17, Read(3, 2, 7)), NOW) == ()
    assert station.hear(request(18, Read(3, 2, 7)), NOW + 1000) == ()
    assert len(station.hear(request(17, Read(3, 2, 7)), NOW + 1000)) == 1


def test_no_two_meters_of_a_line_have_one_serial_number() -> None:
    one = meter("tee-k")
    other = replace(one, address=18)
    for name in ("serial_number", "sensor_number"):
        assert one.value(name, NOW) != other.value(name, NOW)

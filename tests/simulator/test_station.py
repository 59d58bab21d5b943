"""What a line of meters answers to a frame, byte by byte."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallywell.line.frame import crc_holds, request, with_crc
from tallywell.readings.exchange import Read
from tallywell.registers.quantity import RegisterMap
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Profile
from tallywell.simulator.recipes import Silent
from tallywell.simulator.station import Station

START = 1_772_348_400_000


@pytest.fixture
def station(plain: RegisterMap, crossed: RegisterMap, steady: Profile) -> Station:
    return Station([Meter(17, plain, steady), Meter(18, crossed, steady, first_count=5)], turnaround_ns=2_000_000)


def test_each_meter_answers_for_itself_after_its_turnaround(station: Station) -> None:
    (answer,) = station.hear(request(18, Read(3, 101, 4)), START + 4000)
    assert answer.delay_ns == 2_000_000
    assert answer.frame[:3] == bytes((18, 3, 8))
    assert struct.unpack("<Q", answer.frame[3:11]) == (6,)
    assert crc_holds(answer.frame)
    assert len(answer.frame) == 13
    assert answer.served is not None
    assert (answer.served.utc_ms, answer.served.address, answer.served.register) == (START + 4000, 18, 101)
    assert answer.served.data == answer.frame[3:11]


def test_broken_frames_foreign_addresses_and_broadcasts_are_met_with_silence(station: Station) -> None:
    """Modbus over Serial Line V1.02, 2.2 and 2.5.1."""
    good = request(17, Read(4, 0, 2))
    for k in range(len(good)):
        for bit in range(8):
            assert station.hear(good[:k] + bytes((good[k] ^ 1 << bit,)) + good[k + 1 :], START) == ()
        assert station.hear(good[:k], START) == ()
    assert station.hear(request(19, Read(4, 0, 2)), START) == ()
    assert station.hear(with_crc(bytes((0, 4, 0, 0, 0, 2))), START) == ()
    assert station.hear(good + good, START) == ()


@pytest.mark.parametrize(
    ("content", "reply"),
    [
        (bytes((17, 6, 0, 0, 0, 2)), bytes((17, 0x86, 1))),  # nothing can be written here
        (bytes((17, 16, 0, 0, 0, 1, 2, 0, 0)), bytes((17, 0x90, 1))),
        (bytes((17, 4, 0, 50, 0, 2)), bytes((17, 0x84, 2))),
        (bytes((17, 4, 0, 0, 0, 2, 9)), bytes((17, 0x84, 3))),
    ],
)
def test_refusals_as_frames(station: Station, content: bytes, reply: bytes) -> None:
    """Modbus Application Protocol V1.1b3, section 7: the function with its highest bit set, then the code."""
    (answer,) = station.hear(with_crc(content), START)
    assert answer.frame == with_crc(reply)
    assert answer.served is None


def test_a_silent_meter_leaves_its_neighbour_alone(plain: RegisterMap, crossed: RegisterMap, steady: Profile) -> None:
    station = Station([Meter(17, plain, steady, silences=(Silent(START),)), Meter(18, crossed, steady)])
    assert station.hear(request(17, Read(4, 0, 2)), START + 1) == ()
    assert len(station.hear(request(18, Read(3, 100, 1)), START + 1)) == 1


def test_an_address_is_there_once(plain: RegisterMap, steady: Profile) -> None:
    with pytest.raises(ValueError, match="two meters have the address 17"):
        Station([Meter(17, plain, steady), Meter(17, plain, steady)])


@given(st.binary(max_size=260), st.booleans())
def test_whatever_is_heard_leads_to_silence_or_one_sound_frame(
    plain: RegisterMap, steady: Profile, noise: bytes, signed: bool
) -> None:
    station = Station([Meter(address, plain, steady) for address in (1, 17, 247)])
    for answer in station.hear(with_crc(noise) if signed else noise, START):
        assert crc_holds(answer.frame)
        assert answer.frame[0] == noise[0]

"""What a person states of a change is held against the readings around it before it is entered."""

from collections.abc import Sequence
from pathlib import Path

import pytest

from tallywell.readings.units import measure
from tallywell.reports.face import Face
from tallywell.service.accepted import accepted_site
from tallywell.service.following import face_of
from tallywell.service.held_against import Count, Moment, Side, odd_counts, odd_serial
from tallywell.store.query import Reader
from tests.service.made_record import QUARTER_MS, MadeRecord, at, made_record

FACE = Face(measure("100 gal", "volume"), 8)
SHORT = Face(measure("100 gal", "volume"), 6)


def read(made: MadeRecord, begins: str, ends: str, count: int, step: int = 100) -> int:
    for now in range(at(begins), at(ends), QUARTER_MS):
        made.read(now, forward_total=count)
        count += step
    return count


@pytest.fixture
def made(tmp_path: Path) -> MadeRecord:
    """One meter, 100 counts in each quarter of an hour from midnight, the last reading 6,000 at 15:00."""
    found = made_record(tmp_path, "2026-07-03 00:00")
    found.enter(at("2026-07-03 00:00"), "installation", {"serial": "A-1", "first_count": "00000000", "note": ""})
    read(found, "2026-07-03 00:00", "2026-07-03 15:01", 0)
    return found


def odd(
    made: MadeRecord, when: str, counts: Sequence[Count] = (), serial: str = "", *, taken: bool = False
) -> list[str]:
    made.flush()
    with Reader(made.folder) as reader:
        site = accepted_site(reader).site
        point = site.points["north-discharge"]
        assert face_of(point)[0] == FACE
        moment = Moment(site, point, at(when))
        found = list(odd_counts(reader, moment, counts))
        return [*found, *odd_serial(reader, moment, serial, taken=taken)] if serial else found


def final(shows: str, face: Face = FACE) -> list[Count]:
    return [Count("old_final", shows, face, Side.BEFORE)]


def first(shows: str, face: Face = FACE) -> list[Count]:
    return [Count("first_count", shows, face, Side.SINCE)]


@pytest.mark.parametrize("when", ["2026-07-03 10:00", "2026-07-03 10:05", "2026-07-03 10:14"])
def test_a_count_that_goes_with_the_readings_is_passed_in_silence(made: MadeRecord, when: str) -> None:
    """At 10:00 the register stands at 4,000; a watch may be a quarter of an hour off."""
    for shows in ("00004000", "00004060", "00003950"):
        assert not odd(made, when, final(shows)), shows


def test_a_slip_is_said_with_the_readings_around_it(made: MadeRecord) -> None:
    (said,) = odd(made, "2026-07-03 10:05", final("00004600"))
    assert said.startswith("north-discharge: old final 00004600: register 00004033, divided by time: 567 above it")
    assert "the readings go on there as those of one meter" in said
    (said,) = odd(made, "2026-07-03 10:05", first("00000012"))
    assert "first count 00000012: register 00004033, divided by time: 4,021 below it" in said
    both = [Count("shows", "00003000", FACE, Side.BOTH)]
    (said,) = odd(made, "2026-07-03 10:05", both)
    assert "go on there" not in said, "of one and the same meter that is no news"


def test_behind_the_last_reading_a_count_must_follow_from_it(made: MadeRecord) -> None:
    assert not odd(made, "2026-07-03 15:20", final("00006100"))
    for shows in ("00005900", "00009100"):
        (said,) = odd(made, "2026-07-03 15:20", final(shows))
        assert "does not follow from the last reading, 00006000, at 2026-07-03 15:00:00 -06:00" in said
    assert not odd(made, "2026-07-03 15:20", first("00000012")), "no reading of the new meter is there yet"


@pytest.mark.parametrize("when", ["2026-07-03 14:50", "2026-07-03 15:10", "2026-07-03 15:29"])
@pytest.mark.parametrize("polls", ["2026-07-03 15:40", "2026-07-03 20:00"])
def test_where_another_meter_answers_each_count_is_held_against_its_own(
    made: MadeRecord, when: str, polls: str
) -> None:
    """With two readings of the new one, which the ledger has not decided yet, and with many; by a watch that is off."""
    read(made, "2026-07-03 15:15", polls, 200)
    assert not odd(made, when, [*final("00006030"), *first("00000150")])
    (said,) = odd(made, when, final("00000030"))
    assert "does not follow from the last reading, 00006000" in said
    (said,) = odd(made, when, first("00000300"))
    assert "does not lead to the next reading, 00000200, at 2026-07-03 15:15:00 -06:00" in said


def test_a_face_that_goes_round_earlier_shows_the_last_digits_of_the_register(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-03 00:00")
    read(made, "2026-07-03 00:00", "2026-07-03 15:01", 12_345_000)
    assert not odd(made, "2026-07-03 10:00", final("349000", SHORT))
    assert "DIFFERS" in odd(made, "2026-07-03 10:00", final("348000", SHORT))[0]
    assert not odd(made, "2026-07-03 15:20", final("351100", SHORT))
    assert "does not follow" in odd(made, "2026-07-03 15:20", final("341100", SHORT))[0]


def test_the_meter_that_hangs_there_is_not_put_in_again(made: MadeRecord) -> None:
    (said,) = odd(made, "2026-07-03 10:00", serial="a 1")
    assert said.startswith(
        "north-discharge: serial a 1 hangs there already, since 2026-07-03 00:00:00 -06:00, by entry"
    )
    assert not odd(made, "2026-07-03 10:00", serial="B-2")
    assert not odd(made, "2026-07-02 23:00", serial="A-1"), "it did not hang there yet"


def test_the_meter_that_is_taken_away_is_the_one_that_hangs_there(made: MadeRecord) -> None:
    assert not odd(made, "2026-07-03 10:00", serial="A-1", taken=True)
    (said,) = odd(made, "2026-07-03 10:00", serial="B-2", taken=True)
    assert said.startswith("north-discharge: serial A-1 hangs there, since 2026-07-03 00:00:00 -06:00, by entry")
    assert said.endswith("and not B-2")
    assert not odd(made, "2026-07-02 23:00", serial="B-2", taken=True), "nobody has said which one hung there"


def test_a_point_that_was_never_read_has_nothing_to_hold_it_against(tmp_path: Path) -> None:
    assert not odd(made_record(tmp_path, "2026-07-03 00:00"), "2026-07-03 10:00", final("00000001"), "A-1")

"""Borders that nobody can date, and dates that were wrong: what a report makes of them, and what a person mends."""

from pathlib import Path

from tallywell.ledger.periods import month
from tallywell.readings.units import GALLON
from tallywell.store.query import Reader

from .made_record import QUARTER_MS, MadeRecord, at, made_record

HOUR_MS = 4 * QUARTER_MS


def reads(made: MadeRecord, begin: str, end: str, count: int, rise: int = 7) -> int:
    now = at(begin)
    while now < at(end):
        made.read(now, forward_total=count, flow_rate=46.7)
        count, now = count + rise, now + QUARTER_MS
    return count


def gallons(made: MadeRecord, name: str) -> list[int]:
    volume = made.report(month(name)).points[0].volume
    assert volume is not None
    return [int(one / GALLON) for one in (volume.low_m3, volume.m3, volume.high_m3)]


def test_a_month_end_inside_a_boot_that_was_never_dated_is_unallocated(tmp_path: Path) -> None:
    """The box restarts without network before midnight and has it again after the next start."""
    made = made_record(tmp_path, "2026-06-01 00:00")
    count = reads(made, "2026-06-01 00:00", "2026-06-30 20:00", 1_000)
    made.undated = True
    made.boot(at("2026-06-30 20:00"), "unclean end")
    last = count + 7 * 40
    count = reads(made, "2026-06-30 20:15", "2026-07-01 06:15", count)
    made.undated = False
    made.boot(at("2026-07-01 06:30"), "unclean end")
    reads(made, "2026-07-01 06:30", "2026-08-01 03:00", count)
    june, july = (made.report(month(name)).points[0] for name in ("2026-06", "2026-07"))
    assert june.volume is not None
    assert july.volume is not None
    between = june.unallocated[0].volume.m3
    assert between == july.unallocated[0].volume.m3
    whole = july.end.seen.count - 1_000 if july.end else 0
    assert june.volume.m3 + between + july.volume.m3 == whole * 100 * GALLON
    assert between / GALLON == 100 * 7 * 41, "from the last dated reading before to the first behind"
    assert last > 0
    for point in (june, july):
        assert point.volume is not None
        assert point.volume.high_m3 >= point.volume.m3 + between


def test_a_redate_moves_rows_over_a_border_and_is_uncertain(tmp_path: Path) -> None:
    """Somebody set the clock an hour ahead, and it was believed; the last hour of June was dated July."""
    made = made_record(tmp_path, "2026-06-30 12:00")
    reads(made, "2026-06-30 12:00", "2026-07-01 12:00", 5_000)
    made.flush()
    _, before, _ = gallons(made, "2026-06")
    assert before == 48 * 7 * 100
    with Reader(made.folder) as reader:
        first, last = reader.seq_range(at("2026-06-30 12:00"), at("2026-07-01 12:00"))
    content = {"first_seq": first, "last_seq": last, "shift_ms": -HOUR_MS, "within_ms": 60_000, "because": "an hour"}
    uuid = made.enter(at("2026-07-01 12:00"), "redate", content)
    low, after, high = gallons(made, "2026-06")
    assert after == before + 4 * 7 * 100
    assert low < after <= high
    again = {**content, "shift_ms": HOUR_MS}
    made.enter(at("2026-07-01 12:01"), "redate", again, replaces=uuid)
    assert gallons(made, "2026-06")[1] == before - 4 * 7 * 100


def test_rows_that_were_dated_a_month_off_are_found_where_they_belong(tmp_path: Path) -> None:
    """Found by number in a record that is sorted by dates which are no longer those of the rows."""
    made = made_record(tmp_path, "2026-03-01 00:00")
    count = reads(made, "2026-03-01 00:00", "2026-03-02 00:00", 1_000)
    made.boot(at("2026-06-01 00:00"), "stopped")
    reads(made, "2026-06-01 00:00", "2026-06-02 00:00", count)
    made.flush()
    with Reader(made.folder) as reader:
        first, last = reader.seq_range(at("2026-06-01 00:00"), at("2026-06-02 00:00"))
    days = at("2026-06-01 00:00") - at("2026-04-01 00:00")
    content = {"first_seq": first, "last_seq": last, "shift_ms": -days, "within_ms": 60_000, "because": "wrong month"}
    made.enter(at("2026-06-02 00:00"), "redate", content)
    april = made.report(month("2026-04")).points[0]
    assert april.volume is not None
    assert april.volume.m3 / GALLON >= 95 * 7 * 100


def test_a_moment_between_two_rows_that_were_dated_anew_is_found(tmp_path: Path) -> None:
    """Where no row lies in a stretch, its place among the rows is known all the same: by the new dates."""
    made = made_record(tmp_path, "2026-07-01 00:00")
    reads(made, "2026-07-01 00:00", "2026-07-02 00:00", 1_000)
    content: dict[str, object] = {"first_seq": 1, "last_seq": 1_000, "shift_ms": HOUR_MS, "within_ms": 60_000}
    made.enter(at("2026-07-02 00:00"), "redate", {**content, "because": "summer time"})
    made.flush()
    moment = at("2026-07-01 12:10")
    with Reader(made.folder) as reader:
        first, _ = reader.seq_range(moment, moment + 1)
        point = reader.point_id("north-discharge")
        assert point is not None
        _, before = next(reader.polls_back(point, first))
    assert before.utc_ms == at("2026-07-01 12:00")


def test_the_rows_of_two_starts_are_told_apart(tmp_path: Path) -> None:
    """A start that was dated an hour ahead, and one dated rightly after it: their dates overlap."""
    made = made_record(tmp_path, "2026-07-01 13:00")
    count = reads(made, "2026-07-01 13:00", "2026-07-01 16:00", 1_000)
    made.boot(at("2026-07-01 15:15"), "stopped")
    reads(made, "2026-07-01 15:15", "2026-07-01 18:00", count)
    made.flush()
    with Reader(made.folder) as reader:
        boots = list(reader.boots_in(1, reader.newest_seq()))
    assert len(boots) == 2
    assert boots[0][1] == 1
    assert boots[0][2] + 1 == boots[1][1]

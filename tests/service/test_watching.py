"""The ledger of a point as the daemon follows it: from which readings on, what is said, and that nothing stops it.

Torn and frozen meters on a line are in tests/whole/test_torn_and_frozen.py.
"""

import random
from pathlib import Path

import pytest

from tallywell.ledger.intervals import Kind
from tallywell.readings.facts import Poll
from tallywell.service.files import Loaded, load_site
from tallywell.service.rows import PointKeys
from tallywell.service.site import Point
from tallywell.service.watching import AGREE, CONTRARY, FROZE, THAWED, Watched, watching
from tallywell.store.query import Reader
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record, meter_of, plan_of, words_of

BEGINS = "2026-07-01 00:00"
HOUR_MS = 4 * QUARTER_MS


@pytest.fixture
def point(tmp_path: Path) -> Point:
    (tmp_path / "inline-a.yaml").write_text(MAP)
    (tmp_path / "quail.yaml").write_text(SITE)
    loaded: Loaded = load_site(tmp_path / "quail.yaml")
    assert loaded.site is not None, loaded.problems
    return loaded.site.points["north-discharge"]


class Live:
    """Polls as they come to the daemon, a quarter of an hour apart."""

    def __init__(self, point: Point, made: MadeRecord, boot_id: str, *, dated: bool = True) -> None:
        made.flush()
        with Reader(made.folder) as reader:
            self.watching = watching(reader, [point], boot_id)[point.name]
        meter, self.asked = meter_of(MAP), plan_of(MAP)
        self.keys = PointKeys(1, 1, meter, self.asked, names=tuple(meter.quantities))
        self.dated = dated

    def read(self, now_ms: int, boot_ms: int, forward_total: float, flow_rate: float = 750.0) -> Watched:
        values = {"forward_total": forward_total, "flow_rate": flow_rate}
        raw = b"".join(words_of(self.keys.map, read, values) for read in self.asked)
        utc_ms = now_ms if self.dated else None
        got = (1 << len(self.asked)) - 1
        return self.watching.after(Poll(10**6, 9, 1, 1, boot_ms, now_ms, utc_ms, got, raw, None, None), self.keys)


def a_day(path: Path) -> tuple[MadeRecord, int]:
    """A record of a day at 112 counts of 100 gal a quarter of an hour; its last instant. It ends at 10,752 counts."""
    made = made_record(path, BEGINS)
    for quarter in range(97):
        made.read(at(BEGINS) + quarter * QUARTER_MS, forward_total=112 * quarter, flow_rate=750.0 + quarter / 8)
    return made, at(BEGINS) + 96 * QUARTER_MS


def test_what_happened_while_the_program_did_not_run_is_noticed_at_the_first_poll(tmp_path: Path, point: Point) -> None:
    """Within one boot, by its clock alone: the date may have been set meanwhile."""
    made, last_ms = a_day(tmp_path)
    live = Live(point, made, "boot-1")
    found = live.read(last_ms, 1_000_000 + 97 * QUARTER_MS, 20)
    assert found.look_again
    (said,) = found.said
    assert said.startswith("the total fell from 10,752 to 20 counts, which is no rollover; it is looked at again")


def test_after_a_power_cut_too_where_there_is_a_date(tmp_path: Path, point: Point) -> None:
    made, last_ms = a_day(tmp_path)
    found = Live(point, made, "boot-2").read(last_ms + HOUR_MS, 60_000, 9_000_000)
    assert found.look_again
    (said,) = found.said
    assert said.startswith("the total went from 10,752 to 9,000,000 counts in 1 h 00 min, when at most 3")
    assert Live(point, made, "boot-2").read(last_ms + HOUR_MS, 60_000, 11_200) == Watched()


def test_without_a_date_after_a_power_cut_nobody_can_tell_what_is_possible(tmp_path: Path, point: Point) -> None:
    """The clock may stand anywhere: the first reading is taken as it is."""
    made, last_ms = a_day(tmp_path)
    live = Live(point, made, "boot-2", dated=False)
    assert live.read(last_ms - 900 * HOUR_MS, 60_000, 11_200) == Watched()
    assert live.read(last_ms - 900 * HOUR_MS, 120_000, 900_000).look_again


def test_within_a_boot_no_date_is_needed(tmp_path: Path, point: Point) -> None:
    made = made_record(tmp_path, BEGINS, undated=True)
    for quarter in range(4):
        made.read(at(BEGINS) + quarter * QUARTER_MS, forward_total=5_000 + 112 * quarter, flow_rate=750.0)
    live = Live(point, made, "boot-1", dated=False)
    assert live.read(at(BEGINS), 1_000_000 + HOUR_MS, 20).look_again


def test_a_meter_that_was_frozen_already(tmp_path: Path, point: Point) -> None:
    made, last_ms = a_day(tmp_path)
    for quarter in range(1, 9):
        made.read(last_ms + quarter * QUARTER_MS, forward_total=10_800, flow_rate=750.0)
    live, boot_ms = Live(point, made, "boot-1"), 1_000_000 + 96 * QUARTER_MS
    assert live.read(last_ms, boot_ms + 9 * QUARTER_MS, 10_800).said == (FROZE,)
    assert live.read(last_ms, boot_ms + 10 * QUARTER_MS, 10_800).said == ()
    assert live.read(last_ms, boot_ms + 11 * QUARTER_MS, 12_000).said == (THAWED,)


def test_flow_without_counting_is_said_once_and_so_is_its_end(tmp_path: Path, point: Point) -> None:
    """The words differ from poll to poll, so it is no frozen meter: its counter stands."""
    made, last_ms = a_day(tmp_path)
    live, boot_ms = Live(point, made, "boot-1"), 1_000_000 + 96 * QUARTER_MS
    said: list[str] = []
    for quarter in range(1, 16):
        passed_ms = quarter * QUARTER_MS
        count = 10_900 if quarter < 12 else 10_900 + 112 * (quarter - 11)
        said += live.read(last_ms + passed_ms, boot_ms + passed_ms, count, 2_000.0 + quarter).said
    assert said == [CONTRARY[Kind.FLOW_UNCOUNTED], AGREE]


def test_what_does_not_fit_is_said_once_and_so_is_what_became_of_it(tmp_path: Path, point: Point) -> None:
    live, boot = Live(point, made_record(tmp_path, BEGINS), "boot-1"), 10**6
    counts = [100, 200, 700_000, 300, 300_000, 300_100, 300_200, 300_300]
    found = [live.read(boot + n * QUARTER_MS, boot + n * QUARTER_MS, count) for n, count in enumerate(counts)]
    assert [one.look_again for one in found] == [False, False, True, False, True, False, False, False]
    said = [line for one in found for line in one.said]
    assert [line.split(";")[0].split(":")[0][:47] for line in said] == [
        "the total went from 200 to 700,000 counts in 15",
        "a reading of 700,000 counts fits none of its ne",
        "the total went from 300 to 300,000 counts in 15",
        "the total went from 300 to 300,000 counts, more",
    ]


def test_no_row_stops_it(tmp_path: Path, point: Point, monkeypatch: pytest.MonkeyPatch) -> None:
    """Any words, any reads that came, any clocks; and if there is a bug all the same, it is said and it goes on."""
    dice = random.Random(20261125)
    live = Live(point, made_record(tmp_path, BEGINS), "boot-1")
    for seq in range(3_000):
        raw = dice.randbytes(dice.choice((0, 4, 8, 8, 8)))
        clocks = dice.randrange(10**13), dice.randrange(10**13), dice.choice((None, dice.randrange(10**13)))
        fault = dice.choice((None, None, "no_answer", "stray_bytes"))
        poll = Poll(seq, 1, 1, 1, *clocks, int(len(raw) == 8), raw or None, fault, None)
        assert not any("failed" in said for said in live.watching.after(poll, live.keys).said)
    with monkeypatch.context() as broken:
        broken.setattr("tallywell.service.watching.step", lambda *_: 1 // 0)
        found = live.read(0, 0, 5)
        assert not found.look_again
        (said,) = found.said
        assert said.startswith("following the total failed (ZeroDivisionError")
    assert live.read(0, 0, 5) == Watched()


def test_a_point_that_was_never_read_begins_with_its_first_reading(tmp_path: Path, point: Point) -> None:
    live = Live(point, made_record(tmp_path, BEGINS), "boot-1")
    assert live.read(0, 0, 5) == Watched()

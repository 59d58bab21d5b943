"""Looking facts up by their keys and dating them, over reboots, undated boots and a person's word about the clock."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest

from tallywell.readings.facts import Anchor, Entry, Event, Fact, Poll
from tallywell.readings.problems import EdgeFailure
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.dating import utc_at
from tallywell.store.query import WIDER_MS, Reader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.store.conftest import Kit

MINUTE = 60_000
NOON = 1_700_000_000_000


@pytest.fixture
def boots(folder: RecordFolder, again: Callable[..., Kit]) -> Iterator[Reader]:
    """Boot 1 dated from minute 2 on (two runs), boots 2 and 3 never, boot 4 dated at its end.

    minute of the day 0..9, 20..29, 30..39, 60..69; every boot begins at boot_ms 0 with its first poll.
    """
    kit = again(folder, "boot-1")
    polls(kit, range(2))
    kit.add(kit.anchor(2 * MINUTE, NOON + 2 * MINUTE))
    polls(kit, range(2, 5), since=NOON)
    kit.writer.close()
    kit = again(folder, "boot-1")
    polls(kit, range(5, 10), since=NOON)
    kit.writer.close()
    for boot in ("boot-2", "boot-3"):
        kit = again(folder, boot)
        polls(kit, range(10))
        kit.writer.close()
    kit = again(folder, "boot-4")
    polls(kit, range(10))
    kit.add(kit.anchor(10 * MINUTE, NOON + 70 * MINUTE, half_width_ms=7), kit.event(11 * MINUTE))
    kit.writer.close()
    with Reader(folder) as reader:
        yield reader


def polls(kit: Kit, minutes: range, since: int | None = None) -> None:
    for minute in minutes:
        kit.add(kit.poll(boot_ms=minute * MINUTE, utc_ms=None if since is None else since + minute * MINUTE))


def minutes_of(reader: Reader, first: int = 1, last: int = 10_000) -> list[int | None]:
    found = (when.utc_ms for _, when in reader.polls(1, first, last))
    return [None if utc is None else (utc - NOON) // MINUTE for utc in found]


def state_clock(folder: RecordFolder, again: Callable[..., Kit], boot_id: str, it_is_ms: int, boot_ms: int) -> None:
    kit = again(folder, "boot-4")
    said = {"it_is_ms": it_is_ms, "within_ms": 2 * MINUTE, "boot_id": boot_id, "boot_ms": boot_ms}
    seq, run = kit.writer.next_seq(), kit.writer.run.id
    uuid = f"00000000-0000-4000-8000-{seq:012}"
    kit.add(Entry(seq, uuid, run, 20 * MINUTE, 0, None, "clock", None, "Ada", None, canonical(said)))
    kit.writer.close()


def test_rows_are_dated_by_their_boots_anchor_or_not_at_all(boots: Reader) -> None:
    assert minutes_of(boots) == [*range(10), *[None] * 20, *range(60, 70)]


def test_boots_are_numbered_in_order_and_two_runs_of_one_boot_are_one(boots: Reader) -> None:
    numbers = [when.boot for _, when in boots.polls(1, 1, 10_000)]
    assert numbers == sorted(numbers)
    assert [numbers.count(boot) for boot in sorted(set(numbers))] == [10, 10, 10, 10]


def test_uncertainty_is_the_half_width_and_the_drift_since_the_anchor(boots: Reader) -> None:
    within = [when.within_ms for _, when in boots.polls(1, 1, 10_000) if when.utc_ms is not None]
    assert within[:4] == [160, 130, 100, 130]  # 100 ms and 30 ms a minute
    assert within[10] == 7 + 300


def test_an_event_is_dated_like_a_poll(boots: Reader) -> None:
    ((_, when),) = list(boots.events(1, 10_000))
    assert when.utc_ms == NOON + 71 * MINUTE


def test_a_persons_word_dates_a_boot_that_has_no_anchor(
    boots: Reader, folder: RecordFolder, again: Callable[..., Kit]
) -> None:
    state_clock(folder, again, "boot-2", NOON + 25 * MINUTE, 5 * MINUTE)
    state_clock(folder, again, "boot-4", NOON, 0)  # it has an anchor: the word changes nothing
    assert minutes_of(boots) == [*range(10), *range(20, 30), *[None] * 10, *range(60, 70)]
    first, last = boots.seq_range(NOON + 22 * MINUTE, NOON + 25 * MINUTE)
    assert minutes_of(boots, first, last) == [21, 22, 23, 24, 25, 26]


@pytest.mark.parametrize(
    ("begin", "end", "expect"),
    [
        (3, 5, [2, 3, 4, 5, 6]),
        (-50, -40, []),
        (200, 300, []),
        (8, 15, [7, 8, 9, *[None] * 20]),  # the undated boots may lie in it
        (15, 40, [None] * 20),
        (40, 61, [*[None] * 20, 60, 61, 62]),
        (62, 300, [61, 62, 63, 64, 65, 66, 67, 68, 69]),
    ],
)
def test_a_period_holds_all_that_may_lie_in_it(boots: Reader, begin: int, end: int, expect: list[int | None]) -> None:
    first, last = boots.seq_range(NOON + begin * MINUTE, NOON + end * MINUTE)
    assert minutes_of(boots, first, last) == expect


def test_the_first_and_the_last_fact_with_a_date(boots: Reader) -> None:
    first, last = boots.first_dated(), boots.last_dated()
    assert first
    assert last
    assert (first[0].seq, first[1].utc_ms) == (1, NOON)
    assert isinstance(last[0], Event)
    early = boots.last_dated(before_seq=30)
    assert early
    assert early[1].utc_ms == NOON + 9 * MINUTE, "it walks back over two boots without a date"


def test_a_record_that_was_never_dated(kit: Kit) -> None:
    polls(kit, range(5))
    with Reader(kit.folder) as reader:
        assert reader.first_dated() is None
        assert reader.last_dated() is None
        assert reader.seq_range(0, 1) == (1, 5), "everything may lie in it"


def test_an_empty_record(kit: Kit) -> None:
    with Reader(kit.folder) as reader:
        assert reader.newest_seq() == 0
        assert reader.last_dated() is None
        first, last = reader.seq_range(0, 10**15)
        assert first > last
        assert list(reader.last_polls(kit.point, 3)) == []
        assert reader.last_accepted() is None
        assert reader.point_id("nobody") is None


def test_the_newest_polls_of_a_point_come_newest_first(boots: Reader) -> None:
    everything = [poll.seq for poll, _ in boots.polls(1, 1, 10_000)]
    assert [poll.seq for poll, _ in boots.polls_back(1, 10_000)] == everything[::-1]
    assert [poll.seq for poll, _ in boots.last_polls(1, 3)] == everything[:-4:-1]
    assert [poll.seq for poll, _ in boots.polls_back(1, 8, 5)] == [7, 6, 5]
    assert list(boots.last_polls(1, 3, reach=1)) == []


def test_a_reader_sees_what_comes_while_it_is_open(kit: Kit) -> None:
    with Reader(kit.folder) as reader:
        kit.add(kit.poll(boot_ms=MINUTE))
        assert [when.utc_ms for _, when in reader.polls(kit.point, 1, 9)] == [None]
        kit.add(kit.anchor(2 * MINUTE, NOON))
        assert [when.utc_ms for _, when in reader.polls(kit.point, 1, 9)] == [NOON - MINUTE]
        kit.add(kit.event(name="accepted", content='{"site":"a"}'), *(kit.event() for _ in range(600)))
        accepted = reader.last_accepted()
        assert accepted
        assert accepted.content == '{"site":"a"}'
        assert reader.last_accepted(before_seq=accepted.seq) is None


def test_no_record_yet(folder: RecordFolder) -> None:
    with pytest.raises(EdgeFailure, match="there is no record yet; `tallywell run` makes it"):
        Reader(folder)
    folder.db.touch()
    with pytest.raises(EdgeFailure, match="not brought up to date yet"):
        Reader(folder)


@pytest.mark.parametrize("seed", range(6))
def test_bisecting_finds_what_a_scan_finds(folder: RecordFolder, again: Callable[..., Kit], seed: int) -> None:
    """Random boots, some never dated; times interleave by some seconds, as those of several lines do."""
    print(f"seed {seed}")
    chance = random.Random(seed)
    now = NOON
    for boot in range(8):
        now += chance.randrange(1, 500) * MINUTE
        _random_boot(again(folder, f"boot-{boot}"), chance, now)
        now += 60 * MINUTE
    with Reader(folder) as reader:
        facts = reader.facts(1, reader.newest_seq())
        for _ in range(20):
            begin = NOON + chance.randrange(-100, 3000) * MINUTE
            end = begin + chance.randrange(0, 800) * MINUTE
            _compare(reader, facts, begin, end)


def _random_boot(kit: Kit, chance: random.Random, start: int) -> None:
    anchored: Anchor | None = None
    for minute in range(0, 60, 3):
        boot_ms = minute * MINUTE + chance.randrange(5_000)
        if chance.random() < 0.07:
            anchored = kit.anchor(boot_ms, start + boot_ms + chance.randrange(-500, 500))
            kit.add(anchored)
        kit.add(kit.poll(boot_ms=boot_ms, utc_ms=utc_at(anchored, boot_ms) if anchored else None))
    kit.writer.close()


def _compare(reader: Reader, facts: list[Fact], begin: int, end: int) -> None:
    first, last = reader.seq_range(begin, end)
    dates = {fact.seq: reader.when(fact).utc_ms for fact in facts if isinstance(fact, Poll | Anchor)}
    inside = [seq for seq, utc in dates.items() if utc is not None and begin <= utc < end]
    assert all(first <= seq <= last for seq in inside)
    for seq, utc in dates.items():
        if first <= seq <= last and utc is not None:
            assert begin - WIDER_MS - 6_000 <= utc <= end + WIDER_MS + 6_000
    undated = [seq for seq, utc in dates.items() if utc is None]
    for seq in undated:
        before = [utc for other, utc in dates.items() if other < seq and utc is not None]
        after = [utc for other, utc in dates.items() if other > seq and utc is not None]
        if (not before or before[-1] < end) and (not after or after[0] >= begin + MINUTE):
            assert first <= seq <= last, "an undated row between its neighbours may lie in the period"

"""What is said of a point: the place, what is seen, what to check first."""

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.readings.facts import Poll
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.registers.decode import Decoded, Value
from tallywell.registers.quantity import Kind, Limits, Quantity, RegisterMap, Setting, Table, ValueType
from tallywell.service.local_time import to_ms
from tallywell.service.sentences import (
    ADVICE,
    WHAT,
    Seen,
    SettingChange,
    Watch,
    change,
    duration,
    is_well,
    silent,
    status,
)
from tallywell.service.settings import Kept
from tallywell.service.site import Point, WellShare

TOTAL = Quantity("forward_total", Kind.TOTAL, Table.INPUT, 0, ValueType.UINT32, for_the_books=True)
FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 2, ValueType.UINT16, unit="gpm")
UTC_ZONE = ZoneInfo("UTC")
POINT = Point(
    name="north-discharge",
    called="North",
    wells=(WellShare("north"),),
    line="field",
    address=17,
    map_name="m.yaml",
    map=RegisterMap("m", 1, {}),
    every_ms=60_000,
    possible_rate=measure("2000 gpm", "flow rate"),
    running_above=measure("20 gpm", "flow rate"),
)
NOON = to_ms(datetime(2026, 7, 14, 14, 2, tzinfo=UTC))


def poll(fault: str | None, shown_ms: int = NOON) -> Poll:
    return Poll(1, 1, 1, 1, 0, shown_ms, None, 0, None, fault, None)


def good(count: int, gpm: int = 842, not_counting: frozenset[str] = frozenset()) -> Decoded:
    flow = measure(f"{gpm} gpm", "flow rate")
    books = Value(TOTAL, b"", total=Total.exact(count))
    rate = Value(FLOW, b"", number=flow.number, si=flow.si)
    return Decoded({"forward_total": books, "flow_rate": rate}, books, not_counting)


def test_counting() -> None:
    seen = Seen(((40_000, good(105)), (100_000, good(97))), Watch())
    assert status(POINT, seen, UTC_ZONE) == "north-discharge is counting; 842 gpm; last reading 40 s ago"
    assert is_well(POINT, seen)


def test_at_rest() -> None:
    seen = Seen(((40_000, good(105, 0)), (100_000, good(105, 0))), Watch())
    assert status(POINT, seen, UTC_ZONE) == "north-discharge is at rest; 0 gpm; last reading 40 s ago"
    assert is_well(POINT, seen)


def test_flow_that_is_not_counted_needs_a_look() -> None:
    seen = Seen(((40_000, good(105)), (640_000, good(105))), Watch())
    assert "shows flow, but its total has stood still for 10 min" in status(POINT, seen, UTC_ZONE)
    assert not is_well(POINT, seen)


def test_the_meter_says_itself_that_it_is_not_counting() -> None:
    seen = Seen(((40_000, good(105, 0, frozenset({"empty_pipe"}))), (100_000, good(104))), Watch())
    assert "says that it is not counting (empty_pipe)" in status(POINT, seen, UTC_ZONE)
    assert not is_well(POINT, seen)


def test_silent_since() -> None:
    watch = Watch()
    for minute in range(12):
        watch = watch.after(poll(Fault.NO_ANSWER, NOON + minute * 60_000))
    sentence = status(POINT, Seen(((720_000, good(105)),), watch), UTC_ZONE)
    assert sentence == (
        "north-discharge (line field, address 17): no answer since 2026-07-14 14:02 (12 polls); check external power "
        "first, then the A/B pair, address and baud; the meter may still be counting; last reading 12 min ago"
    )
    assert not is_well(POINT, Seen(((720_000, good(105)),), watch))


def test_never_read() -> None:
    assert status(POINT, Seen((), Watch()), UTC_ZONE).endswith("no reading yet")
    assert not is_well(POINT, Seen((), Watch()))


def test_a_change_is_said_once() -> None:
    first = Watch().after(poll(Fault.NO_ANSWER))
    second = first.after(poll(Fault.NO_ANSWER))
    assert change(POINT, Watch(), first, UTC_ZONE)
    assert change(POINT, first, second, UTC_ZONE) is None
    back = change(POINT, second, second.after(poll(None)), UTC_ZONE)
    assert back is not None
    assert back.endswith("answers again after 2 missed polls")


def test_a_poll_that_we_stopped_ourselves_says_nothing_of_the_meter() -> None:
    before = Watch().after(poll(Fault.NO_ANSWER))
    assert before.after(poll(Fault.STOPPED)) == before


@pytest.mark.parametrize("fault", list(Fault))
def test_every_fault_has_its_words(fault: Fault) -> None:
    assert WHAT[fault]
    assert ADVICE[fault]
    assert "since 2026-07-14 14:02" in silent(POINT, Watch(2, NOON, fault), UTC_ZONE)


@pytest.mark.parametrize(
    ("ms", "text"),
    [(999, "0 s"), (40_000, "40 s"), (119_000, "119 s"), (720_000, "12 min"), (2 * 86_400_000, "2 days")],
)
def test_durations(ms: int, text: str) -> None:
    assert duration(ms) == text


def test_no_float_decides() -> None:
    assert isinstance(POINT.running_above.si if POINT.running_above else None, Fraction)


def test_numbers_that_the_meter_itself_calls_suspect_need_a_look() -> None:
    suspect = replace(good(105), suspect=frozenset({"cover_open", "air"}))
    seen = Seen(((40_000, suspect), (100_000, good(97))), Watch())
    assert status(POINT, seen, UTC_ZONE) == (
        "north-discharge is counting; says that its numbers are suspect (air, cover_open); 842 gpm; "
        "last reading 40 s ago"
    )
    assert not is_well(POINT, seen)
    earlier = Seen(((40_000, good(106)), (100_000, suspect)), Watch())
    assert is_well(POINT, earlier), "that is over"


UNIT = Quantity(
    "unit_setting", Kind.TEXT, Table.HOLDING, 80, ValueType.TEXT, length=2, setting=Setting.UNIT, expected=("L",)
)
WITH_UNIT = replace(POINT, map=RegisterMap("spool-c", 1, {"unit_setting": UNIT}))


def test_settings_for_which_the_map_is_not_written_need_a_look_and_a_change_is_told_of() -> None:
    known = {"unit_setting": Kept("unit", "gal", "67616c00", as_expected=False)}
    changed = (SettingChange("unit_setting", "L", "gal", NOON),)
    seen = Seen(((40_000, good(105)), (100_000, good(97))), Watch(), known, changed)
    assert status(WITH_UNIT, seen, UTC_ZONE).endswith(
        "last reading 40 s ago; unit_setting reads gal, and the map spool-c is written for L: its numbers may be wrong"
        "; set the meter back, or correct the map; unit_setting changed from L to gal on 2026-07-14 14:02"
    )
    assert not is_well(WITH_UNIT, seen)
    assert is_well(WITH_UNIT, replace(seen, settings={})), "a change alone may have been wanted"
    assert is_well(POINT, seen), "a map that no longer has that setting says nothing of it"


def test_a_silent_model_that_takes_its_time_after_power_up() -> None:
    slow = replace(POINT, map=RegisterMap("m", 1, {}, Limits(ready_after_power_up_ns=30_000_000_000)))
    said = silent(slow, Watch(2, NOON, Fault.NO_ANSWER), UTC_ZONE)
    assert said.endswith("may still be counting; this model answers 30 s after its supply came back")
    assert "supply came back" not in silent(slow, Watch(2, NOON, Fault.BAD_CRC), UTC_ZONE)
    assert "supply came back" not in silent(POINT, Watch(2, NOON, Fault.NO_ANSWER), UTC_ZONE)

"""What is said of a point: the place, what is seen, what to check first."""

from datetime import UTC, datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from tallywell.readings.facts import Poll
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.registers.decode import Decoded, Value
from tallywell.registers.quantity import Kind, Quantity, RegisterMap, Table, ValueType
from tallywell.service.local_time import to_ms
from tallywell.service.sentences import ADVICE, WHAT, Seen, Watch, change, duration, is_well, silent, status
from tallywell.service.site import Point

TOTAL = Quantity("forward_total", Kind.TOTAL, Table.INPUT, 0, ValueType.UINT32, for_the_books=True)
FLOW = Quantity("flow_rate", Kind.FLOW, Table.INPUT, 2, ValueType.UINT16, unit="gpm")
UTC_ZONE = ZoneInfo("UTC")
POINT = Point(
    name="north-discharge",
    called="North",
    well="north",
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

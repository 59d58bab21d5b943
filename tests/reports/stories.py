"""Short records in which one thing happens that a report must tell, each with the period that shows it."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from tallywell.ledger.periods import Period, between, month
from tallywell.reports.model import Report
from tests.service.made_record import MAP, QUARTER_MS, SITE, MadeRecord, at, made_record

PUMPED = 112  # counts of 100 gal in a quarter of an hour, 746.7 gpm
STATUS = "  status: {table: input, register: 4, type: bits, bits: {0: {name: empty_pipe, means: not_counting}}}\n"
UNPOWERED = SITE.replace("counts_without_external_power: yes", "counts_without_external_power: no")
DAYS = between(date(2026, 7, 2), date(2026, 7, 5))


def pumped(made: MadeRecord, begins: str, ends: str, count: int, **instead: float) -> int:
    """Polls each quarter of an hour; the pump runs from 06:00 to 16:00 UTC. The count at the end."""
    for now in range(at(begins), at(ends), QUARTER_MS):
        runs = 6 <= now // 3_600_000 % 24 < 16
        shown = {"forward_total": count, "flow_rate": 750.0 if runs else 0.0} | instead
        made.read(now, "north-discharge", "inline-a.yaml", **shown)
        count += PUMPED if runs else 0
    return count


def begun(path: Path, begins: str, **more: object) -> MadeRecord:
    made = made_record(path, begins, **more)
    made.enter(made.begins_ms, "installation", {"serial": "A-1042", "first_count": "00010000", "note": ""})
    return made


def change_out(path: Path) -> tuple[MadeRecord, Period]:
    """The old meter is read to its end, the new one from its first count; seals old and new, the sensor stays."""
    made = begun(path, "2026-07-01 00:00")
    last = pumped(made, "2026-07-01 00:00", "2026-07-03 09:00", 10_000)
    content: dict[str, object] = {
        "serial": "A-2077",
        "converter": "C-31",
        "first_count": "00000012",
        "old_final": f"{last + 30:08d}",
        "old_face": None,
        "seal_removed": "S-118",
        "seal": "S-204",
        "sensor_kept": True,
        "note": "display was dark",
    }
    made.enter(at("2026-07-03 09:40"), "changeout", content, about=at("2026-07-03 09:20"))
    error: dict[str, object] = {"error": "-3/250", "reference": "a calibrated meter", "tester": "Ana", "note": ""}
    made.enter(at("2026-07-03 12:00"), "accuracy-test", error)
    pumped(made, "2026-07-03 09:45", "2026-07-06 02:00", 12)
    return made, DAYS


def _winter(path: Path, more: int) -> MadeRecord:
    made = begun(path, "2026-10-28 00:00")
    last = pumped(made, "2026-10-28 00:00", "2026-10-31 12:00", 10_000)
    made.enter(at("2026-10-31 12:05"), "shutdown", {"shows": f"{last:08d}", "note": ""})
    made.boot(at("2027-03-15 07:00"), "clean stop")
    made.enter(at("2027-03-15 07:30"), "startup", {"shows": f"{last + more:08d}", "note": ""})
    pumped(made, "2027-03-15 08:00", "2027-03-19 02:00", last + more)
    return made


def winter_equal(path: Path) -> tuple[MadeRecord, Period]:
    """A whole month inside a season in which the total did not move."""
    return _winter(path, 0), month("2027-01")


def winter_different(path: Path) -> tuple[MadeRecord, Period]:
    """Somebody pumped in winter, and nobody knows when."""
    return _winter(path, 900), between(date(2026, 10, 29), date(2027, 3, 17))


def winter_different_cut(path: Path) -> tuple[MadeRecord, Period]:
    """The same, and the period ends inside the winter."""
    return _winter(path, 900), between(date(2026, 10, 29), date(2026, 11, 3))


def estimates(path: Path) -> tuple[MadeRecord, Period]:
    """One in addition, one instead, which reaches over the end of the period."""
    made = begun(path, "2026-07-01 00:00", site=UNPOWERED)
    count = pumped(made, "2026-07-01 00:00", "2026-07-03 01:00", 10_000)
    for now in range(at("2026-07-03 01:00"), at("2026-07-03 09:00"), QUARTER_MS):
        made.miss(now, "no_answer")
    pumped(made, "2026-07-03 09:00", "2026-07-06 02:00", count + 40)
    span: dict[str, object] = {"begin_ms": at("2026-07-03 01:00"), "end_ms": at("2026-07-03 09:00")}
    hours = {"method": "hours", "hours": "8", "rate": "750 gpm", "tested": "2026-05-02"}
    said = {"standing": "in addition to", "because": "the meter's supply was dead and the pump ran"}
    made.enter(at("2026-07-05 12:00"), "estimate", span | hours | said)
    span = {"begin_ms": at("2026-07-05 00:00"), "end_ms": at("2026-07-07 00:00")}
    volume = {"method": "volume", "volume": "2 acre_foot"}
    said = {"standing": "instead of", "because": "the meter was found half full of sand"}
    made.enter(at("2026-07-05 12:00"), "estimate", span | volume | said)
    return made, DAYS


def estimate_alone(path: Path) -> tuple[MadeRecord, Period]:
    """A period without readings: its total is the estimate, and says so."""
    made = begun(path, "2026-06-20 00:00")
    pumped(made, "2026-06-20 00:00", "2026-06-21 00:00", 10_000)
    made.miss(at("2026-07-05 12:00"), "no_answer")
    span: dict[str, object] = {"begin_ms": at("2026-07-02 00:00"), "end_ms": at("2026-07-06 00:00")}
    energy = {"method": "energy", "kwh": "860", "kwh_per": "430 kWh/acre_foot", "tested": "2026-05-02"}
    said = {"standing": "in addition to", "because": "the meter was away for repair"}
    made.enter(at("2026-07-06 12:00"), "estimate", span | energy | said)
    return made, DAYS


def other_serial(path: Path) -> tuple[MadeRecord, Period]:
    """Another serial number is read back, and no entry explains it."""
    made = begun(path, "2026-07-01 00:00")
    made.noted(at("2026-07-01 00:00"), "A-1042")
    pumped(made, "2026-07-01 00:00", "2026-07-03 09:00", 10_000)
    made.noted(at("2026-07-03 09:00"), "B-7")
    pumped(made, "2026-07-03 09:15", "2026-07-06 02:00", 500_000)
    return made, DAYS


def empty_pipe(path: Path) -> tuple[MadeRecord, Period]:
    """By its own status the meter does not count for a day."""
    made = begun(path, "2026-07-01 00:00", maps={"inline-a.yaml": MAP + STATUS})
    last = pumped(made, "2026-07-01 00:00", "2026-07-03 09:00", 10_000)
    pumped(made, "2026-07-03 09:00", "2026-07-04 09:00", last, forward_total=last, flow_rate=0.0, status=1)
    pumped(made, "2026-07-04 09:00", "2026-07-06 02:00", last)
    return made, DAYS


def power_lost(path: Path) -> tuple[MadeRecord, Period]:
    """A meter that does not count without power answers nothing for eight hours."""
    made = begun(path, "2026-07-01 00:00", site=UNPOWERED)
    count = pumped(made, "2026-07-01 00:00", "2026-07-03 01:00", 10_000)
    for now in range(at("2026-07-03 01:00"), at("2026-07-03 09:00"), QUARTER_MS):
        made.miss(now, "no_answer")
    pumped(made, "2026-07-03 09:00", "2026-07-06 02:00", count + 40)
    return made, DAYS


def out_of_use(path: Path) -> tuple[MadeRecord, Period]:
    """Polled all the time and never moved: an explicit zero with its reason."""
    made = begun(path, "2026-07-01 00:00")
    content: dict[str, object] = {
        "begin_ms": at("2026-06-01 00:00"),
        "end_ms": None,
        "because": "the field lies fallow",
    }
    made.enter(made.begins_ms, "out-of-use", content)
    pumped(made, "2026-07-01 00:00", "2026-07-06 02:00", 10_000, forward_total=10_000, flow_rate=0.0)
    remark: dict[str, object] = {"text": "the valve is locked and its key in the office"}
    made.enter(at("2026-07-03 12:00"), "remark", remark)
    seal: dict[str, object] = {"number": "S-118", "state": "found whole", "note": ""}
    made.enter(at("2026-07-03 12:00"), "wireseal", seal)
    return made, DAYS


def stuck_totalizer(path: Path) -> tuple[MadeRecord, Period]:
    """Water flows by the flow rate, which is never quite the same, and the total stands for some hours of pumping."""
    made = begun(path, "2026-07-01 00:00")
    last = pumped(made, "2026-07-01 00:00", "2026-07-03 03:00", 10_000)
    for number, now in enumerate(range(at("2026-07-03 03:00"), at("2026-07-03 10:00"), QUARTER_MS)):
        made.read(now, forward_total=last, flow_rate=750.0 + number % 3)
    pumped(made, "2026-07-03 10:00", "2026-07-06 02:00", last)
    return made, DAYS


def ten_times(path: Path) -> tuple[MadeRecord, Period]:
    """The map's multiplier is ten times too great."""
    made = begun(path, "2026-07-01 00:00")
    for number, now in enumerate(range(at("2026-07-01 00:00"), at("2026-07-06 02:00"), QUARTER_MS)):
        made.read(now, forward_total=10_000 + 112 * number, flow_rate=74.7)
    return made, DAYS


def settled(path: Path) -> tuple[MadeRecord, Period]:
    """A fall that a person says was a reset, and readings without a date across a midnight."""
    made = begun(path, "2026-07-01 00:00")
    pumped(made, "2026-07-01 00:00", "2026-07-03 12:00", 10_000)
    content: dict[str, object] = {"reset": True, "first_count": "00000000", "note": "the display was exchanged"}
    made.enter(at("2026-07-05 12:00"), "settle", content, about=at("2026-07-03 12:05"))
    pumped(made, "2026-07-03 12:15", "2026-07-06 02:00", 0)
    return made, DAYS


def undated(path: Path) -> tuple[MadeRecord, Period]:
    """A boot without a date between two that have one, over a midnight."""
    made = begun(path, "2026-07-01 00:00")
    count = pumped(made, "2026-07-01 00:00", "2026-07-03 18:00", 10_000)
    made.undated = True
    made.boot(at("2026-07-03 18:30"), "unclean end")
    count = pumped(made, "2026-07-03 18:30", "2026-07-04 05:00", count)
    made.undated = False
    made.boot(at("2026-07-04 06:00"), "unclean end")
    pumped(made, "2026-07-04 06:00", "2026-07-06 02:00", count)
    return made, DAYS


SOUTH = """\
  south-discharge: {well: south, line: field, address: 18, map: inline-a.yaml, every: 15 min, pipe: 8 in,
                    display: {one_count: 100 gal, digits: 8}, counts_without_external_power: yes}
permits:
  L-9: {kind: licence, points: [{point: south-discharge, share: 1/3}]}
"""
SEVERAL = (
    SITE.replace("permits:\n", SOUTH)
    .replace("points:\n  north", "  south: {called: Well 2, agency_id: 23-0418}\npoints:\n  north")
    .replace("share: 1}]", "share: 1}, {point: south-discharge, share: 2/3}]")
)


def several_wells(path: Path) -> tuple[MadeRecord, Period]:
    """Two wells, a permit of both, and one that takes a third of the second."""
    made = begun(path, "2026-07-01 00:00", site=SEVERAL)
    for number, now in enumerate(range(at("2026-07-01 00:00"), at("2026-07-06 02:00"), QUARTER_MS)):
        made.read(now, forward_total=10_000 + 10 * number, flow_rate=66.7)
        made.read(now + 5_000, "south-discharge", forward_total=70_000 + 9 * number, flow_rate=60.0)
    span: dict[str, object] = {"begin_ms": at("2026-07-03 00:00"), "end_ms": at("2026-07-04 00:00")}
    volume = {"method": "volume", "volume": "30000 gal"}
    said = {"standing": "in addition to", "because": "a hose before the meter"}
    made.enter(at("2026-07-05 12:00"), "estimate", span | volume | said, point_name="south-discharge")
    return made, DAYS


def two_years(path: Path, carried: bool = False) -> tuple[MadeRecord, Period]:
    """Two years of a permit, polled once a day; in the second a little more is used than is authorised for a year."""
    amount = "authorised: 12 acre_foot" + (", carry_over: 0.5 acre_foot" if carried else "")
    site = SITE.replace("every: 15 min", "every: 24 h").replace("authorised: 420 acre_foot", amount)
    made = begun(path, "2025-09-28 00:00", site=site)
    day_ms = 96 * QUARTER_MS
    for number, now in enumerate(range(at("2025-09-28 00:00"), at("2027-10-05 00:00"), day_ms)):
        made.read(now, forward_total=10_000 + 100 * number + 8 * max(0, number - 365), flow_rate=7.0)
    return made, between(date(2025, 10, 1), date(2027, 9, 30))


def carried_over(path: Path) -> tuple[MadeRecord, Period]:
    """The same where half an acre-foot may be carried over."""
    return two_years(path, carried=True)


Story = Callable[[Path], tuple[MadeRecord, Period]]


def two_meters(path: Path) -> tuple[MadeRecord, Period]:
    """One well that two meters serve."""
    site = SEVERAL.replace("well: south", "well: north")
    made = begun(path, "2026-07-01 00:00", site=site)
    for number, now in enumerate(range(at("2026-07-01 00:00"), at("2026-07-06 02:00"), QUARTER_MS)):
        made.read(now, forward_total=10_000 + 10 * number, flow_rate=66.7)
        made.read(now + 5_000, "south-discharge", forward_total=70_000 + 9 * number, flow_rate=60.0)
    return made, DAYS


STORIES: tuple[Story, ...] = (
    change_out,
    winter_equal,
    winter_different,
    winter_different_cut,
    estimates,
    estimate_alone,
    other_serial,
    empty_pipe,
    power_lost,
    out_of_use,
    several_wells,
    stuck_totalizer,
    ten_times,
    settled,
    undated,
    two_years,
    carried_over,
    two_meters,
)


def told(story: Story, path: Path) -> Report:
    """The story's report, with the program's version held fixed."""
    made, period = story(path)
    return replace(made.report(period), version="0.0.0")

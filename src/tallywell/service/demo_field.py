"""The demo's invented site and what happens there in its month. Pure: texts, instants and meters follow from the seed.

The month holds, in this order: a change of the clocks (in March), 37 hours without power at the reader, a totalizer
that goes round, and a meter that is silent across the month's end, so that its closing count can only be bounded.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.periods import Period, edges_ms
from tallywell.readings.units import measure
from tallywell.registers.register_map import parse_map
from tallywell.simulator.meter import Meter, one_count_m3
from tallywell.simulator.profile import HOUR_MS, MINUTE_MS, Profile, Pump, irrigation
from tallywell.simulator.recipes import Outage, Rollover, Silent

ZONE = ZoneInfo("America/Denver")
EVERY_MS = 15 * MINUTE_MS
COMMIT_MS = 50 * MINUTE_MS  # four rounds of polls to a commit: on many a disk a commit each would outlast the polling
BAUD = 115_200
BEFORE_MS, AFTER_MS = HOUR_MS, 7 * HOUR_MS // 2  # polled before and after the month: its edges lie between readings
INSTALLED_BEFORE_MS = 3 * HOUR_MS
OUTAGE_MS = 37 * HOUR_MS + 7 * MINUTE_MS  # power does not come back on the quarter of an hour
LOST_MS = 80 * MINUTE_MS  # after the outage, until the wall clock is right again: longer than the first commit takes
SILENT_BEFORE_MS, SILENT_AFTER_MS = 110 * MINUTE_MS, 50 * MINUTE_MS  # each attempt costs the meter's longest delay

SITE = """\
# An invented site, written by `tallywell demo`. Nothing here is a real well, meter or permit.
site: Three Larches (demo)
time_zone: {zone}
lines:
  field: {{port: "{port}", baud: {baud}, parity: none}}   # a pseudo-terminal; a real line has even parity
wells:
  north: {{called: North well, agency_id: DEMO-1, location: north field, source: groundwater}}
  east: {{called: East well, agency_id: DEMO-2, location: east field, source: groundwater}}
  south: {{called: South well, agency_id: DEMO-3, location: south field, source: groundwater}}
points:
  north-discharge: {{well: north, line: field, address: 11, map: maps/demo-a.yaml, every: 15 min, pipe: 8 in,
                    running_above: 20 gpm, display: {{one_count: 100 gal, digits: 8}},
                    counts_without_external_power: yes}}
  east-discharge: {{well: east, line: field, address: 12, map: maps/demo-b.yaml, every: 15 min, pipe: 6 in,
                   running_above: 20 gpm, display: {{one_count: 0.001 acre_foot, digits: 8}},
                   counts_without_external_power: yes}}
  south-discharge: {{well: south, line: field, address: 13, map: maps/demo-c.yaml, every: 15 min, pipe: 8 in,
                    running_above: 1 L/s, display: {{one_count: 1 m3, digits: 9}},
                    counts_without_external_power: yes}}
permits:
  DEMO-P: {{kind: right, authorised: 900 acre_foot, points: [{{point: north-discharge, share: 1}},
           {{point: east-discharge, share: 1}}, {{point: south-discharge, share: 1}}]}}
"""

MAPS = {
    "maps/demo-a.yaml": """\
# An invented meter: a float for the flow, an integer total, high word first.
map: demo-a
revision: 1
numbering: on_the_wire
word_order: high_word_first
limits: {longest_delay: 150 ms}
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 100 gal, digits: 8, for_the_books: yes}
  status:        {table: input, register: 4, type: bits,
                  bits: {0: external_power, 2: {name: empty_pipe, means: not_counting}}}
""",
    "maps/demo-b.yaml": """\
# An invented meter: holding registers numbered from 40001, low word first, the flow in tenths.
map: demo-b
revision: 1
numbering: data_model
word_order: low_word_first
limits: {longest_delay: 150 ms}
quantities:
  forward_total: {table: holding, register: 40101, type: uint32, one_count: 0.001 acre_foot, digits: 8,
                  for_the_books: yes}
  flow_rate:     {table: holding, register: 40103, type: uint16, unit: 0.1 gpm}
""",
    "maps/demo-c.yaml": """\
# An invented meter: numbered from one, both words and bytes turned round, 64 bits.
map: demo-c
revision: 1
numbering: one_based
word_order: low_word_first
byte_order: low_byte_first
limits: {longest_delay: 150 ms}
quantities:
  flow_rate:     {table: input, register: 1, type: float32, unit: L/s}
  forward_total: {table: input, register: 3, type: uint64, one_count: 1 m3, digits: 9, for_the_books: yes}
""",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Invented:
    """How a point's meter is made up: map, pump's rate, serial number, and the count that it was delivered with."""

    point: str
    address: int
    map_name: str
    pump: str
    serial: str
    first_count: int


FIELD = (
    Invented("north-discharge", 11, "maps/demo-a.yaml", "842 gpm", "DEMO-0117", 0),
    Invented("east-discharge", 12, "maps/demo-b.yaml", "560 gpm", "DEMO-0248", 41_882_006),
    Invented("south-discharge", 13, "maps/demo-c.yaml", "47 L/s", "DEMO-0399", 1_203_377),
)
GOES_ROUND, FALLS_SILENT = "north-discharge", "south-discharge"


@dataclass(frozen=True, slots=True)
class Scenario:
    """The demo's month. `first_ms` and `last_ms` are its edges; polls go from `begin_ms` to `end_ms`."""

    period: Period
    installed_ms: int
    begin_ms: int
    first_ms: int
    last_ms: int
    end_ms: int
    outage: Outage
    meters: Mapping[str, Meter]  # by point

    @property
    def polls(self) -> int:
        """How many readings the month should bring, the silent meter's attempts included."""
        polled_ms = self.end_ms - self.begin_ms - (self.outage.to_ms - self.outage.from_ms)
        return len(self.meters) * (polled_ms // EVERY_MS)


def site_text(port: str) -> str:
    """The site file, its line at `port`."""
    return SITE.format(zone=ZONE.key, port=port.replace("\\", "\\\\").replace('"', '\\"'), baud=BAUD)


def scenario(period: Period, seed: str) -> Scenario:
    """What happens in `period` under `seed`. Of a period of a few days the outage is the same share as of a month."""
    first, *_, last = edges_ms(period, ZONE)
    installed, end = first - INSTALLED_BEFORE_MS, last + AFTER_MS
    meters = {one.point: _meter(one, seed, (installed, first, last, end)) for one in FIELD}
    return Scenario(period, installed, first - BEFORE_MS, first, last, end, _outage(first, last), meters)


def _outage(first_ms: int, last_ms: int) -> Outage:
    """Without power right after a commit (5 minutes past an hour): 37 hours of a month, less of a shorter period."""
    from_ms = first_ms + (last_ms - first_ms) * 2 // 5 // HOUR_MS * HOUR_MS + (COMMIT_MS + EVERY_MS) % HOUR_MS
    return Outage(from_ms, from_ms + min(OUTAGE_MS, (last_ms - first_ms) // 6 // MINUTE_MS * MINUTE_MS))


def _meter(one: Invented, seed: str, instants: tuple[int, int, int, int]) -> Meter:
    installed, first, last, end = instants
    register_map, problems = parse_map(MAPS[one.map_name], one.map_name)
    assert register_map is not None, problems
    assert register_map.books is not None, f"{one.map_name} has a total"
    rate = int(measure(one.pump, "flow rate").si / one_count_m3(register_map) * 10**6)
    profile = Profile(irrigation(Pump(rate), f"{seed} {one.point}", installed, end))
    count = one.first_count
    if one.point == GOES_ROUND:
        at = _running(profile, first + (last - first) * 3 // 5)
        count = Rollover(at).first_count(profile, register_map.books.scale.capacity)
    silences = (Silent(last - SILENT_BEFORE_MS, last + SILENT_AFTER_MS),) if one.point == FALLS_SILENT else ()
    return Meter(one.address, register_map, profile, count, silences)


def _running(profile: Profile, from_ms: int) -> int:
    """The first moment from `from_ms` on at which the pump has been running for a while."""
    starts = [piece.start_ms for piece in profile.pieces if piece.rate and piece.start_ms >= from_ms]
    return starts[0] + 100 * MINUTE_MS if starts else from_ms


def whole_counts(meter: Meter, first_ms: int, last_ms: int) -> int:
    """By how many whole counts the total moved between two instants, rounds included."""
    before, after = (int(meter.first_count + meter.profile.volume(ms)) for ms in (first_ms, last_ms))
    return after - before

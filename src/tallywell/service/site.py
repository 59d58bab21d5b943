"""What a site file says, once read. Values only; the YAML keys are the names by which the record knows things."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.line.timing import ADAPTER_LATENCY_NS, LineSettings, Rs485, SocketSettings
from tallywell.readings import units
from tallywell.readings.units import Measure
from tallywell.registers.quantity import Display, RegisterMap

# A dead adapter is found and replaced within a week where anybody looks (common practice, no source).
USUAL_OUTAGE = Measure(Fraction(7), "day", 7 * units.DURATIONS["day"])


class Parity(StrEnum):
    """Parity of a character (Modbus over Serial Line V1.02, 2.5.1: even unless agreed otherwise)."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


class Framing(StrEnum):
    """What a line through a socket carries: Modbus TCP, or the frames of a serial line as they are."""

    TCP = "tcp"
    RTU = "rtu"


class Direction(StrEnum):
    """Who switches the direction of a two-wire pair, where the adapter does not do it by itself."""

    KERNEL = "kernel"


class Level(StrEnum):
    """How a signal stands."""

    HIGH = "high"
    LOW = "low"


class PermitKind(StrEnum):
    """What the paper is called where the site lies."""

    RIGHT = "right"
    LICENCE = "licence"
    REGISTRATION = "registration"


@dataclass(frozen=True, slots=True)
class Line:
    """One Modbus over serial line. `port` is as written, a stable path; 8 data bits always.

    `rs485`: how the driver switches the direction; None: the adapter does it. `listen_only`: another master asks, and
    nothing is ever sent.
    """

    name: str
    port: str
    baud: int
    parity: Parity = Parity.EVEN
    stop_bits: int = 1
    rs485: Rs485 | None = None
    listen_only: bool = False

    @property
    def bits_per_character(self) -> int:
        """Start bit, 8 data bits, parity and stop bits (Modbus over Serial Line V1.02, 2.5.1)."""
        return 1 + 8 + (self.parity is not Parity.NONE) + self.stop_bits

    @property
    def settings(self) -> LineSettings:
        """How its port is opened and timed. A request leaves as much later as the driver waits before it."""
        latency_ns = ADAPTER_LATENCY_NS + (self.rs485.before_ms * 1_000_000 if self.rs485 else 0)
        return LineSettings(
            self.port, self.baud, self.parity.value, self.stop_bits, latency_ns, self.rs485, self.listen_only
        )


@dataclass(frozen=True, slots=True)
class NetworkLine:
    """One line through a TCP connection: a gateway with its meters, or one meter. `host` is an address, no name."""

    name: str
    host: str
    tcp_port: int = 502
    framing: Framing = Framing.TCP

    @property
    def listen_only(self) -> bool:
        """Never: a host tells nobody what it tells others."""
        return False

    @property
    def settings(self) -> SocketSettings:
        """How it is connected to and timed."""
        return SocketSettings(self.host, self.tcp_port, self.framing.value)


AnyLine = Line | NetworkLine


@dataclass(frozen=True, slots=True)
class Well:
    """The agency's point."""

    name: str
    called: str
    agency_id: str = ""
    location: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class WellShare:
    """The part of a point's volume that is a well's, from local date `starts` to before `ends`."""

    well: str
    share: Fraction = Fraction(1)
    starts: date | None = None
    ends: date | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A place of measurement on a well. `map_name` is the map's file as written in the site file.

    `possible_rate` is what can physically pass (given, or the pipe's bore at 10 m/s), m3/s in its `si`.
    `counts_without_external_power` None = unknown. `longest_outage` None = the site's. `pump_running` and `hour_meter`
    name what the map tells of the pump (see `pump_signals`); with a run signal `running_above` is not used.
    """

    name: str
    called: str
    wells: tuple[WellShare, ...]
    line: str
    address: int
    map_name: str
    map: RegisterMap
    every_ms: int
    possible_rate: Measure
    pipe: Measure | None = None
    running_above: Measure | None = None
    display: Display | None = None
    counts_without_external_power: bool | None = None
    longest_outage: Measure | None = None
    pump_running: str | None = None
    hour_meter: str | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """The part of a point's volume that counts against a permit, from local date `starts` to before `ends`."""

    point: str
    share: Fraction
    starts: date | None = None
    ends: date | None = None

    def applies(self, day: date) -> bool:
        return (self.starts is None or self.starts <= day) and (self.ends is None or day < self.ends)


@dataclass(frozen=True, slots=True)
class Permit:
    """One paper. `year_starts`: month and day of the first day of its year.

    `authorised` is for each term of `authorised_years` years, the first of which begins on `authorised_from` (None: a
    term is a year, and it does not matter). Of what a term leaves at most `carry_over` is carried, for `carry_years`.
    """

    name: str
    called: str
    kind: PermitKind
    shares: tuple[Share, ...]
    authorised: Measure | None = None
    year_starts: tuple[int, int] = (1, 1)
    authorised_years: int = 1
    authorised_from: date | None = None
    carry_over: Measure | None = None
    carry_years: int = 0


@dataclass(frozen=True, slots=True)
class Site:
    """The whole site. Every mapping goes by name, in the order written. `record` is the folder as written, if it is.

    `longest_outage`: how long a meter may go unread before somebody mends it.
    """

    name: str
    time_zone: str
    lines: Mapping[str, AnyLine] = field(hash=False)
    wells: Mapping[str, Well] = field(hash=False)
    points: Mapping[str, Point] = field(hash=False)
    permits: Mapping[str, Permit] = field(hash=False)
    record: str | None = None
    longest_outage: Measure = USUAL_OUTAGE

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    def points_of(self, line: str) -> tuple[Point, ...]:
        """The points that hang on a line, in the order written."""
        return tuple(point for point in self.points.values() if point.line == line)

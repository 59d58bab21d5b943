"""What a site's lines will have to carry, and how long its totals last, reckoned before anything is wired. Pure.

An exchange costs request, silence, turnaround, reply, silence (Modbus over Serial Line V1.02, 2.5.1.1), the silence
before the next request being the meter's own `pause` where that is longer. Through a socket no wire time is known: the
turnaround alone is reckoned there. A share of a line is wire time over the time
between polls, the sets that are read hourly or daily averaged in; what is read only at the start is in no share.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from tallywell.line.timing import AnySettings
from tallywell.readings.exchange import Read
from tallywell.registers.blocks import Chosen, ReadSet, chosen_sets, plain_reads
from tallywell.registers.numbers import bounds_of_pattern, pattern_of_number
from tallywell.registers.quantity import EACH_POLL, Quantity, RegisterMap, Rhythm, Wake
from tallywell.service.site import AnyLine, Point, Site

# How long a meter thinks, beyond the silence that ends the request, before its answer begins. Tens of milliseconds are
# usual (common practice, no source); a map whose longest delay is shorter goes before it.
USUAL_TURNAROUND_NS = 20_000_000
MS_NS = 1_000_000


@dataclass(frozen=True, slots=True)
class Wire:
    """What some reads of one pass cost on the wire, a wake included: bytes sent and answered, and the time it takes at
    the usual turnaround and where every answer takes its longest delay.
    """

    reads: tuple[Read, ...]
    sent: int
    answered: int
    usual_ns: int
    longest_ns: int


@dataclass(frozen=True, slots=True)
class SetOutlook:
    """What is read together at one point: the reads chosen, and beside them one read for each quantity or group.

    `every_ns` None: read at the start only. `proven`: no permitted plan is better than the chosen one.
    """

    names: tuple[str, ...]
    rhythm: Rhythm
    every_ns: int | None
    chosen: Wire
    plain: Wire
    proven: bool

    @property
    def each_poll(self) -> bool:
        return self.rhythm == EACH_POLL

    def share(self, wire_ns: int) -> Fraction:
        """Which part of all time `wire_ns` is, once each time that this is read."""
        return Fraction(wire_ns, self.every_ns) if self.every_ns else Fraction(0)


@dataclass(frozen=True, slots=True)
class Round:
    """How long one total takes to go round once at the point's possible rate, exact.

    `step_m3`: of a float, how far its neighbours lie apart near the last count, where that is more than one count.
    """

    total: Quantity
    seconds: Fraction
    step_m3: Fraction | None = None


@dataclass(frozen=True, slots=True)
class PointOutlook:
    """One point. `alike`: reads whose answers nothing but their content tells apart, as they have one length.

    `held_ns`: how long after a waking the last of its reads has to wait, as its answer would look like the waking's; 0
    where none has to.
    """

    point: Point
    sets: tuple[SetOutlook, ...]
    alike: tuple[tuple[Read, ...], ...]
    held_ns: int
    rounds: tuple[Round, ...]

    @property
    def share(self) -> Fraction:
        return _share((self,), _usual)

    @property
    def least_ns(self) -> int | None:
        """The least `every` that this point alone could have; None where the rest of what it reads fills the line."""
        return _least((self,))


@dataclass(frozen=True, slots=True)
class LineOutlook:
    """One line with all its points. `cycle_ns`: the wire time in which each point is polled once."""

    line: AnyLine
    points: tuple[PointOutlook, ...]

    @property
    def cycle_ns(self) -> int:
        return sum(_polls_ns(point) for point in self.points)

    @property
    def least_ns(self) -> int | None:
        """The least `every` that all its points together could have."""
        return _least(self.points)

    @property
    def share(self) -> Fraction:
        """The part of all time in which the line is in use, at the rates of polling as stated."""
        return _share(self.points, _usual)

    @property
    def longest_share(self) -> Fraction:
        """The same where every answer takes its meter's longest delay."""
        return _share(self.points, _longest)


def outlook(site: Site) -> tuple[LineOutlook, ...]:
    """Every line of the site with its points, in the order written."""
    return tuple(_line_outlook(line, site.points_of(line.name)) for line in site.lines.values())


def _line_outlook(line: AnyLine, points: Iterable[Point]) -> LineOutlook:
    settings = line.settings
    found = []
    for point in points:
        sets = _sets(point, settings)
        held_ns = max((_held_ns(point.map, read, settings) for each in sets for read in each.chosen.reads), default=0)
        rounds = tuple(_round(total, point) for total in point.map.totals)
        alike = () if settings.numbered else _alike(sets)
        found.append(PointOutlook(point, sets, alike, held_ns, rounds))
    return LineOutlook(line, tuple(found))


def _sets(point: Point, settings: AnySettings) -> tuple[SetOutlook, ...]:
    every_ns = point.every_ms * MS_NS
    return tuple(_set(point.map, *found, every_ns, settings) for found in chosen_sets(point.map, every_ns))


def _set(register_map: RegisterMap, found: ReadSet, best: Chosen, every_ns: int, settings: AnySettings) -> SetOutlook:
    return SetOutlook(
        found.names,
        found.rhythm,
        every_ns if found.rhythm == EACH_POLL else found.rhythm.every_ns,
        wire_of(register_map, best.reads, settings),
        wire_of(register_map, plain_reads(register_map, found.names), settings),
        best.proven,
    )


def wire_of(register_map: RegisterMap, plan: Sequence[Read], settings: AnySettings) -> Wire:
    """What one pass over `plan` costs: one exchange after the other, and waking the meter where it sleeps."""
    limits, silence_ns = register_map.limits, settings.silence_ns
    longest_ns = max(0, limits.longest_delay_ns - silence_ns)  # the delay counts from the request's last bit
    pause_ns = max(0, limits.pause_ns - silence_ns)

    def taking(turnaround_ns: int) -> tuple[int, int]:
        steps = [
            (_held_ns(register_map, read, settings), settings.exchange_ns(read, turnaround_ns) + pause_ns)
            for read in plan
        ]
        return _with_wakes(steps, register_map.wake, settings.wire_ns(settings.request_length) + pause_ns, silence_ns)

    (usual_ns, wakes), (longest_ns, _) = taking(min(USUAL_TURNAROUND_NS, longest_ns)), taking(longest_ns)
    sent = settings.request_length * (len(plan) + wakes)
    return Wire(tuple(plan), sent, sum(settings.reply_length(read) for read in plan), usual_ns, longest_ns)


def _held_ns(register_map: RegisterMap, read: Read, settings: AnySettings) -> int:
    """How long after a waking a read must wait whose answer would look like one to the waking: until that can no longer
    come. Where answers carry the number of their request, none does.
    """
    wake = register_map.wake
    if settings.numbered or wake is None or _answer_of(read) != _answer_of(wake.read):
        return 0
    once_ns = register_map.limits.longest_delay_ns + settings.wire_ns(settings.reply_length(read))
    return 2 * once_ns + settings.latency_ns + settings.silence_ns  # in time, and late: as long again


def _with_wakes(
    steps: Iterable[tuple[int, int]], wake: Wake | None, request_ns: int, silence_ns: int
) -> tuple[int, int]:
    """How long the exchanges take one after the other, each (held since the waking, its own time), and how often the
    meter must be woken: before the first, and again wherever its window is over.
    """
    if wake is None:
        return sum(exchange_ns for _, exchange_ns in steps), 0
    wait_ns = max(wake.wait_ns, silence_ns)
    all_ns, wakes, since_ns = 0, 0, wake.window_ns
    for held_ns, exchange_ns in steps:
        if since_ns >= wake.window_ns:
            all_ns, wakes, since_ns = all_ns + request_ns + wait_ns, wakes + 1, wait_ns
        step_ns = max(0, held_ns - since_ns) + exchange_ns
        all_ns, since_ns = all_ns + step_ns, since_ns + step_ns
    return all_ns, wakes


def _usual(wire: Wire) -> int:
    return wire.usual_ns


def _longest(wire: Wire) -> int:
    return wire.longest_ns


def _share(points: Iterable[PointOutlook], ns: Callable[[Wire], int]) -> Fraction:
    return sum((each.share(ns(each.chosen)) for point in points for each in point.sets), Fraction(0))


def _polls_ns(point: PointOutlook) -> int:
    return sum(each.chosen.usual_ns for each in point.sets if each.each_poll)


def _least(points: Sequence[PointOutlook]) -> int | None:
    """Where all are polled each E, the polls take polls/E of the time; what has a rhythm of its own takes the rest."""
    rest = sum(
        (each.share(each.chosen.usual_ns) for point in points for each in point.sets if not each.each_poll), Fraction(0)
    )
    return None if rest >= 1 else math.ceil(sum(map(_polls_ns, points)) / (1 - rest))


def _alike(sets: Iterable[SetOutlook]) -> tuple[tuple[Read, ...], ...]:
    """Groups of different reads with one function and one length of answer: a late answer to one fits another."""
    groups: dict[tuple[int, int], list[Read]] = {}
    for read in dict.fromkeys(read for each in sets for read in each.chosen.reads):
        groups.setdefault(_answer_of(read), []).append(read)
    return tuple(tuple(group) for group in groups.values() if len(group) > 1)


def _answer_of(read: Read) -> tuple[int, int]:
    """All that an answer says of its request: the function, and how many bytes it carries (V1.1b3, 6.1 to 6.4)."""
    return read.function, read.content_bytes


def _round(total: Quantity, point: Point) -> Round:
    scale = total.scale
    return Round(total, scale.capacity * scale.one_count_m3 / point.possible_rate.si, float_step(total))


def float_step(total: Quantity) -> Fraction | None:
    """The volume, in m3, between the float nearest the last count and its neighbours; None where one count is more."""
    if not total.type.is_float or total.si_per_unit is None or total.low_part is not None:
        return None
    factor = total.factor.least if total.factor else 1
    scale, m3_per_raw = total.scale, factor * total.step * total.si_per_unit
    try:
        last = pattern_of_number((scale.capacity - 1) * scale.one_count_m3 / m3_per_raw, total.type)
    except ValueError:  # beyond what the type holds: the map's own fault
        return None
    low, high = bounds_of_pattern(last, total.type)
    step_m3 = (high - low) * m3_per_raw
    return step_m3 if step_m3 > scale.one_count_m3 else None

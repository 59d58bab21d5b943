"""Small texts for the ledger: readings in, intervals out. One line a fact, the time first:

00:00 1000              a reading, exact
00:15 1000..1004        a reading with bounds (the count is the middle)
00:30 missed no_answer  a missed poll          00:45 happened started
undated 1010            a reading of a boot that no anchor dates
next boot               the facts that follow are of the next boot
01:00 by hand 1012      a hand reading         01:15 1015 1/100    a count of that many m3
01:30 1020 digits 9     a register that goes round after so many digits
01:45 1020 flow 40      a flow rate of so many counts a minute beside it: all that the poll brought
02:00 1030 says empty_pipe      the meter says that it does not count      02:15 1040 doubts coil   or is suspect
02:30 missed no_answer flow 40  the flow rate came, the total did not
02:45 1050 runs         a run signal of the pump's own      03:00 1050 stands
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import pytest

from tallywell.ledger.fold import Fact, begin, fold
from tallywell.ledger.intervals import OF_SEGMENT, Interval
from tallywell.ledger.rules import Rules
from tallywell.readings.clocks import When
from tallywell.readings.quantities import HandReading, Happened, Installed, Missed, Reading, Scale
from tallywell.readings.total import Total

DAY = datetime(2026, 7, 1, tzinfo=UTC)
MINUTE_MS = 60_000
GALLON = Fraction("0.003785411784")
RULES = Rules(every_ms=15 * MINUTE_MS, possible_rate_m3s=GALLON * 1000 / 60)  # 1,000 counts a minute


def at_ms(clock: str) -> int:
    """ "14:05" on the first day, "1d 14:05" a day later."""
    days, _, hours = clock.rpartition("d ")
    hour, minute = hours.split(":")
    return int((DAY + timedelta(days=int(days or 0), hours=int(hour), minutes=int(minute))).timestamp()) * 1000


def total(text: str) -> Total:
    low, _, high = text.partition("..")
    return Total((int(low) + int(high)) // 2, int(low), int(high)) if high else Total.exact(int(low))


@dataclass
class Story:
    """A text turned into facts."""

    scale: Scale
    within_ms: int = 0
    tears: tuple[int, ...] = ()

    def facts(self, text: str) -> list[Fact]:
        boot = 1
        facts: list[Fact] = []
        for line in filter(None, map(str.strip, text.strip().splitlines())):
            if line == "next boot":
                boot += 1
            else:
                facts.append(self._fact(len(facts) + 1, boot, line))
        return facts

    def _fact(self, seq: int, boot: int, line: str) -> Fact:
        days, clock = "", line.split(maxsplit=1)[0]
        if clock.endswith("d") and clock[:-1].isdigit():
            days, line = clock + " ", line.split(maxsplit=1)[1]
        clock, *words = line.split()
        ms = None if clock == "undated" else at_ms(days + clock)
        when = When(boot, (ms or 0) - at_ms("00:00"), ms, self.within_ms)
        if words[0] == "missed":
            flow = int(words[3]) * self.scale.one_count_m3 / 60 if words[2:3] == ["flow"] else None
            return Missed(seq, when, words[1], flow)
        if words[0] == "happened":
            return Happened(seq, when, " ".join(words[1:]))
        if words[:2] == ["by", "hand"]:
            assert ms is not None
            return HandReading(f"hand-{seq}", ms, total(words[2]), "the operator")
        if words[1:2] in (["says"], ["doubts"]):
            names = frozenset(words[2:3])
            reading = Reading(seq, when, total(words[0]), self.scale)
            return replace(reading, not_counting=names) if words[1] == "says" else replace(reading, suspect=names)
        if words[1:2] in (["runs"], ["stands"]):
            return Reading(seq, when, total(words[0]), self.scale, running=words[1] == "runs")
        scale, flow = self.scale, None
        if words[1:2] == ["flow"]:
            flow = int(words[2]) * scale.one_count_m3 / 60
        elif words[1:2] == ["digits"]:
            scale = Scale(scale.one_count_m3, 10 ** int(words[2]))
        elif len(words) > 1:
            scale = Scale(Fraction(words[1]), scale.capacity)
        came = b"" if flow is None else " ".join(words).encode()
        return Reading(seq, when, total(words[0]), scale, flow, words=came, tears=self.tears)


def shown(one: Interval) -> str:
    """ "00:00-00:15 +10 metered [10, 10]" and so on: the interval in one line, flags of the segment left out."""
    times = [f"{datetime.fromtimestamp(ms / 1000, UTC) - DAY}"[:-3] for ms in (one.begin_ms, one.end_ms)]
    rounds = f" rollovers {one.rollovers}" if one.rollovers else ""
    flags = "".join(sorted(f" ({flag})" for flag in one.flags - OF_SEGMENT))
    kind = one.kind.partition(" to a person")[0]
    return f"{'-'.join(times)} +{one.posted} {kind}{rounds} [{one.low}, {one.high}]{flags}"


@pytest.fixture
def intervals() -> Callable[..., list[Interval]]:
    def told(text: str, digits: int = 8, *, rules: Rules = RULES, **more: Any) -> list[Interval]:
        """`more`: what `begin` takes (installed, seasons, settled), else what a Story does."""
        entries = {name: more.pop(name) for name in ("installed", "seasons", "settled") if name in more}
        facts = Story(Scale(GALLON, 10**digits), **more).facts(text)
        return list(fold(facts, begin(rules, **entries)))

    return told


@pytest.fixture
def lines(intervals: Callable[..., list[Interval]]) -> Callable[..., list[str]]:
    """The intervals of a text, one line each."""
    return lambda *args, **more: [shown(one) for one in intervals(*args, **more)]


@pytest.fixture
def installed() -> Callable[..., Installed]:
    return lambda uuid, clock, first_count: Installed(uuid, at_ms(clock), first_count, f"serial of {uuid}")


@pytest.fixture
def clock_ms() -> Callable[[str], int]:
    return at_ms

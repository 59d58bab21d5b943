"""What passes over a line, in sentences, and counted by point (pure). Times are nanoseconds of CLOCK_BOOTTIME."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from tallywell.line.kept import Missing
from tallywell.line.overheard import Overhearing
from tallywell.line.timing import AnySettings
from tallywell.line.whose import whose
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.readings.traffic import Asked, Passed, Traffic, Way
from tallywell.registers.decode import holds
from tallywell.registers.described import reads_text
from tallywell.reports.table import Column, table, wrapped
from tallywell.service.pump_and_faults import Exchanges, PumpAndFaults
from tallywell.service.site import Point

WIDTH = 100
INDENT = " " * 14
SHOWN_BYTES = 24
OURS = frozenset({Fault.PORT_LOST, Fault.STOPPED})  # says nothing of the meter
_WHAT: Mapping[Fault, str] = {
    Fault.BAD_CRC: "its checksum does not hold",
    Fault.WRONG_LENGTH: "it is cut short, or too long",
    Fault.STRAY_BYTES: "bytes that are no part of the answer",
    Fault.WRONG_ADDRESS: "a sound frame of another address, or a late one",
    Fault.WRONG_FUNCTION: "a sound frame to another function",
    Fault.WRONG_BYTE_COUNT: "a sound frame with another number of bytes",
    Fault.EXCEPTION: "the meter refuses",
    Fault.PORT_LOST: "there is no way to the line",
    Fault.STOPPED: "it was given up",
}


@dataclass(slots=True)
class Tally:
    """Of one address. `longest_ns`: the slowest answer."""

    pump: PumpAndFaults

    asked: int = 0
    good: int = 0
    faults: Counter[Fault] = field(default_factory=Counter)
    longest_ns: int = 0
    allowed_ns: int = 0

    def count(self, outcome: Outcome) -> None:
        if outcome.fault in OURS:
            return
        self.asked += 1
        self.allowed_ns = outcome.ask.longest_delay_ns
        if outcome.fault is None:
            self.good += 1
            if outcome.first_ns is not None:
                self.longest_ns = max(self.longest_ns, outcome.first_ns - outcome.sent_ns)
        else:
            self.faults[outcome.fault] += 1
        self.pump.after(outcome)


class Telling:
    """One line. `after` takes what passed, in order. `at`: how an instant is written, twelve characters.

    `listened`: another master asks there, and its exchanges are told. `only_refused`: what went well is counted only.
    """

    def __init__(
        self,
        line: str,
        settings: AnySettings,
        points: Iterable[Point],
        at: Callable[[int], str],
        *,
        listened: bool = False,
        only_refused: bool = False,
    ) -> None:
        self.line = line
        self.points = {point.address: point for point in points}
        self.tallies: dict[int, Tally] = {}
        self._settings = settings
        self._at = at
        self._listened = listened
        self._only_refused = only_refused
        self._ear: Overhearing | None = None
        self._running = False  # whether an exchange of ours goes on
        self._before = b""  # heard when it had begun and its request had not left
        self._sent = False
        self._ours = b""  # our last request
        self._last_ns: int | None = None  # the last byte heard or sent
        self._silence_ns: int | None = None  # before the request of the exchange that runs

    def after(self, passed: Passed) -> list[str]:
        match passed:
            case Asked():
                self._running, self._sent, self._before, self._silence_ns = True, False, b"", None
                return []
            case Outcome():
                return self._ended(passed)
            case Traffic(content=b""):
                return [f"{self._at(passed.at_ns)}  line {self.line}: its port was opened"]
            case Traffic(way=Way.SENT):
                self._sent, self._ours = True, passed.content
                self._silence_ns = None if self._last_ns is None else passed.at_ns - self._last_ns
                self._last_ns = passed.at_ns + self._settings.wire_ns(len(passed.content))
                return []
            case Traffic():
                return self._heard(passed)

    def overheard_until(self, now_ns: int) -> list[str]:
        """Of a line that is listened to: what the silence until now has ended."""
        if self._ear is None:
            return []
        self._ear.expire(now_ns)
        return [said for outcome in self._ear.take() for said in self._told(outcome)]

    def _heard(self, heard: Traffic) -> list[str]:
        self._last_ns = heard.at_ns
        if self._listened:
            if self._ear is None:
                delays = {address: point.map.limits.longest_delay_ns for address, point in self.points.items()}
                self._ear = Overhearing(self._settings, heard.at_ns, delays)
            said = self.overheard_until(heard.at_ns - 1)
            self._ear.receive(heard.content, heard.at_ns)
            return said + [line for outcome in self._ear.take() for line in self._told(outcome)]
        if self._running:  # the outcome tells what became of it
            self._before += b"" if self._sent else heard.content
            return []
        by = self._whose(heard.content)
        sentence = f"line {self.line}: heard while nobody was asked{by}: {in_hex(heard.content)}"
        first, *rest = wrapped(sentence, WIDTH - len(INDENT))
        return [f"{self._at(heard.at_ns)}  {first}", *(INDENT + more for more in rest)]

    def missed(self, missing: Missing) -> list[str]:
        """What passed and could not be seen."""
        self._last_ns = None
        said = "1 exchange was" if missing.count == 1 else f"{missing.count} exchanges were"
        return [f"{self._at(missing.at_ns)}  line {self.line}: {said} not seen, as this could not follow"]

    def _whose(self, heard: bytes) -> str:
        """Numbered frames tell by themselves to which request they belong, and are refused by it."""
        known = {address: point.name for address, point in self.points.items()}
        found = "" if self._settings.numbered else whose(heard, known, self._ours)
        return found and f" ({found})"

    def _ended(self, outcome: Outcome) -> list[str]:
        self._running = False
        return self._told(outcome)

    def _told(self, outcome: Outcome) -> list[str]:
        ask = outcome.ask
        if ask.expects_reply:
            if ask.address not in self.tallies:
                self.tallies[ask.address] = Tally(PumpAndFaults(self.points.get(ask.address)))
            self.tallies[ask.address].count(outcome)
        if self._only_refused and outcome.fault is None and not outcome.refused and not self._before:
            return []
        head = f"{self._who(ask.address)}, {self._what(ask)}{self._after_silence()}"
        first, *rest = wrapped(head, WIDTH - len(INDENT))
        said = [f"{self._at(outcome.sent_ns)}  {first}", *(INDENT + more for more in rest)]
        for sentence in self._sentences(outcome):
            said += [INDENT + more for more in wrapped(sentence, WIDTH - len(INDENT))]
        return said

    def _after_silence(self) -> str:
        return "" if self._silence_ns is None or self._listened else f", after {ms(self._silence_ns)} of silence"

    def _who(self, address: int) -> str:
        point = self.points.get(address)
        return f"address {address}" if point is None else f"{point.name} (address {address})"

    def _what(self, ask: Ask) -> str:
        if not ask.expects_reply:
            return f"woken by {reads_text([ask.read])}"
        names = self._names(ask.address, ask.read)
        few = names if len(names) <= 4 else (*names[:3], f"{len(names) - 3} more")
        return reads_text([ask.read]) + (f": {', '.join(few)}" if few else "")

    def _names(self, address: int, read: Read) -> tuple[str, ...]:
        point = self.points.get(address)
        quantities = {} if point is None else point.map.quantities
        return tuple(name for name, quantity in quantities.items() if holds(read, quantity))

    def _sentences(self, outcome: Outcome) -> Iterator[str]:
        if self._before:
            by = self._whose(self._before)
            yield f"heard before the request, which waited for silence{by}: {in_hex(self._before)}"
        if outcome.echoed:
            yield "our own request came back first, whole: an echo, thrown away"
        yield self._end(outcome)
        for refused in outcome.refused:
            if not refused.unasked:
                yield _refused(refused)

    def _end(self, outcome: Outcome) -> str:
        if not outcome.ask.expects_reply:
            return "no answer is waited for" if outcome.fault is None else f"{outcome.fault}: {_WHAT[outcome.fault]}"
        delay = "" if outcome.first_ns is None else _delay(outcome.first_ns - outcome.sent_ns)
        if outcome.data is not None:
            assert outcome.first_ns is not None
            return f"good{delay}, over {ms(outcome.ended_ns - outcome.first_ns)} later: {in_hex(outcome.data)}"
        if outcome.fault is Fault.NO_ANSWER:
            waited = ms(outcome.ended_ns - outcome.sent_ns)
            code = "" if outcome.exception_code is None else f" (exception {outcome.exception_code} of a gateway)"
            return f"no_answer: nothing of it within {waited}{code}"
        assert outcome.fault is not None
        code = "" if outcome.exception_code is None else f" with exception {outcome.exception_code}"
        return f"{outcome.fault}{delay}: {_WHAT.get(outcome.fault, 'it is no answer')}{code}"


def _delay(ns: int) -> str:
    """From the last bit of our request to the first byte seen."""
    return f" {ms(-ns)} before our last bit was out" if ns < 0 else f" after {ms(ns)}"


def _refused(refused: Refused) -> str:
    return f"refused as {refused.fault}: {in_hex(refused.heard)}"


def in_hex(content: bytes) -> str:
    shown = content[:SHOWN_BYTES].hex(" ")
    return shown if len(content) <= SHOWN_BYTES else f"{shown} ... ({len(content)} bytes)"


def ms(ns: int) -> str:
    """ "27.3 ms", from a tenth of a second on "273 ms"."""
    if ns >= 100_000_000:
        return f"{(ns + 500_000) // 1_000_000} ms"
    tenths = (ns + 50_000) // 100_000
    return f"{tenths // 10}.{tenths % 10} ms"


_COLUMNS = (
    Column("Point"), Column("Asked", right=True), Column("Good", right=True), Column("Slowest", right=True),
    Column("Allowed", right=True), Column("Running", right=True), Column("Still", right=True), Column("Missed"),
)  # fmt: skip


def summary(tellings: Sequence[Telling]) -> list[str]:
    """A row for each address that was asked: how many answers were good, how slow, and what was missed.

    Running and Still: of a hundred exchanges, so many failed while the pump ran, and while it stood.
    """
    rows = [
        (
            _name(telling, address), str(tally.asked), str(tally.good),
            ms(tally.longest_ns) if tally.good else "", ms(tally.allowed_ns),
            _of_hundred(tally.pump.running), _of_hundred(tally.pump.still),
            ", ".join(f"{fault} {count}" for fault, count in tally.faults.most_common()),
        )
        for telling in tellings
        for address, tally in sorted(telling.tallies.items())
        if tally.asked
    ]  # fmt: skip
    if not rows:
        return ["nothing was asked"]
    if not any(row[5] or row[6] for row in rows):
        return table(_COLUMNS[:5] + _COLUMNS[7:], [row[:5] + row[7:] for row in rows], indent=0)
    said = (
        "Running, Still: failed of 100 exchanges while the pump ran, and while it stood. One between two answers of "
        "which one shows the one and one the other is in neither."
    )
    return [*table(_COLUMNS, rows, indent=0), *wrapped(said, WIDTH)]


def _name(telling: Telling, address: int) -> str:
    point = telling.points.get(address)
    return f"address {address} on {telling.line}" if point is None else point.name


def _of_hundred(state: Exchanges) -> str:
    """To a tenth."""
    if not state.asked:
        return ""
    tenths = (2000 * state.failed + state.asked) // (2 * state.asked)
    return f"{tenths // 10}.{tenths % 10}"

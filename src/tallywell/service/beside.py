"""What a line brings beside the answers: echoes, and bytes that nobody asked for (pure).

One such byte is a spike on the cable. Where they keep coming, somebody else talks there, or the cable catches noise.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from tallywell.line import frame
from tallywell.line.judge import stated_length
from tallywell.readings.exchange import Outcome
from tallywell.service.line_news import LineNews

ECHO, UNASKED, UNASKED_OVER = "echo", "unasked_bytes", "unasked_bytes_over"  # events of the record
SO_MANY, WITHIN_NS = 3, 600_000_000_000  # times within ten minutes: one start of a pump is no more than one or two
OVER_NS = 3_600_000_000_000  # an hour without
SHOWN_BYTES = 16


@dataclass(frozen=True, slots=True)
class Beside:
    """What is known of a line. `last_ns`: when bytes came last that nobody asked for, the newest SO_MANY times.

    `told`: that they keep coming was said and is not over; `times` and `size` of them: since then.
    """

    line: str
    echoes: bool = False
    last_ns: tuple[int, ...] = ()
    told: bool = False
    times: int = 0
    size: int = 0

    def after(self, outcome: Outcome) -> "tuple[Beside, tuple[LineNews, ...]]":
        """The same after one more exchange, and what is new."""
        now, echo = self._echo(outcome)
        unasked = b"".join(refused.heard for refused in outcome.refused if refused.unasked)
        now, strays = now._heard(unasked, outcome.ended_ns) if unasked else now._quiet(outcome.ended_ns)
        return now, (*echo, *strays)

    def _echo(self, outcome: Outcome) -> "tuple[Beside, tuple[LineNews, ...]]":
        if self.echoes or not outcome.echoed:
            return self, ()
        said = "the adapter hears what it sends; each echo is compared byte by byte and thrown away"
        return replace(self, echoes=True), (self._news(outcome.ended_ns, said, ECHO, {}),)

    def _heard(self, unasked: bytes, at_ns: int) -> "tuple[Beside, tuple[LineNews, ...]]":
        last_ns = (*self.last_ns, at_ns)[-SO_MANY:]
        now = replace(self, last_ns=last_ns, times=self.times + 1, size=self.size + len(unasked))
        if self.told or len(last_ns) < SO_MANY or at_ns - last_ns[0] > WITHIN_NS:
            return now, ()
        content: dict[str, object] = {"heard": unasked.hex(), "units": sorted(units_in(unasked))}
        return replace(now, told=True), (self._news(at_ns, unasked_said(unasked), UNASKED, content),)

    def _quiet(self, at_ns: int) -> "tuple[Beside, tuple[LineNews, ...]]":
        if not self.last_ns or at_ns - self.last_ns[-1] < OVER_NS:
            return self, ()
        now = replace(self, last_ns=(), told=False, times=0, size=0)
        if not self.told:
            return now, ()
        said = f"no bytes that nobody asked for since an hour; they came {self.times} times, {self.size} in all"
        return now, (self._news(at_ns, said, UNASKED_OVER, {"times": self.times, "bytes": self.size}),)

    def _news(self, at_ns: int, said: str, name: str, content: dict[str, object]) -> LineNews:
        return LineNews(at_ns, f"line {self.line}: {said}", (name, {"line": self.line, **content}))


def unasked_said(heard: bytes) -> str:
    """That bytes keep coming, the last of them, and who may have sent them."""
    shown = heard[:SHOWN_BYTES].hex(" ") + (" ..." if len(heard) > SHOWN_BYTES else "")
    return f"bytes keep coming that nobody asked for, such as {shown}: {_who(units_in(heard))}"


def units_in(heard: bytes) -> frozenset[int]:
    """The addresses of sound frames anywhere in what was heard: requests for a read, and replies to one."""
    return frozenset(heard[at] for at in range(len(heard)) if any(_frames_at(heard, at)))


def _frames_at(heard: bytes, at: int) -> Iterable[bool]:
    for length in {frame.REQUEST_LENGTH, stated_length(heard[at : at + 3]) or frame.REQUEST_LENGTH}:
        yield at + length <= len(heard) and 0 < heard[at] <= 247 and frame.crc_holds(heard[at : at + length])


def _who(units: frozenset[int]) -> str:
    if units:
        named = " and ".join(str(unit) for unit in sorted(units)[:3])
        return (
            f"another master is on this line (frames of unit {named}). Two that ask at once spoil both: "
            "`listen_only` where that one has to stay"
        )
    return (
        "noise, or another master. Do they come only while a pump runs? Have shield, termination, bias and the way "
        "of the cable past the drive looked at; `tallywell frames` shows each of them"
    )

"""What the record and the log say of a line whose port went or came back (pure)."""

from dataclasses import dataclass

from tallywell.line.away import Back, Change, Lost
from tallywell.service.sentences import duration
from tallywell.service.site import AnyLine, Line

MS_NS = 1_000_000
LOST, BACK = "port_lost", "port_back"  # events of the record


@dataclass(frozen=True, slots=True)
class PortNews:
    """What happened to the port of a line. `at_ns`: the boot clock's instant."""

    line: AnyLine
    change: Change

    @property
    def at_ns(self) -> int:
        return self.change.at_ns

    @property
    def event(self) -> tuple[str, dict[str, object]] | None:
        """Name and content of its event; None where only the reason has changed, which is for the log alone."""
        way: dict[str, object] = {"line": self.line.name, _way(self.line): _written(self.line)}
        match self.change:
            case Lost(again=True):
                return None
            case Lost() as lost:
                return LOST, way | {"reason": lost.first.value, "device": lost.device, "why": lost.why.what}
            case Back() as back:
                gone = {"reason": back.lost.first.value, "away_ms": back.away_ns // MS_NS}
                return BACK, way | gone | {"device": back.device, "before": back.lost.device}

    @property
    def said(self) -> str:
        """The line of the log."""
        if isinstance(self.change, Lost):
            return f"line {self.line.name}: {self.change.why}"
        return f"line {self.line.name}: {self.line.settings.called} {_returned(self.line, self.change)}"


def _returned(line: AnyLine, back: Back) -> str:
    after = f"after {duration(back.away_ns // MS_NS)}"
    if not isinstance(line, Line):
        return f"is connected to again {after}"
    if not back.lost.device:
        return f"could be opened {after}"
    named = f", as {back.device} (before: {back.lost.device})" if back.device != back.lost.device else ""
    return f"is back {after}{named}"


def _way(line: AnyLine) -> str:
    return "port" if isinstance(line, Line) else "host"


def _written(line: AnyLine) -> str:
    return line.port if isinstance(line, Line) else line.host

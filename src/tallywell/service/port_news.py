"""What the record and the log say of a line whose port went or came back (pure)."""

from tallywell.line.away import Back, Change, Lost
from tallywell.service.line_news import LineNews
from tallywell.service.sentences import duration
from tallywell.service.site import AnyLine, Line

MS_NS = 1_000_000
LOST, BACK = "port_lost", "port_back"  # events of the record


def port_news(line: AnyLine, change: Change) -> LineNews:
    """What happened to the port of a line. Only another reason is for the log alone."""
    return LineNews(change.at_ns, _said(line, change), _event(line, change))


def _event(line: AnyLine, change: Change) -> tuple[str, dict[str, object]] | None:
    way: dict[str, object] = {"line": line.name, _way(line): _written(line)}
    match change:
        case Lost(again=True):
            return None
        case Lost() as lost:
            return LOST, way | {"reason": lost.first.value, "device": lost.device, "why": lost.why.what}
        case Back() as back:
            gone = {"reason": back.lost.first.value, "away_ms": back.away_ns // MS_NS}
            return BACK, way | gone | {"device": back.device, "before": back.lost.device}


def _said(line: AnyLine, change: Change) -> str:
    if isinstance(change, Lost):
        return f"line {line.name}: {change.why}"
    return f"line {line.name}: {line.settings.called} {_returned(line, change)}"


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

"""What the log, the record and `status` say of a line that is asked for more than it has time for (pure)."""

from tallywell.schedule.load import Load
from tallywell.service.line_news import LineNews

OVERFULL, HAS_ROOM = "line_overfull", "line_has_room"  # events of the record
MS_NS = 1_000_000
_DO = (
    "totals are read first, the rest as there is time; poll its points less often (`tallywell check` shows the least "
    "possible `every`), mend or take out meters that do not answer, raise the baud rate, or give it fewer meters"
)


def load_news(line: str, before: Load, now: Load, at_ns: int) -> LineNews | None:
    """None where nothing has changed between the two."""
    if before.overfull == now.overfull:
        return None
    if not now.overfull:
        said = f"line {line}: it has room again, each poll stands on its mark"
        return LineNews(at_ns, said, (HAS_ROOM, {"line": line}))
    content: dict[str, object] = {
        "line": line, "since_boot_ms": now.since_ns // MS_NS, "due": now.due, "made": now.made,
    }  # fmt: skip
    return LineNews(at_ns, f"line {line}: it is overfull; {counted_said(now.due, now.made)}", (OVERFULL, content))


def counted_said(due: int, made: int) -> str:
    """By how much, and what to do."""
    return f"of {due} polls that were due {made} were made, as there was no time for more; {_DO}"

"""What the record says is wrong at present with lines and reads, by events that have no end yet. Reads only."""

import json
from dataclasses import dataclass

from tallywell.service.beside import UNASKED, UNASKED_OVER, unasked_said
from tallywell.service.line_load import HAS_ROOM, OVERFULL, counted_said
from tallywell.service.refusals import ANSWERED, REFUSED, Refusal, refusal_noted
from tallywell.service.sentences import clock_time
from tallywell.service.site import Site
from tallywell.store.query import Reader


@dataclass(frozen=True, slots=True)
class InForce:
    """`lines`: a sentence for each that is overfull or brings bytes that nobody asked for; `refused`: by point."""

    lines: tuple[str, ...]
    refused: dict[str, tuple[Refusal, ...]]


def in_force_now(reader: Reader, site: Site) -> InForce:
    """Since the last start of a writer: each notes anew what it finds."""
    accepted = reader.last_accepted()
    overfull: dict[str, str] = {}
    unasked: dict[str, str] = {}
    refused: dict[str, dict[object, Refusal]] = {}
    events = () if accepted is None else tuple(reader.events_back(down_to_seq=accepted.seq))
    for event in reversed(events):
        if event.name == OVERFULL:
            told = json.loads(event.content)
            since = clock_time(event.shown_ms - event.boot_ms + told["since_boot_ms"], site.zone)
            said = f"line {told['line']} is overfull since {since}: {counted_said(told['due'], told['made'])}"
            overfull[told["line"]] = said
        elif event.name == HAS_ROOM:
            overfull.pop(json.loads(event.content)["line"], None)
        elif event.name == UNASKED:
            told = json.loads(event.content)
            since = clock_time(event.shown_ms, site.zone)
            unasked[told["line"]] = f"line {told['line']}, since {since}: {unasked_said(bytes.fromhex(told['heard']))}"
        elif event.name == UNASKED_OVER:
            unasked.pop(json.loads(event.content)["line"], None)
        elif event.name in (REFUSED, ANSWERED):
            point, one = refusal_noted(event.content)
            refused.setdefault(point, {}).pop(one.read, None)
            if event.name == REFUSED:
                refused[point][one.read] = one
    lines = (*overfull.values(), *unasked.values())
    return InForce(lines, {point: tuple(found.values()) for point, found in refused.items()})

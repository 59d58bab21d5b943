"""Entries of meters that the readings had run on past before a stretch begins: they say nothing of that stretch.

A fold that begins at a period meets only the readings near it. Whether the last meter that was entered before ever hung
there, is told by the readings around its entry.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import NOTES, Flag, Interval
from tallywell.readings.quantities import Change, Installed

_WITH_A_COUNT = frozenset({Change.INSTALLED, Change.CHANGED, Change.MOVED_HERE, Change.RESET})
Around = Callable[[Sequence[Installed], int, int], Iterable[Interval]]


def run_past(changes: Sequence[Installed], before_ms: int, around: Around) -> Iterator[Installed]:
    """The newest of `changes` before an instant that the readings ran on past, down to the first that they bear out.

    `around`: the intervals under so many changes, between two instants and as far around as it takes.
    """
    earlier = [one for one in changes if one.about_ms < before_ms]
    while earlier and _contradicted(earlier, around):
        yield earlier.pop()


def _contradicted(changes: Sequence[Installed], around: Around) -> bool:
    last = changes[-1]
    if last.change not in _WITH_A_COUNT or last.first_count is None:
        return False
    begin, end = last.about_ms - BY_HAND_MS, last.about_ms + BY_HAND_MS
    met = [one for one in around(changes, begin, end) if one.kind not in NOTES]
    refused = any(Flag.ENTRY_UNFIT in one.flags and one.begin_ms <= end and one.end_ms >= begin for one in met)
    return refused and all(one.segment.id != last.uuid for one in met)

"""What a corrected map would make of history, beside what the books say now. Reads only; nothing is changed by it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from tallywell.ledger.intervals import POSTS, Interval, Kind
from tallywell.ledger.periods import Period, days, local, midnight_ms
from tallywell.ledger.sums import Parts
from tallywell.readings.clocks import When
from tallywell.readings.facts import Entry, Poll
from tallywell.readings.quantities import LedgerFact, Missed, Reading
from tallywell.service.following import followed
from tallywell.service.ledger_facts import reach_of
from tallywell.service.site import Point, Site
from tallywell.stated.content import in_force
from tallywell.stated.rereads import Reread, reread_content
from tallywell.store.canonical import canonical
from tallywell.store.query import Reader

SHOWN = 3  # readings shown at the beginning
# A right map may lose a few polls (a value that it says is none); of a wrong one nearly all are lost. No source.
FEW = Fraction(1, 20)
# What follows from none of its neighbours: words taken for a number that they are not make such readings by the dozen.
_MISFITS = frozenset({Kind.GLITCH, Kind.TORN, Kind.UNDECIDED, Kind.IMPOSSIBLE_STEP, Kind.UNEXPLAINED_DECREASE})
NOT_ASKED = "its registers were not asked for"


@dataclass(frozen=True, slots=True)
class Both:
    """A month before and after; None: nothing metered."""

    label: str
    before_m3: Fraction | None
    after_m3: Fraction | None


@dataclass(frozen=True, slots=True)
class Effect:
    """`polls`: so many that brought a total or ought to have, by either map; `readable`: of these, those that the maps
    in force read. `unread`: of the readable, those that the corrected map cannot read, by fault or NOT_ASKED;
    `misfits`: those that follow from none of their neighbours under it, and do now. `steps`: where the volume of one
    count changes only then. `same`: every poll means the same. `first`: seq, date, count before and after.
    """

    months: tuple[Both, ...]
    polls: int
    readable: int
    unread: tuple[tuple[str, int], ...]
    misfits: int
    steps: tuple[Interval, ...]
    same: bool
    first: tuple[tuple[int, int, str, str], ...]

    @property
    def fits(self) -> bool:
        """Whether all but a few of the polls that are readable now have their place under the corrected map."""
        return sum(times for _, times in self.unread) + self.misfits <= FEW * self.readable


def candidate(reader: Reader, point: Point, span_ms: tuple[int | None, int | None], text: str, name: str) -> Reread:
    """The polls of the point from `span_ms[0]` to before `span_ms[1]` (None: from the first, to the last on record)."""
    point_id = reader.point_id(point.name)
    newest = reader.newest_seq()
    begin, end = span_ms
    first = 1 if begin is None else reader.seq_range(begin, begin)[0]
    last = newest if end is None else reader.seq_range(end, end)[1]
    seqs = [] if point_id is None else _ends(reader, point_id, (first, last), span_ms)
    if not seqs:
        return Reread("", newest + 1, 1, 0, 0, 0, name, text, "", "")
    (first, from_ms), (last, to_ms) = seqs
    return Reread("", newest + 1, first, last, from_ms, to_ms, name, text, "", "")


def _ends(
    reader: Reader, point_id: int, seqs: tuple[int, int], span_ms: tuple[int | None, int | None]
) -> list[tuple[int, int]]:
    """Number and date (or what the clock showed) of the first and the last poll of the span."""
    begin, end = span_ms
    forward = ((p.seq, _shown(p, when)) for p, when in reader.polls(point_id, *seqs))
    back = ((p.seq, _shown(p, when)) for p, when in reader.polls_back(point_id, seqs[1] + 1, seqs[0]))
    one = next((each for each in forward if begin is None or each[1] >= begin), None)
    other = next((each for each in back if end is None or each[1] < end), None)
    return [one, other] if one and other and one[0] <= other[0] else []


def _shown(poll: Poll, when: When) -> int:
    return poll.shown_ms if when.utc_ms is None else when.utc_ms


def effect(reader: Reader, site: Site, point: Point, of: Reread, replaces: str | None = None) -> Effect:
    """Both ledgers of all months that the polls lie in. `replaces`: the entry that it is to take the place of."""
    starts = [day for day in days(_months(of, site)) if day.day == 1]
    edges = [midnight_ms(day, site.zone) for day in [*starts, _months(of, site).end]]
    now = in_force(reader.entries())
    then = (*(entry for entry in now if entry.uuid != replaces), _as_entry(reader, point, of))
    before = _Seen(of).walk(reader, point, now, edges)
    after = _Seen(of, before.first).walk(reader, point, then, edges)
    labels = (f"{day:%Y-%m}" for day in starts)
    lost = [_why(after, seq) for seq, fact in before.facts.items() if _read(fact) and not _read(after.facts.get(seq))]
    return Effect(
        months=tuple(Both(*each) for each in zip(labels, before.volumes, after.volumes, strict=True)),
        polls=len(before.facts.keys() | after.facts.keys()),
        readable=sum(map(_read, before.facts.values())),
        unread=tuple(sorted((why, lost.count(why)) for why in set(lost))),
        misfits=len(after.misfits - before.misfits),
        steps=tuple(one for at, one in after.steps.items() if at not in before.steps),
        same=before.facts == after.facts,
        first=tuple(_first(seq, before, after) for seq in sorted(before.first or after.first)[:SHOWN]),
    )


class _Seen:
    """One of the two ledgers, walked through once.

    `facts`: of each poll the fault, or a hash of all that it means, so that years of them find room. `first`: date and
    count of the first ones, and of those asked for.
    """

    def __init__(self, of: Reread, asked: Iterable[int] = ()) -> None:
        self._of, self._asked = of, frozenset(asked)
        self.facts: dict[int, int | str] = {}
        self.first: dict[int, tuple[int, str]] = {}
        self.misfits: set[int] = set()
        self.steps: dict[tuple[int, int], Interval] = {}
        self.volumes: list[Fraction | None] = []

    def walk(self, reader: Reader, point: Point, entries: Sequence[Entry], edges: Sequence[int]) -> "_Seen":
        parts, metered = Parts(edges), [False] * (len(edges) - 1)
        reach = reach_of(reader, edges[0], edges[-1])
        for one in followed(reader, point, entries, reach, self._watch).intervals:
            parts.take(one)
            self._note(one)
            _mark(metered, edges, one)
        volumes = (part.volume_m3 for part in parts.close())
        self.volumes = [m3 if known else None for m3, known in zip(volumes, metered, strict=True)]
        return self

    def _watch(self, facts: Iterable[LedgerFact]) -> Iterator[LedgerFact]:
        for fact in facts:
            if isinstance(fact, Reading | Missed) and self._of.holds(fact.seq):
                self.facts[fact.seq] = fact.fault if isinstance(fact, Missed) else hash(fact)
                if len(self.first) < SHOWN or fact.seq in self._asked:
                    self.first[fact.seq] = fact.when.utc_ms or 0, _said(fact)
            yield fact

    def _note(self, one: Interval) -> None:
        if one.kind in _MISFITS and self._of.holds(one.last.seq):
            self.misfits.add(one.last.seq)
        if one.kind is Kind.SCALE_CHANGED:
            self.steps[one.first.seq, one.last.seq] = one


def _read(fact: int | str | None) -> bool:
    return isinstance(fact, int)


def _why(after: _Seen, seq: int) -> str:
    return str(after.facts.get(seq, NOT_ASKED))


def _first(seq: int, before: _Seen, after: _Seen) -> tuple[int, int, str, str]:
    (at_ms, then), (later_ms, now) = (seen.first.get(seq, (0, NOT_ASKED)) for seen in (before, after))
    return seq, at_ms or later_ms, then, now


def _mark(metered: list[bool], edges: Sequence[int], one: Interval) -> None:
    if one.kind in POSTS:
        for at in range(len(metered)):
            metered[at] |= one.begin_ms < edges[at + 1] and one.end_ms > edges[at]


def _said(fact: Reading | Missed) -> str:
    return f"cannot be read ({fact.fault})" if isinstance(fact, Missed) else f"{fact.total.count:,} counts"


def _months(of: Reread, site: Site) -> Period:
    """From the first day of the first month to the last of the last."""
    first, last = local(of.from_ms, site.zone).date(), local(of.to_ms, site.zone).date()
    end = date(last.year + last.month // 12, last.month % 12 + 1, 1)
    return Period(first.replace(day=1), end, "the months of a reread")


def _as_entry(reader: Reader, point: Point, of: Reread) -> Entry:
    """As if it had been entered already."""
    content = canonical(dict(reread_content(replace(of, because="tried"))))
    return Entry(of.seq, "candidate", 0, 0, 0, of.from_ms, "reread", reader.point_id(point.name), "", None, content)
